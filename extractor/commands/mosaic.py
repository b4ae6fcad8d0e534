"""``extractor mosaic``: all clips of a session in one film, in step."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from extractor.commands.options import Clips, Field, SessionFolder
from extractor.commands.screen import progress_bar, say


def mosaic(
    session: SessionFolder,
    clip: Clips = None,
    field: Field = None,
    out: Annotated[
        Path | None, typer.Option(help="The film, MP4.", show_default="results/videos/mosaic.mp4")
    ] = None,
) -> None:
    """Write one film with all clips in a grid, each with its running mean and chart."""
    from extractor.report.mosaic import mosaic as write
    from extractor.session.folder import Session

    with progress_bar("mosaic") as bar:
        path = write(Session(session), out, only=clip or (), field=field, progress=bar)
    say(f"Film: {path}")
