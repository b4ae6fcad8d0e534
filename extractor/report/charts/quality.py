"""Reading quality: what share of each clip was readable, and what the rest was."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from numpy.typing import NDArray

from extractor.comparison.model import records
from extractor.report.charts.style import plain
from extractor.report.theme import INK, LINE, SHADE, SOFT, WARN

Floats = NDArray[np.float64]

#: Part, columns of ``summary.csv`` that make it, colour, hatch.
PARTS: tuple[tuple[str, tuple[str, ...], str, str], ...] = (
    ("readable", ("n",), LINE, ""),
    ("no link shown", ("n_no_link",), SHADE, "////"),
    ("no overlay", ("n_hidden",), INK, ""),
    ("not readable", ("n_unreadable",), WARN, ""),
    ("doubtful, not used", ("n_range", "n_spike", "n_format", "n_frozen"), SOFT, "xxxx"),
)


def shares(summary: pd.DataFrame) -> pd.DataFrame:
    """Return each part's share of the sampled instants, one row a run, one column a part."""
    parts = pd.DataFrame(
        {
            name: summary[[c for c in columns if c in summary]].fillna(0).sum(axis=1)
            for name, columns, _, _ in PARTS
        }
    )
    return parts.div(parts.sum(axis=1).replace(0, float("nan")), axis=0)


def draw_quality(axes: Axes, summary: pd.DataFrame, names: Sequence[str]) -> Axes:
    """Draw one bar a run from 0 to 100 %, cut into what was seen.

    Parameters
    ----------
    axes : Axes
        To draw on.
    summary : DataFrame
        Rows of ``summary.csv`` of one field.
    names : sequence of str
        A label for each row.
    """
    parts = 100 * shares(summary).reset_index(drop=True)
    left = np.zeros(len(parts))
    for (name, _, color, hatch), column in zip(PARTS, parts.columns, strict=True):
        right = left + parts[column].fillna(0).to_numpy(float)
        if (right > left).any():
            _bars(axes, left, right, name, color, hatch)
        left = right
    for i, row in enumerate(records(summary)):
        total = sum(int(row.get(c) or 0) for _, columns, _, _ in PARTS for c in columns)
        axes.text(101, i, _remark(row, total), va="center", fontsize=8.5, color=INK)
    # Names as plain texts: ticks that carry nothing else take three times as long to draw.
    for i, name in enumerate(names):
        axes.text(-0.8, i, name, ha="right", va="center", fontsize=9, color=INK)
    axes.set_yticks([])
    axes.set_ylim(len(parts) - 0.4, -0.6)
    axes.set_xlim(0, 100)
    axes.set_xlabel("Share of the sampled instants, %")
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=3, frameon=False, fontsize=9)
    return plain(axes)


def _bars(axes: Axes, left: Floats, right: Floats, name: str, color: str, hatch: str) -> None:
    """Draw one part of all bars, row 0 on top; `left` and `right` in percent."""
    corners = [
        [(a, i - 0.36), (b, i - 0.36), (b, i + 0.36), (a, i + 0.36)]
        for i, (a, b) in enumerate(zip(left, right, strict=True))
        if b > a
    ]
    bars = PolyCollection(
        corners, facecolors=color, edgecolors=WARN if color == SHADE else "white", linewidths=0.5,
        hatch=hatch or None, label=name,
    )  # fmt: skip
    axes.add_collection(bars)


def _remark(row: dict[str, object], total: int) -> str:
    checked, agreed = (row.get(f"crosscheck_{what}") for what in ("n", "agree"))
    text = f"n = {total:,}"
    if isinstance(checked, float) and isinstance(agreed, float) and math.isfinite(checked * agreed):
        text += f"; cross-check {round(checked * (1 - agreed))} of {checked:.0f} differ"
    return text
