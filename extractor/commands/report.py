"""``extractor report``: the page to show, and every chart as a picture."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from extractor.commands.options import Debug, Field, Quiet, SessionsOrPacks
from extractor.commands.screen import note, say


def report(
    sessions: SessionsOrPacks,
    field: Field = None,
    measure: Annotated[
        str,
        typer.Option(
            help="What stands for a run: mean, mean_with_outages, median, p05 or availability."
        ),
    ] = "mean",
    factor: Annotated[
        str, typer.Option(help="Column of runs.csv whose levels are compared.")
    ] = "antenna",
    reference: Annotated[
        str | None,
        typer.Option(help="Compare every antenna with this one alone.", show_default="all pairs"),
    ] = None,
    confidence: Annotated[
        float, typer.Option(help="Of all statements about pairs together, 0.5 to 0.999.")
    ] = 0.95,
    pool: Annotated[
        bool,
        typer.Option("--pool", help="Pool runs that differ in rate mode, power, channel or width."),
    ] = False,
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
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Write report.html, one self-contained page, and every chart as PNG and SVG.

    The comparison is made anew, so its tables under results/ always fit the page.
    """
    from extractor.report.html_report import Options, write_report

    options = Options(field, measure, factor, reference, confidence, pool, title)
    page, *others = write_report(sessions, out, options, progress=note)
    say(f"Report: {page}")
    pictures = sorted({str(p.parent) for p in others if p.suffix == ".png"})
    note(f"Pictures: {', '.join(pictures)}")
