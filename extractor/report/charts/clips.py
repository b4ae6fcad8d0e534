"""Every run against time, small, all on one scale; nothing that was flagged is hidden."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from matplotlib.transforms import Affine2D, Transform

from extractor.report.theme import GRID, INK, LINE, SHADE, SOFT, WARN, Look, with_unit
from extractor.statistics.dropouts import outages
from extractor.statistics.flags import COUNTED, Flag

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.str_]


#: Runs in one picture; more are drawn in several.
MOST_RUNS = 40
COLUMNS = 4
#: Rows under the curve, by flag: marker and place as a share of the axis height.
_UNDER = {Flag.HIDDEN: ("|", LINE, 0.035), Flag.UNREADABLE: ("|", WARN, 0.085)}
_NOT_USED = (Flag.RANGE, Flag.SPIKE, Flag.FORMAT, Flag.FROZEN)


@dataclass(frozen=True)
class RunSeries:
    """One run as it is drawn."""

    title: str
    series: pd.DataFrame
    """``time_s``, ``value``, ``flag``."""
    look: Look
    mean: float
    low: float = math.nan
    """Below it the link counts as out; NaN where that has no meaning."""
    ceiling: float = math.nan


@dataclass(frozen=True)
class Scale:
    """One scale for all."""

    longest_s: float
    top: float


def common_scale(runs: Sequence[RunSeries]) -> Scale:
    """Return a scale on which every run fits, from 0."""
    drawn = [r.series for r in runs if len(r.series)]
    tops = [float(s["value"].max()) for s in drawn] + [r.ceiling for r in runs]
    ends = [float(s["time_s"].max() - s["time_s"].min()) for s in drawn]
    top = max((t for t in tops if math.isfinite(t)), default=1.0)
    return Scale(max((e for e in ends if math.isfinite(e)), default=1.0) or 1.0, 1.06 * top or 1.0)


def _draw_marks(axes: Axes, run: RunSeries, scale: Scale, place: Transform) -> int:
    """Draw a run without a frame; return how many readings count.

    `place` takes seconds from the start and values to the picture.
    """
    series = run.series
    times = series["time_s"].to_numpy(float)
    times = times - (times[0] if len(times) else 0.0)
    values = series["value"].to_numpy(float)
    flags = series["flag"].to_numpy(object).astype(str)
    counted = np.isin(flags, list(COUNTED))
    shades = [
        [(start, 0.0), (end, 0.0), (end, scale.top), (start, scale.top)]
        for start, end in outages(times, values, flags, run.low)
    ]
    if shades:
        areas = PolyCollection(shades, facecolors=SHADE, linewidths=0, zorder=0.5)
        areas.set_transform(place)
        axes.add_collection(areas, autolim=False)
    whole = [0.0, scale.longest_s]
    draw = partial(axes.plot, transform=place)
    if math.isfinite(run.ceiling):
        draw(whole, [run.ceiling] * 2, color=SOFT, linewidth=0.8, linestyle=(0, (4, 3)))
    if math.isfinite(run.mean):
        draw(whole, [run.mean] * 2, color=INK, linewidth=0.8, alpha=0.7)
    shown = np.where(counted, values, np.nan)
    draw(times, shown, color=run.look.color, linewidth=1.0, drawstyle="steps-post")
    _marks(draw, times, values, flags, scale.top)
    return int(np.count_nonzero(counted))


def _marks(
    draw: Callable[..., object], times: Floats, values: Floats, flags: Flags, top: float
) -> None:
    for flag, (marker, color, height) in _UNDER.items():
        at = times[flags == flag]
        if len(at):
            draw(at, np.full(len(at), height * top), marker, color=color, markersize=4)
    for flags_in, marker, color in ((_NOT_USED, "x", WARN), ((Flag.CORRECTED,), "o", INK)):
        chosen = np.isin(flags, list(flags_in)) & np.isfinite(values)
        if chosen.any():
            heights = np.clip(values[chosen], 0, top)
            ring = {"markersize": 4, "markerfacecolor": "none", "markeredgewidth": 1}
            draw(times[chosen], heights, marker, color=color, **ring)


#: What the marks mean, for the caption.
LEGEND = (
    "Line: readings that count; thin level line: their mean; dashed: the link's ceiling; shaded: "
    "no link, or below the level at which it counts as out; marks at the bottom: grey no overlay, "
    "red not readable; crosses: readings flagged and not used; rings: corrected by hand. All on "
    "one scale from 0."
)


def draw_runs(
    figure: Figure, runs: Sequence[RunSeries], scale: Scale, what: str, unit: str
) -> None:
    """Fill a figure with one small chart a run.

    All stand in one axes, each moved to its place: forty axes with ticks of their own take three
    times as long to draw.

    Parameters
    ----------
    figure : Figure
        Without layout engine, of the size that `runs_size` gives.
    runs : sequence of RunSeries
        At most `MOST_RUNS`.
    scale : Scale
        Common to all pictures.
    what, unit : str
        The field, for the axis title.
    """
    width, height = figure.get_size_inches()
    sheet = figure.add_axes((0, 0, 1, 1), xlim=(0, width), ylim=(0, height))
    sheet.set_axis_off()
    panes = _panes(len(runs), width, height)
    _frames(sheet, panes, scale)
    for pane, run in zip(panes, runs, strict=True):
        moved = Affine2D().scale(pane.width / scale.longest_s, pane.height / scale.top)
        place = moved.translate(pane.left, pane.bottom) + sheet.transData
        mean = f"mean {run.mean:.3g}, " if math.isfinite(run.mean) else ""
        title = f"{run.title}\n{mean}n = {_draw_marks(sheet, run, scale, place)}"
        sheet.text(
            pane.left, pane.bottom + pane.height + 3 / 72, title,
            fontsize=8.5, linespacing=1.25, ha="left", va="bottom",
        )  # fmt: skip
    sheet.text(width / 2, 0.06, "Time, s", fontsize=9.5, ha="center", va="bottom")
    label = with_unit(what, unit)
    sheet.text(0.06, height / 2, label, fontsize=9.5, rotation=90, ha="left", va="center")


@dataclass(frozen=True)
class _Pane:
    """A small chart's place on the sheet, inches, and whether it carries numbers."""

    left: float
    bottom: float
    width: float
    height: float
    numbers_left: bool
    numbers_below: bool


def _panes(count: int, width: float, height: float) -> list[_Pane]:
    columns = min(COLUMNS, count)
    rows = -(-count // columns)
    left, right, top, bottom, across, down = 0.62, 0.1, 0.42, 0.5, 0.07, 0.42
    wide = (width - left - right) / (columns + across * (columns - 1))
    high = (height - top - bottom) / (rows + down * (rows - 1))
    return [
        _Pane(
            left + i % columns * wide * (1 + across),
            height - top - high - i // columns * high * (1 + down),
            wide, high, i % columns == 0, i + columns >= count,
        )
        for i in range(count)
    ]  # fmt: skip


def _frames(sheet: Axes, panes: Sequence[_Pane], scale: Scale) -> None:
    """Draw grid, axes, ticks and their numbers of all panes."""
    steps = [1, 2, 2.5, 5, 10]
    values = [v for v in MaxNLocator(4, steps=steps).tick_values(0, scale.top) if v <= scale.top]
    times = MaxNLocator(5, steps=steps).tick_values(0, scale.longest_s)
    times = [t for t in times if t <= scale.longest_s]
    grid, edges = [], []
    tick = 2 / 72
    for pane in panes:
        x, y, wide, high = pane.left, pane.bottom, pane.width, pane.height
        edges += [[(x, y + high), (x, y), (x + wide, y)]]
        for value in values:
            at = y + high * value / scale.top
            grid.append([(x, at), (x + wide, at)])
            edges.append([(x - tick, at), (x, at)])
            if pane.numbers_left:
                sheet.text(x - 0.07, at, f"{value:g}", fontsize=8, ha="right", va="center")
        for time in times:
            at = x + wide * time / scale.longest_s
            edges.append([(at, y - tick), (at, y)])
            if pane.numbers_below:
                sheet.text(at, y - 0.07, f"{time:g}", fontsize=8, ha="center", va="top")
    sheet.add_collection(LineCollection(grid, colors=GRID, linewidths=0.8, zorder=0))
    sheet.add_collection(LineCollection(edges, colors=LINE, linewidths=0.8, zorder=3))


def runs_size(count: int) -> tuple[float, float]:
    """Return the size in inches of the figure for so many runs."""
    rows = -(-count // COLUMNS)
    return 9.5, 0.8 + 1.55 * rows
