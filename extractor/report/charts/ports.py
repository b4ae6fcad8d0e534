"""Ports: each mounting that was seen on two of them, joined by a line."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd
from matplotlib.axes import Axes

from extractor.report.charts.style import plain
from extractor.report.theme import INK, SOFT, Look, with_unit


def paired(runs: pd.DataFrame) -> pd.DataFrame:
    """Return the mean value of each mounting on each port; mountings seen on two or more.

    Returns
    -------
    DataFrame
        Index session, antenna, mounting; one column a port; NaN where it was not seen.
    """
    if "port" not in runs or runs["port"].nunique() < 2:
        return pd.DataFrame()
    keys = ["session", "antenna", "mounting", "port"]
    cells = runs.dropna(subset=["port"]).groupby(keys)["value"].mean().unstack()
    return cells[cells.notna().sum(axis=1) > 1]


def draw_ports(
    axes: Axes, runs: pd.DataFrame, looks: Mapping[str, Look], *, unit: str, measure: str
) -> Axes:
    """Draw one short column of lines an antenna, a line a mounting, a dot a port.

    Parameters
    ----------
    axes : Axes
        To draw on.
    runs : DataFrame
        session, antenna, mounting, port, value; see `paired`.
    looks : mapping
        From `style.looks`.
    unit, measure : str
        For the axis title.
    """
    cells = paired(runs)
    ports = [str(c) for c in cells.columns]
    antennas = sorted(cells.index.get_level_values("antenna").unique()) if len(cells) else []
    step, ticks, names = 1 / max(2, len(ports)), [], []
    for i, antenna in enumerate(antennas):
        look = looks[antenna]
        own = cells.xs(antenna, level="antenna")
        places = [i + (k - (len(ports) - 1) / 2) * step for k in range(len(ports))]
        for row in own.to_numpy(float):
            axes.plot(
                places, row, color=look.color, marker=look.marker, linewidth=1.6, markersize=6.5
            )
        ticks += places
        names += ports
        _name(axes, i, look.label, len(own))
    axes.set_xticks(ticks, names, rotation=0 if len(antennas) * len(ports) <= 10 else 60)
    axes.set_xlim(-0.6, max(0, len(antennas) - 1) + 0.6)
    axes.margins(y=0.12)
    axes.set_ylabel(with_unit(measure, unit))
    plain(axes, grid="y")
    return axes


def _name(axes: Axes, i: int, label: str, count: int) -> None:
    axes.annotate(
        label, (i, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 16), color=INK,
        textcoords="offset points", ha="center", fontweight="bold",
    )  # fmt: skip
    axes.annotate(
        f"n = {count} mounting{'s' * (count != 1)}", (i, 1.0), xycoords=("data", "axes fraction"),
        xytext=(0, 3), textcoords="offset points", ha="center", fontsize=9, color=SOFT,
    )  # fmt: skip
