"""Files that ``extractor expect`` writes under ``results/``."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from matplotlib.figure import Figure

from extractor.radio.assessment import LinkReport
from extractor.radio.discrepancies import Judgement
from extractor.radio.link_budget import Span
from extractor.radio.situation import ExpectedDifference
from extractor.report import chart_files
from extractor.report.charts import link, style
from extractor.session.csv_tables import write_table
from extractor.session.folder import Session

EXPECTED_COLUMNS = (
    *("antenna", "reference", "gain_db", "cable_db", "polarisation_db", "pointing_db"),
    *("mismatch_db", "expected_db", "expected_low_db", "expected_high_db"),
    *("ports_db", "ports_low_db", "ports_high_db", "here_db", "here_low_db", "here_high_db"),
    *("measured", "measured_low", "measured_high", "measured_unit"),
    *("own_db", "own_low_db", "own_high_db", "agreement", "left_over_db", "check", "notes"),
)
"""Of ``results/expected.csv``; decibels, but for what was measured, whose unit is named."""
_MEASURED = {"": "value", "_low": "low", "_high": "high", "_unit": "unit"}


def write_link_results(report: LinkReport, root: Path) -> tuple[Path, ...]:
    """Write tables and pictures.

    ``expected.csv`` always; with a calibration ``differences_db.csv`` and
    ``pictures/calibration.png``; with results ``pictures/expected.png``; with a sweep
    ``sweep.csv`` and ``pictures/sweep.png``.

    Raises
    ------
    StorageError
        If one cannot be written.
    """
    session = Session(root)
    calibration = report.calibration
    tables = {} if calibration is None else {"differences_db": calibration.differences}
    tables |= {} if report.sweep.empty else {"sweep": report.sweep}
    path = session.results / "expected.csv"
    written = [_write(path, EXPECTED_COLUMNS, expected_rows(report))]
    for name, table in tables.items():
        path = session.results / f"{name}.csv"
        written.append(_write(path, list(table.columns), table.to_dict("records")))
    with style.drawing([report.unit, *(one.antenna for one in report.antennas)]):
        for name, figure in figures(report).items():
            written += chart_files.save(session.pictures, name, style.png(figure, 120))
    return tuple(written)


def _write(path: Path, columns: Sequence[str], rows: Sequence[Mapping[Any, Any]]) -> Path:
    # An open end is an empty cell; the column bound says which kind.
    ends = (math.inf, -math.inf)
    closed = [{k: None if v in ends else v for k, v in row.items()} for row in rows]
    write_table(path, columns, closed)
    return path


def figures(report: LinkReport) -> dict[str, Figure]:
    """Draw the charts that a report has something for: calibration, expected, sweep."""
    drawn = {}
    if report.calibration is not None:
        figure = Figure(figsize=(8, 6.5), layout="constrained")
        top, bottom = figure.subplots(2, 1, sharex=True, height_ratios=(3, 1))
        link.draw_calibration(report.calibration.calibration, top, bottom, unit=report.unit)
        drawn["calibration"] = figure
    if report.judgements:
        height = 1.8 + 0.6 * len(report.judgements)
        drawn["expected"] = Figure(figsize=(8, height), layout="constrained")
        link.draw_expected(report.judgements, drawn["expected"])
    if not report.sweep.empty:
        figure = Figure(figsize=(8, 5), layout="constrained")
        axes = figure.subplots()
        link.draw_sweep(report.sweep, axes, unit=report.unit, threshold=report.threshold)
        drawn["sweep"] = figure
    return drawn


def expected_rows(report: LinkReport) -> list[dict[str, object]]:
    """Rows of ``results/expected.csv``: one an antenna, then each surprise of another pair."""
    judged = {one.antenna: one for one in report.judgements}
    rows = [_row(one, judged.get(one.antenna)) for one in report.expected]
    pairs = {(one.antenna, one.reference) for one in report.expected}
    pairs |= {pair[::-1] for pair in pairs}
    more = (one for one in report.surprises if (one.antenna, one.reference) not in pairs)
    return rows + [_row(one.expected, one) for one in more]


def _row(expected: ExpectedDifference, judgement: Judgement | None) -> dict[str, object]:
    row: dict[str, object] = {"antenna": expected.antenna, "reference": expected.reference}
    for name in ("gain", "cable", "polarisation", "pointing", "mismatch"):
        row[f"{name}_db"] = getattr(expected, name).value_db
    row |= _ends("expected", expected.total) | _ends("ports", expected.ports)
    row |= _ends("here", expected.here)
    if judgement is not None:
        measured = judgement.measured
        row |= {f"measured{k}": getattr(measured, v) for k, v in _MEASURED.items()}
        row |= {"agreement": judgement.agreement, "left_over_db": judgement.left_over_db}
        row["check"] = "; ".join(one.name for one in judgement.causes if not one.excluded)
        if judgement.own is not None:
            row |= _ends("own", judgement.own)
    row["notes"] = "; ".join(expected.notes)
    return row


def _ends(name: str, span: Span) -> dict[str, object]:
    ends = {"": span.value_db, "_low": span.low_db, "_high": span.high_db}
    return {f"{name}{end}_db": value for end, value in ends.items()}
