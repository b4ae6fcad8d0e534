"""The ranking: one row an antenna, best on top, with its interval and who it ties with."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.transforms import offset_copy

from extractor.comparison.findings import digits_for
from extractor.comparison.model import records
from extractor.report.charts.style import GRID, INK, LINE, SOFT, Look, plain, with_unit

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
    axes: Axes,
    ranking: pd.DataFrame,
    looks: Mapping[str, Look],
    *,
    unit: str,
    measure: str,
    together: Sequence[Sequence[str]] = (),
    size: float = 1.0,
    runs: pd.DataFrame | None = None,
    names_above: bool = False,
) -> Axes:
    """Draw the ranking.

    Parameters
    ----------
    axes : Axes
        To draw on.
    ranking : DataFrame
        As ``ranking.csv``: antenna, mean, low, high, runs, mountings, lower_bound, best first.
    looks : mapping
        From `style.looks`.
    unit, measure : str
        For the axis title.
    together : sequence of sets
        Antennas that can't be told apart; a bracket joins them.
    size : float
        Scale of text and marks.
    runs : DataFrame, optional
        ``antenna`` and ``value``: every run as a tick below the mean.
    names_above : bool
        Write names over the rows, for narrow pictures, and not left of them.
    """
    digits = digits_for(ranking["mean"])
    for i, row in enumerate(records(ranking)):
        look = looks[str(row["antenna"])]
        _one(axes, i, row, look, size)
        if runs is not None:
            _ticks(axes, i, runs.loc[runs["antenna"] == row["antenna"], "value"], look, size)
        bound = "≥ " if row.get("lower_bound") else ""
        axes.annotate(
            f"{bound}{row['mean']:.{digits}f}", (row["mean"], i), xytext=(0, 9 * size), color=INK,
            textcoords="offset points", ha="center", fontsize=11 * size, fontweight="bold",
        )  # fmt: skip
        (_name_above if names_above else _name_left)(axes, i, row, look, size)
    axes.set_yticks([])
    axes.tick_params(labelsize=10.5 * size)
    axes.set_ylim(len(ranking) - 0.45, -0.65)
    _brackets(axes, ranking, together, size)
    axes.set_xlabel(with_unit(measure, unit), fontsize=10.5 * size)
    return plain(axes)


def _one(axes: Axes, i: int, row: dict[str, Any], look: Look, size: float) -> None:
    inner_low, inner_high = row.get("inner_low", math.nan), row.get("inner_high", math.nan)
    if math.isfinite(row["low"]):
        axes.plot(
            [row["low"], row["high"]], [i, i], "|-", color=look.color, linewidth=2 * size,
            markersize=13 * size, markeredgewidth=2 * size,
        )  # fmt: skip
    if math.isfinite(inner_low) and inner_low != row["low"]:
        axes.plot(
            [inner_low, inner_high], [i, i], color=look.color, linewidth=6 * size, alpha=0.35,
            solid_capstyle="butt",
        )  # fmt: skip
    axes.plot(
        [row["mean"]], [i], look.marker, color=look.color, markersize=9 * size,
        markeredgecolor="white", markeredgewidth=0.8 * size,
    )  # fmt: skip


def _ticks(axes: Axes, i: int, values: pd.Series, look: Look, size: float) -> None:
    figure = axes.get_figure(root=True)
    below = offset_copy(axes.transData, figure, 0, -13 * size, units="points")
    axes.plot(
        values, [i] * len(values), "|", color=look.color, markersize=7 * size,
        markeredgewidth=1.2 * size, transform=below,
    )  # fmt: skip
    # Shifted marks do not count for the limits, and runs beyond the interval would be cut off.
    axes.update_datalim([(value, i) for value in values.dropna()], updatey=False)
    axes.autoscale_view()


def _count(row: dict[str, Any]) -> str:
    clips, mountings = int(row["runs"]), int(row["mountings"])
    return f"n = {clips} run{'s' * (clips != 1)}, {mountings} mounting{'s' * (mountings != 1)}"


def _name_above(axes: Axes, i: int, row: dict[str, Any], look: Look, size: float) -> None:
    for x, text, align, weight, color, points in (
        (0.0, look.label, "left", "bold", INK, 12),
        (1.0, _count(row), "right", "normal", SOFT, 9.5),
    ):
        axes.text(
            x, i - 0.43, text, transform=axes.get_yaxis_transform(), ha=align, va="center",
            fontsize=points * size, fontweight=weight, color=color,
        )  # fmt: skip
    if i:
        axes.axhline(i - 0.62, color=GRID, linewidth=0.8 * size)


def _name_left(axes: Axes, i: int, row: dict[str, Any], look: Look, size: float) -> None:
    for text, place, weight, color, points in (
        (look.label, "bottom", "bold", INK, 12),
        (_count(row), "top", "normal", SOFT, 9.5),
    ):
        axes.text(
            -0.015, i, text, transform=axes.get_yaxis_transform(), ha="right", va=place,
            fontsize=points * size, fontweight=weight, color=color,
        )  # fmt: skip


def _brackets(
    axes: Axes, ranking: pd.DataFrame, together: Sequence[Sequence[str]], size: float
) -> None:
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
            linewidth=1.4 * size, transform=transform, clip_on=False,
        )  # fmt: skip
        if k == len(together) - 1:
            axes.text(
                x + 0.015, (top + bottom) / 2, "can't be\ntold apart", transform=transform,
                va="center", color=INK, fontsize=9.5 * size,
            )  # fmt: skip
    axes.axhline(len(ranking) - 0.45, color=LINE, linewidth=0.8)
