"""Charts of calibration, expectation and sweep: tables in, drawn axes out; never shown."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from extractor.radio.calibration import Calibration
from extractor.radio.calibration_findings import pass_directions
from extractor.radio.discrepancies import Judgement
from extractor.report.charts.style import plain
from extractor.report.theme import INK, LINE
from extractor.statistics.isotonic import invert_rows

# Told apart by shape and lightness too, so that grey print and colour blindness lose nothing.
MEASURED = "#0b6e99"
EXPECTED = "#d98a00"


def draw_calibration(
    calibration: Calibration, axes: Axes, residual_axes: Axes, *, unit: str = "Mbit/s"
) -> None:
    """Draw the curve with its runs, way up and way down apart, and the residuals below it."""
    curve, runs = calibration.curve, calibration.curve_runs
    levels = np.linspace(curve.level[0], curve.level[-1], 200)
    read = invert_rows(curve.attenuation_db, curve.level[None, :], levels[None, :], "pchip")[0]
    if curve.interpolation == "linear":
        read, levels = curve.attenuation_db, curve.level
    axes.plot(read, levels, color=INK, linewidth=1.5, zorder=1)
    steps = runs["attenuation_db"].to_numpy(float)
    values = runs[calibration.measure].to_numpy(float)
    fitted = np.interp(steps, curve.attenuation_db, curve.level)
    ordered = "order" in runs.columns and runs["order"].notna().all()
    direction = pass_directions(steps) if ordered else np.zeros(steps.size)
    for way, marker, label in ((1, "^", "way up"), (-1, "v", "way down"), (0, "o", "runs")):
        chosen = direction == way
        if chosen.any():
            look: Any = {"marker": marker, "linestyle": "none", "color": MEASURED, "markersize": 6}
            fill = "white" if way == -1 else MEASURED
            axes.plot(steps[chosen], values[chosen], label=label, markerfacecolor=fill, **look)
            residual = values[chosen] - fitted[chosen]
            residual_axes.plot(steps[chosen], residual, markerfacecolor=fill, **look)
    _mark_levels(calibration, axes)
    residual_axes.axhline(0, color=INK, linewidth=0.8)
    residual_axes.set_xlabel("Attenuation in all lines, dB")
    residual_axes.set_ylabel(f"Residual, {unit}")
    axes.set_ylabel(f"Level, {unit}")
    axes.set_ylim(bottom=0)
    axes.set_title(f"Calibration with {curve.antenna}, {len(runs)} runs")
    axes.legend(frameon=False, loc="lower left")
    for each in (axes, residual_axes):
        plain(each, grid="both")


def _mark_levels(calibration: Calibration, axes: Axes) -> None:
    curve = calibration.curve
    for antenna, level in calibration.levels[["antenna", "level"]].itertuples(index=False):
        if antenna == curve.antenna:
            continue
        read = curve.attenuation_at(float(level)).value_db
        end = curve.attenuation_db[0 if level > curve.level[0] else -1]
        x, label = (end, f"{antenna} (beyond)") if read is None else (read, str(antenna))
        axes.annotate(label, (x, level), xytext=(8, 6), textcoords="offset points", color=INK)
        axes.plot([x], [level], marker="D", color=EXPECTED, markersize=5, linestyle="none")


def draw_expected(judgements: Sequence[Judgement], figure: Figure) -> None:
    """Draw expected and measured differences with their ranges, one antenna a row.

    At least one judgement. What was measured in dB stands on the same axes, in the field's own
    unit on axes beside it. Open ranges run to the edge with an arrowhead.
    """
    reference, unit = judgements[0].reference, judgements[0].measured.unit
    together = unit == "dB"
    left, right = (figure.subplots(),) * 2 if together else figure.subplots(1, 2)
    offset = 0.14 if together else 0.0
    spans = [one.expected.here for one in judgements]
    values = [math.nan if s.value_db is None else s.value_db for s in spans]
    expected = [(v, s.low_db, s.high_db) for v, s in zip(values, spans, strict=True)]
    measured = [(m.value, m.low, m.high) for m in (one.measured for one in judgements)]
    _rows(left, expected, -offset, EXPECTED, "s")
    _rows(right, measured, offset, MEASURED, "o")
    for axes in dict.fromkeys((left, right)):
        axes.set_yticks(range(len(judgements)), [one.antenna for one in judgements])
        axes.set_ylim(len(judgements) - 0.5, -0.5)
        axes.axvline(0, color=INK, linewidth=0.8)
        plain(axes, grid="both")
        if not together:
            axes.locator_params(axis="x", nbins=6)
    if together:
        left.set_xlabel(f"Difference to {reference}, dB (link-equivalent at this site)")
        left.set_title("Expected (square, range) and measured (dot, 95 % interval)")
    else:
        left.set_xlabel(f"Expected difference to {reference}, dB")
        right.set_xlabel(f"Measured difference to {reference}, {unit}")
        right.tick_params(labelleft=False)


_Range = tuple[float, float, float]


def _rows(axes: Axes, ranges: Sequence[_Range], offset: float, color: str, marker: str) -> None:
    finite = [x for one in ranges for x in one if math.isfinite(x)]
    edge = 1.15 * max((abs(x) for x in finite), default=1.0) + 1
    for i, (value, low, high) in enumerate(ranges):
        y = i + offset
        if math.isnan(low):
            axes.text(0, y, "not known", va="center", color=color)
            continue
        ends = [low if math.isfinite(low) else -edge, high if math.isfinite(high) else edge]
        axes.plot(ends, [y, y], color=color, linewidth=3, alpha=0.55, solid_capstyle="butt")
        for end, at, arrow in ((low, ends[0], "<"), (high, ends[1], ">")):
            if not math.isfinite(end):
                axes.plot([at], [y], marker=arrow, color=color, linestyle="none")
        if math.isfinite(value):
            axes.plot([value], [y], marker=marker, color=color, linestyle="none", markersize=7)


def draw_sweep(
    sweep: pd.DataFrame, axes: Axes, *, unit: str = "Mbit/s", threshold: float | None = None
) -> None:
    """Draw level or, where calibrated, relative dB against angle, one line an antenna.

    `sweep` is the table of `sweep.sweep_report`. A threshold is drawn where levels are shown.
    """
    calibrated = bool(sweep["relative_db"].notna().any()) and threshold is None
    column = "relative_db" if calibrated else "level"
    shapes = ("o", "s", "^", "D", "v", "P")
    for i, (antenna, own) in enumerate(sweep.groupby("antenna")):
        own = own.dropna(subset=[column])
        axes.plot(own["angle_deg"], own[column], marker=shapes[i % len(shapes)], label=str(antenna))
    if calibrated:
        axes.axhline(-3.01, color=LINE, linestyle="--", linewidth=1)
        axes.annotate(
            "half power", (1, -3.01), xycoords=("axes fraction", "data"), ha="right", va="bottom"
        )
        axes.set_ylabel("Relative to its strongest, dB")
    else:
        axes.set_ylabel(f"Level, {unit}")
        axes.set_ylim(bottom=0)
        if threshold is not None:
            axes.axhline(threshold, color=LINE, linestyle="--", linewidth=1)
    axes.set_xlabel("Angle turned away from the transmitter, degrees")
    axes.set_title("Turned in steps")
    axes.legend(frameon=False)
    plain(axes, grid="both")
