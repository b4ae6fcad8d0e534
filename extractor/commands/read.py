"""``extractor read`` and ``extractor quick``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from extractor.commands.screen import Bars, report_problems, say, summary_table
from extractor.errors import EXIT_CLIP

if TYPE_CHECKING:
    from extractor.pipeline import SessionReport
    from extractor.session.folder import Session


def read(
    session: Path,
    rate: float = 10.0,
    reader: str = "network",
    jobs: int = 0,
    clip: list[str] | None = None,
    again: bool = False,
    exact: bool = False,
    crosscheck: int = 20,
    scheduler: str = "",
) -> None:
    """Read every clip: a CSV per clip, the clip statistics, a table on the screen.

    Writes results/readings/*.csv and results/summary.csv. What did not change is not read again.
    """
    opened, report = _read(
        session,
        clip,
        rate_hz=rate,
        reader=reader,
        jobs=jobs,
        again=again,
        exact=exact,
        crosscheck=crosscheck,
        scheduler=scheduler,
    )
    if report.rows:
        say(f"Clip statistics: {opened.summary_path}")
        say(f"Readings: {opened.readings_folder}")
    _end(report)


def quick(
    session: Path, reader: str = "network", jobs: int = 0, clip: list[str] | None = None
) -> None:
    """Look at keyframes only, while the rig still stands.

    Says whether the number is readable in each clip, and prints a first mean with its 95 %
    interval; writes nothing.
    """
    from extractor.pipeline import quick_verdicts

    _, report = _read(session, clip, reader=reader, jobs=jobs, quick=True)
    for line in quick_verdicts(report.rows):
        say(line)
    _end(report)


def _read(session: Path, clips: list[str] | None, **how: Any) -> tuple[Session, SessionReport]:
    from extractor import pipeline
    from extractor.reading.clip_job import ReadOptions
    from extractor.session.folder import Session

    opened = Session(session)
    with Bars() as bars:
        report = pipeline.read_session(opened, ReadOptions(**how), only=clips or (), watcher=bars)
    if report.rows:
        summary_table(report.rows)
    return opened, report


def _end(report: SessionReport) -> None:
    report_problems(report)
    if report.failed:
        raise typer.Exit(EXIT_CLIP)
