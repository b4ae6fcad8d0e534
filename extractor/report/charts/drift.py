"""Drift: how far each run lies from its antenna's level, in the order of recording."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd
from matplotlib.axes import Axes

from extractor.comparison.compare import Comparison
from extractor.comparison.drift import Drift
from extractor.comparison.findings import CHECK_LEVEL
from extractor.report.charts.style import plain
from extractor.report.theme import INK, LINE, SOFT, Look, with_unit


def draw_drift(
    axes: Axes, comparison: Comparison, looks: Mapping[str, Look], found: Drift | None
) -> Axes:
    """Draw each run's value minus its antenna's level against the order.

    Parameters
    ----------
    axes : Axes
        To draw on.
    comparison : Comparison
        Its runs (antenna, order, value) and levels are drawn.
    looks : mapping
        From `style.looks`.
    found : Drift, optional
        The slope with its interval; drawn as a line with a band.
    """
    levels = comparison.ranking.set_index("antenna")["mean"]
    known = comparison.runs.dropna(subset=["order"]).sort_values("order")
    off = known["value"] - known["antenna"].map(levels)
    axes.axhline(0, color=LINE, linewidth=1)
    for antenna, part in known.groupby("antenna"):
        look = looks[str(antenna)]
        axes.plot(
            part["order"], off[part.index], look.marker, color=look.color, markersize=7,
            markeredgecolor="white", markeredgewidth=0.6, linestyle="none",
        )  # fmt: skip
    if len(known) <= 40:
        for x, y, antenna in zip(known["order"], off, known["antenna"], strict=True):
            axes.annotate(
                looks[antenna].label[:8], (x, y), xytext=(0, 7), textcoords="offset points",
                ha="center", fontsize=8.5, color=SOFT,
            )  # fmt: skip
    if found is not None:
        _line(axes, known, found, comparison.unit)
    axes.set_xlabel(f"Order of recording (n = {len(known)} runs)")
    axes.set_ylabel(with_unit("Above or below the\nantenna's own level", comparison.unit))
    axes.margins(x=0.04, y=0.18)
    return plain(axes, grid="y")


def _line(axes: Axes, known: pd.DataFrame, found: Drift, unit: str) -> None:
    ends = [float(known["order"].min()), float(known["order"].max())]
    middle = sum(ends) / 2
    span = ends[1] - ends[0]
    shares = [(x - middle) / span for x in ends]
    axes.plot(ends, [found.change * s for s in shares], color=INK, linewidth=1.4, linestyle="--")
    # The band pivots on the middle of the session: it is the slope that is uncertain here.
    low, high = ([slope * shares[0], 0, slope * shares[1]] for slope in (found.low, found.high))
    places = [ends[0], middle, ends[1]]
    axes.fill_between(places, low, high, color=LINE, alpha=0.22, linewidth=0)
    axes.set_title(
        f"{_signed(found.change)} {unit} from first to last run (the band: "
        f"{100 * (1 - CHECK_LEVEL):g} % interval {_signed(found.low)} to {_signed(found.high)})",
        fontsize=10,
    )


def _signed(value: float) -> str:
    return f"{value:+.2g}".replace("-", "\N{MINUS SIGN}")
