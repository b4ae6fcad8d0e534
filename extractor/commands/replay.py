"""``extractor replay``: this test, repeated a thousand times, as a short film."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from extractor.commands.options import Field, SessionOrPack
from extractor.commands.screen import progress_bar, say


def replay(
    session: SessionOrPack,
    field: Field = None,
    out: Annotated[
        Path | None, typer.Option(help="Folder for videos/ and pictures/.", show_default="results/")
    ] = None,
) -> None:
    """Simulate repeats of this very test and film how often the winner stays first."""
    from extractor.report.repeat_film import write_replay

    with progress_bar("replay") as bar:
        said, film, still = write_replay(session, out, field=field, progress=lambda s: bar(s, 1.0))
    say(said)
    say(f"Film: {film}")
    say(f"Still: {still}")
