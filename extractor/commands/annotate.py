"""``extractor annotate``: a clip with its readings beside the numbers."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from extractor.commands.options import SessionFolder
from extractor.commands.screen import progress_bar, say


def annotate(
    session: SessionFolder,
    clip: Annotated[str, typer.Option(metavar="NAME", help="The clip, path in the session.")],
    out: Annotated[
        Path | None, typer.Option(help="The film, MP4.", show_default="results/videos/CLIP.mp4")
    ] = None,
) -> None:
    """Write a copy of a clip that shows what was read, and when, so that anyone can check it.

    The clip itself is left as it is. Sound is dropped.
    """
    from extractor.report.annotated_clip import annotate as write
    from extractor.session.folder import Session

    with progress_bar(clip) as bar:
        path = write(Session(session), clip, out, bar)
    say(f"Film: {path}")
