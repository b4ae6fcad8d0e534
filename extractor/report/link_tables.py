"""Files that ``extractor expect`` writes under ``results/``."""

from __future__ import annotations

import math
from pathlib import Path

import pandas as pd
from matplotlib.figure import Figure

from extractor.radio.assessment import LinkReport
from extractor.report.charts import link, style
from extractor.session.atomic import replacing
from extractor.session.csv_tables import write_table
from extractor.session.folder import Session

EXPECTED_COLUMNS = (
    *("antenna", "reference", "gain_db", "cable_db", "polarisation_db", "pointing_db"),
    *("mismatch_db", "expected_db", "expected_low_db", "expected_high_db", "measured"),
    *("measured_low", "measured_high", "measured_unit", "agreement", "check", "notes"),
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
    """Rows of ``results/expected.csv``: terms, total, measured and agreement, one an antenna."""
    judged = {one.antenna: one for one in report.judgements}
    rows = []
    for one in report.expected:
        row: dict[str, object] = {"antenna": one.antenna, "reference": one.reference}
        for name in ("gain", "cable", "polarisation", "pointing", "mismatch"):
            row[f"{name}_db"] = getattr(one, name).value_db
        row["expected_db"] = one.total.value_db
        row["expected_low_db"] = _finite(one.total.low_db)
        row["expected_high_db"] = _finite(one.total.high_db)
        judgement = judged.get(one.antenna)
        if judgement is not None:
            measured = judgement.measured
            row |= {"measured": _finite(measured.value), "measured_low": _finite(measured.low)}
            row |= {"measured_high": _finite(measured.high), "measured_unit": measured.unit}
            row["agreement"] = judgement.agreement
            row["check"] = "; ".join(cause.title for cause in judgement.causes)
        row["notes"] = "; ".join(one.notes)
        rows.append(row)
    return rows


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
