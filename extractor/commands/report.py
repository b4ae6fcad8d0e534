"""``extractor report``: the page to show, and every chart as a picture."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from extractor.commands.options import (
    Confidence,
    EqualWithin,
    Factor,
    Field,
    Measure,
    Pool,
    Reference,
    SessionsOrPacks,
)
from extractor.commands.screen import note, say


def report(
    sessions: SessionsOrPacks,
    field: Field = None,
    measure: Measure = None,
    factor: Factor = "antenna",
    reference: Reference = None,
    confidence: Confidence = 0.95,
    pool: Pool = False,
    equal_within: EqualWithin = None,
    title: Annotated[
        str | None, typer.Option(help="Title of the page.", show_default="the session's name")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            help="Folder for page, tables and pictures.",
            show_default="results/ of the first session",
        ),
    ] = None,
) -> None:
    """Write report.html, one self-contained page, and every chart as PNG and SVG.

    The comparison is made anew, so its tables under results/ always fit the page.
    """
    from extractor.report.html_report import Options, write_report

    options = Options(field, measure, factor, reference, confidence, pool, equal_within, title)
    page, *others = write_report(sessions, out, options, progress=note)
    say(f"Report: {page}")
    pictures = sorted({str(p.parent) for p in others if p.suffix == ".png"})
    note(f"Pictures: {', '.join(pictures)}")
