"""``extractor replay``: this test, repeated a thousand times, as a short film."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from extractor.commands.options import Field, SessionOrPack
from extractor.commands.screen import progress_bar, say
from extractor.errors import UsageError


def replay(
    session: SessionOrPack,
    field: Field = None,
    assume_spread: Annotated[
        float | None,
        typer.Option(
            help="Spread between mountings to assume, in the field's unit.",
            show_default="as measured; several where each antenna was mounted once",
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Folder for videos/ and pictures/.", show_default="results/")
    ] = None,
) -> None:
    """Simulate repeats of this very test and film how often the winner stays first."""
    from extractor.report.repeat_film import write_replay

    if assume_spread is not None and not assume_spread > 0:
        raise UsageError(f"--assume-spread {assume_spread:g}: must be above 0")
    with progress_bar("replay") as bar:
        said, film, still = write_replay(
            session, out, field=field, assumed=assume_spread, progress=lambda s: bar(s, 1.0)
        )
    say(said)
    say(f"Film: {film}")
    say(f"Still: {still}")
