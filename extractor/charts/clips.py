"""Every run against time, small, all on one scale; nothing that was flagged is hidden."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from extractor.charts.style import GRID, INK, LINE, SHADE, SOFT, WARN, Look, plain, with_unit
from extractor.flags import COUNTED, Flag

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

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
    tops = [float(r.series["value"].max()) for r in runs if len(r.series)]
    tops += [r.ceiling for r in runs]
    ends = [
        float(r.series["time_s"].max() - r.series["time_s"].min()) for r in runs if len(r.series)
    ]
    top = max((t for t in tops if math.isfinite(t)), default=1.0)
    return Scale(max((e for e in ends if math.isfinite(e)), default=1.0) or 1.0, 1.06 * top or 1.0)


def draw_run(axes: Axes, run: RunSeries, scale: Scale) -> Axes:
    """Draw one run: the readings that count as a line, outages shaded, flags as marks.

    Parameters
    ----------
    axes : Axes
        To draw on.
    run : RunSeries
        What to draw.
    scale : Scale
        From `common_scale`.
    """
    import numpy as np

    series = run.series
    times = series["time_s"].to_numpy(float)
    times = times - (times[0] if len(times) else 0.0)
    values = series["value"].to_numpy(float)
    flags = series["flag"].to_numpy(object).astype(str)
    counted = np.isin(flags, list(COUNTED))
    for start, end in outages(times, values, flags, run.low):
        axes.axvspan(start, end, color=SHADE, linewidth=0)
    if math.isfinite(run.ceiling):
        axes.axhline(run.ceiling, color=SOFT, linewidth=0.8, linestyle=(0, (4, 3)))
    if math.isfinite(run.mean):
        axes.axhline(run.mean, color=INK, linewidth=0.8, alpha=0.7)
    shown = np.where(counted, values, np.nan)
    axes.plot(times, shown, color=run.look.color, linewidth=1.0, drawstyle="steps-post")
    _marks(axes, times, values, flags, scale)
    axes.set_xlim(0, scale.longest_s)
    axes.set_ylim(0, scale.top)
    n = int(np.count_nonzero(counted))
    mean = f"mean {run.mean:.3g}, " if math.isfinite(run.mean) else ""
    axes.set_title(f"{run.title}\n{mean}n = {n}", fontsize=8.5, pad=3, linespacing=1.25)
    axes.tick_params(labelsize=8, length=2)
    return plain(axes, grid="y")


def outages(
    times: npt.NDArray[np.float64],
    values: npt.NDArray[np.float64],
    flags: npt.NDArray[np.str_],
    low: float,
) -> list[tuple[float, float]]:
    """Return the stretches without link or below `low`, seconds, to the next sampled instant."""
    import numpy as np

    out = flags == Flag.NO_LINK
    if math.isfinite(low):
        out |= np.isin(flags, list(COUNTED)) & (np.nan_to_num(values, nan=math.inf) < low)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], out.astype(int), [0]])))
    step = float(np.median(np.diff(times))) if len(times) > 1 else 0.0
    ends = [times[e] if e < len(times) else times[-1] + step for e in edges[1::2]]
    return [(float(times[s]), float(e)) for s, e in zip(edges[::2], ends, strict=True)]


def _marks(
    axes: Axes,
    times: npt.NDArray[np.float64],
    values: npt.NDArray[np.float64],
    flags: npt.NDArray[np.str_],
    scale: Scale,
) -> None:
    import numpy as np

    for flag, (marker, color, height) in _UNDER.items():
        at = times[flags == flag]
        axes.plot(at, np.full(len(at), height * scale.top), marker, color=color, markersize=4)
    for flags_in, marker, color in ((_NOT_USED, "x", WARN), ((Flag.CORRECTED,), "o", INK)):
        chosen = np.isin(flags, list(flags_in)) & np.isfinite(values)
        heights = np.clip(values[chosen], 0, scale.top)
        axes.plot(
            times[chosen], heights, marker, color=color, markersize=4, markerfacecolor="none",
            markeredgewidth=1,
        )  # fmt: skip


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
    columns = min(COLUMNS, len(runs))
    rows = -(-len(runs) // columns)
    width, height = figure.get_size_inches()
    grid = figure.subplots(rows, columns, squeeze=False, sharex=True, sharey=True)
    figure.subplots_adjust(
        left=0.62 / width, right=1 - 0.1 / width, top=1 - 0.42 / height, bottom=0.5 / height,
        wspace=0.07, hspace=0.42,
    )  # fmt: skip
    for i, axes in enumerate(grid.flat):
        if i >= len(runs):
            axes.set_visible(False)
            continue
        draw_run(axes, runs[i], scale)
        if i + columns >= len(runs):
            axes.tick_params(labelbottom=True)
    figure.text(0.5, 0.06 / height, "Time, s", fontsize=9.5, ha="center", va="bottom")
    label = with_unit(what, unit)
    figure.text(0.06 / width, 0.5, label, fontsize=9.5, rotation=90, ha="left", va="center")


def runs_size(count: int) -> tuple[float, float]:
    """Return the size in inches of the figure for so many runs."""
    rows = -(-count // COLUMNS)
    return 9.5, 0.8 + 1.55 * rows


def draw_strip(axes: Axes, run: RunSeries, scale: Scale) -> Axes:
    """Draw one run without title and numbers, for a film; same marks as `draw_run`."""
    draw_run(axes, run, scale)
    axes.set_title("")
    axes.set_xlim(0, max(scale.longest_s, 1e-3))
    axes.spines["bottom"].set_color(GRID)
    return axes
