"""Every clip a dot: by antenna, and for two fields beside each other."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

import pandas as pd
from matplotlib.axes import Axes

from extractor.report.charts.style import plain
from extractor.report.theme import INK, SOFT, Look, counts, with_unit

#: Rows of one antenna lie within this half-width.
_HALF = 0.32


def draw_distribution(
    axes: Axes,
    runs: pd.DataFrame,
    order: Sequence[str],
    looks: Mapping[str, Look],
    *,
    unit: str,
    measure: str,
    whiskers: bool = True,
    named: bool = True,
) -> Axes:
    """Draw each run as a dot with the range of its readings, each mounting as a bar across.

    Parameters
    ----------
    axes : Axes
        To draw on.
    runs : DataFrame
        antenna, mounting, value and, for the whiskers, p05 and p95; NaN is not drawn.
    order : sequence of str
        Antennas from top to bottom.
    looks : mapping
        From `style.looks`.
    unit, measure : str
        For the axis title.
    whiskers : bool
        Draw p05 to p95 of the readings inside each run.
    named : bool
        Write the antennas' names with n at the left.
    """
    known = runs.dropna(subset=["value"])
    names = []
    for i, antenna in enumerate(order):
        own = known[known["antenna"] == antenna]
        look = looks[antenna]
        groups = [g for _, g in own.groupby(["session", "mounting"], sort=False, dropna=False)]
        if groups:
            _mountings(axes, groups, _places(len(own), i), look, whiskers)
        names.append(f"{look.label}\n{counts(len(own), len(groups))}")
    axes.set_yticks(range(len(order)), names if named else [""] * len(order))
    axes.set_ylim(len(order) - 0.45, -0.55)
    for i in range(1, len(order)):
        axes.axhline(i - 0.5, color=SOFT, linewidth=0.4, alpha=0.5)
    axes.set_xlabel(with_unit(measure, unit))
    return plain(axes)


def _places(count: int, i: int) -> list[float]:
    if count == 1:
        return [float(i)]
    return [i - _HALF + 2 * _HALF * k / (count - 1) for k in range(count)]


def _mountings(
    axes: Axes, groups: Sequence[pd.DataFrame], places: Sequence[float], look: Look, whiskers: bool
) -> None:
    """Draw one antenna's runs, mounting by mounting, at the heights `places`.

    All dots are one line and all bars one collection: marks of their own take seconds where
    there are hundreds of runs.
    """
    ends = [0, *itertools.accumulate(len(g) for g in groups)]
    axes.vlines(
        [float(g["value"].mean()) for g in groups],
        [places[at] - 0.06 for at in ends[:-1]], [places[at - 1] + 0.06 for at in ends[1:]],
        color=INK, linewidth=2, alpha=0.55, zorder=1,
    )  # fmt: skip
    runs = pd.concat(groups).assign(place=places)
    if whiskers and {"p05", "p95"} <= set(runs):
        known = runs.dropna(subset=["p05", "p95"])
        axes.hlines(
            known["place"], known["p05"], known["p95"],
            color=look.color, linewidth=1.2, alpha=0.6, zorder=2,
        )  # fmt: skip
    axes.plot(
        runs["value"], runs["place"], look.marker, color=look.color, markersize=6.5, zorder=3,
        markeredgecolor="white", markeredgewidth=0.6,
    )  # fmt: skip
