"""``extractor card``: one picture for a video or a post."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from extractor.commands.options import Field, SessionOrPack
from extractor.commands.screen import say


def card(
    session: SessionOrPack,
    size: Annotated[
        str, typer.Option(help="Width x height in pixels: 1920x1080, 1080x1920, 1080x1080, …")
    ] = "1920x1080",
    title: Annotated[
        str | None, typer.Option(help="Over the picture.", show_default="what was compared")
    ] = None,
    field: Field = None,
    out: Annotated[
        Path | None,
        typer.Option(help="The PNG file.", show_default="results/pictures/card-WIDTHxHEIGHT.png"),
    ] = None,
) -> None:
    """Write the ranking as one picture: intervals, what can't be told apart, conditions."""
    from extractor.report.card import parse_size, write_card

    path = write_card(session, out, size=parse_size(size), title=title, field=field)
    say(f"Card: {path}")
