"""Files that ``extractor expect`` writes under ``results/``."""

from __future__ import annotations

import math
from pathlib import Path

import pandas as pd
from matplotlib.figure import Figure

from extractor.radio.assessment import LinkReport
from extractor.radio.discrepancies import Judgement
from extractor.radio.link_budget import Span
from extractor.radio.situation import ExpectedDifference
from extractor.report.charts import link, style
from extractor.session.atomic import replacing
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
    written = [session.results / "expected.csv"]
    write_table(written[0], EXPECTED_COLUMNS, expected_rows(report))
    if report.calibration is not None:
        written.append(
            _write(session.results / "differences_db.csv", report.calibration.differences)
        )
    if not report.sweep.empty:
        written.append(_write(session.results / "sweep.csv", report.sweep))
    with style.drawing([report.unit, *(one.antenna for one in report.antennas)]):
        for name, figure in figures(report).items():
            path = session.pictures / f"{name}.png"
            with replacing(path) as stream:
                figure.savefig(stream, format="png", dpi=120)
            written.append(path)
    return tuple(written)


def _write(path: Path, table: pd.DataFrame) -> Path:
    # An open end is an empty cell; the column bound says which kind.
    rows = [
        {str(key): None if value in (math.inf, -math.inf) else value for key, value in row.items()}
        for row in table.to_dict("records")
    ]
    write_table(path, [str(column) for column in table.columns], rows)
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
        drawn["expected"] = _expected_figure(report)
    if not report.sweep.empty:
        figure = Figure(figsize=(8, 5), layout="constrained")
        axes = figure.subplots()
        link.draw_sweep(report.sweep, axes, unit=report.unit, threshold=report.threshold)
        drawn["sweep"] = figure
    return drawn


def _expected_figure(report: LinkReport) -> Figure:
    height = 1.8 + 0.6 * len(report.judgements)
    figure = Figure(figsize=(8, height), layout="constrained")
    if report.judgements[0].measured.unit == "dB":
        link.draw_expected(report.judgements, figure.subplots())
    else:
        left, right = figure.subplots(1, 2)
        link.draw_expected_beside(report.judgements, left, right)
        for axes in (left, right):
            axes.locator_params(axis="x", nbins=6)
    return figure


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
        row |= {"measured": _finite(measured.value), "measured_low": _finite(measured.low)}
        row |= {"measured_high": _finite(measured.high), "measured_unit": measured.unit}
        row |= {"agreement": judgement.agreement, "left_over_db": _finite(judgement.left_over_db)}
        row["check"] = "; ".join(one.name for one in judgement.causes if not one.excluded)
        if judgement.own is not None:
            row |= _ends("own", judgement.own)
    row["notes"] = "; ".join(expected.notes)
    return row


def _ends(name: str, span: Span) -> dict[str, object]:
    value = None if span.value_db is None else _finite(span.value_db)
    return {
        f"{name}_db": value,
        f"{name}_low_db": _finite(span.low_db),
        f"{name}_high_db": _finite(span.high_db),
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
