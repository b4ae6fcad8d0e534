"""The ranking: one row an antenna, best on top, with its interval and who it ties with."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.transforms import offset_copy

from extractor.comparison.compare import Comparison
from extractor.comparison.findings import digits_for
from extractor.comparison.model import records
from extractor.report.charts.style import plain
from extractor.report.theme import INK, LINE, SOFT, Look, counts, with_unit

#: What the interval of the table's ``basis`` is, in words.
BASIS_WORDS = {
    "mountings": "interval of the mean, from mounting to mounting",
    "clips of one mounting": "interval from clip to clip, as recorded here; none for the antennas",
    "none": "no interval: nothing to judge by",
}


def interval_words(ranking: pd.DataFrame, confidence: float) -> str:
    """Name the intervals that `draw_ranking` draws."""
    known = [str(b) for b in ranking["basis"] if b != "none"]  # one mounted once may have none
    words = BASIS_WORDS.get(next(iter(known), "none"), "")
    return words if words.startswith("no ") else f"{100 * confidence:g} % {words}"


def draw_ranking(
    axes: Axes, comparison: Comparison, looks: Mapping[str, Look], measure: str
) -> Axes:
    """Draw the ranking, every run as a tick; a bracket joins what can't be told apart.

    Parameters
    ----------
    axes : Axes
        To draw on.
    comparison : Comparison
        What is ranked.
    looks : mapping
        From `style.looks`.
    measure : str
        For the axis title.
    """
    ranking, runs = comparison.ranking, comparison.runs
    digits = digits_for(ranking["mean"])
    for i, row in enumerate(records(ranking)):
        look = looks[str(row["antenna"])]
        _one(axes, i, row, look)
        _ticks(axes, i, runs.loc[runs["antenna"] == row["antenna"], "value"], look)
        bound = "≥ " if row.get("lower_bound") else ""
        axes.annotate(
            f"{bound}{row['mean']:.{digits}f}", (row["mean"], i), xytext=(0, 9), color=INK,
            textcoords="offset points", ha="center", fontsize=11, fontweight="bold",
        )  # fmt: skip
        _name(axes, i, row, look)
    axes.set_yticks([])
    axes.tick_params(labelsize=10.5)
    axes.set_ylim(len(ranking) - 0.45, -0.65)
    _brackets(axes, ranking, comparison.order.together)
    axes.set_xlabel(with_unit(measure, comparison.unit), fontsize=10.5)
    return plain(axes)


def _one(axes: Axes, i: int, row: dict[str, Any], look: Look) -> None:
    inner_low, inner_high = row.get("inner_low", math.nan), row.get("inner_high", math.nan)
    if math.isfinite(row["low"]):
        axes.plot(
            [row["low"], row["high"]], [i, i], "|-", color=look.color, linewidth=2,
            markersize=13, markeredgewidth=2,
        )  # fmt: skip
    if math.isfinite(inner_low) and inner_low != row["low"]:
        axes.plot(
            [inner_low, inner_high], [i, i], color=look.color, linewidth=6, alpha=0.35,
            solid_capstyle="butt",
        )  # fmt: skip
    axes.plot(
        [row["mean"]], [i], look.marker, color=look.color, markersize=9,
        markeredgecolor="white", markeredgewidth=0.8,
    )  # fmt: skip


def _ticks(axes: Axes, i: int, values: pd.Series, look: Look) -> None:
    figure = axes.get_figure(root=True)
    below = offset_copy(axes.transData, figure, 0, -13, units="points")
    axes.plot(
        values, [i] * len(values), "|", color=look.color, markersize=7,
        markeredgewidth=1.2, transform=below,
    )  # fmt: skip
    # Shifted marks do not count for the limits, and runs beyond the interval would be cut off.
    axes.update_datalim([(value, i) for value in values.dropna()], updatey=False)
    axes.autoscale_view()


def _name(axes: Axes, i: int, row: dict[str, Any], look: Look) -> None:
    """Write name and counts left of a row."""
    n = counts(int(row["runs"]), int(row["mountings"]))
    side: Any = {"transform": axes.get_yaxis_transform(), "ha": "right"}
    axes.text(-0.015, i, look.label, va="bottom", fontsize=12, fontweight="bold", color=INK, **side)
    axes.text(-0.015, i, n, va="top", fontsize=9.5, color=SOFT, **side)


def _brackets(axes: Axes, ranking: pd.DataFrame, together: Sequence[Sequence[str]]) -> None:
    """Join rows that can't be told apart by a bracket right of the plot."""
    places = {str(name): i for i, name in enumerate(ranking["antenna"])}
    transform = axes.get_yaxis_transform()
    for k, group in enumerate(together):
        rows = [places[name] for name in group if name in places]
        if len(rows) < 2:
            continue
        x, top, bottom = 1.02 + 0.035 * k, min(rows) - 0.2, max(rows) + 0.2
        axes.plot(
            [x - 0.012, x, x, x - 0.012], [top, top, bottom, bottom], color=SOFT,
            linewidth=1.4, transform=transform, clip_on=False,
        )  # fmt: skip
        if k == len(together) - 1:
            axes.text(
                x + 0.015, (top + bottom) / 2, "can't be\ntold apart", transform=transform,
                va="center", color=INK, fontsize=9.5,
            )  # fmt: skip
    axes.axhline(len(ranking) - 0.45, color=LINE, linewidth=0.8)
