"""How long a display holds its numbers, and which held numbers are out of line."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from extractor.statistics.flags import Flag
from extractor.statistics.sampling import Bools, Floats, sampling_of
from extractor.statistics.series import since_of

if TYPE_CHECKING:
    import pandas as pd

Rows = NDArray[np.int64]
#: 1/Phi^-1(3/4): makes the median absolute deviation estimate a normal standard deviation.
MAD_TO_SD = 1.4826022185056018


@dataclass(frozen=True)
class Holds:
    """The numbers one after the other, each with the rows that show it."""

    first: Rows
    """Shape (holds,): index of the first row."""
    last: Rows
    """Shape (holds,): index of the last row."""
    values: Floats
    """Shape (holds,): the number, field's unit."""
    longest_s: Floats
    """Shape (holds,): the longest time it can have been shown, seconds; inf where not known."""
    usual_s: float
    """How long a number usually stands, seconds; NaN where not known."""
    complete: int
    """Holds whose begin and end were both seen."""

    def rows_of(self, chosen: Bools, rows: int) -> Bools:
        """Return which of `rows` rows lie within the chosen holds."""
        edges = np.zeros(rows + 1, int)
        edges[self.first[chosen]] += 1
        edges[self.last[chosen] + 1] -= 1
        return np.cumsum(edges[:-1]) > 0

    def count_in(self, rows: Bools) -> int:
        """Count the holds that begin in one of the marked rows."""
        return int(np.count_nonzero(rows[self.first]))


def holds_of(series: pd.DataFrame, usable: Bools) -> Holds:
    """Join neighbouring rows that show the same number.

    A hold begins when its number appeared (``since_s`` of its first row) and ends when the
    next thing that was read did; where that is not known, sampling allows anything up to the
    neighbouring sample, and the longest possible time is taken. What was not read between two
    equal numbers belongs to their hold. The usual hold is the lower
    quartile of the complete ones: two equal numbers in a row look like one long hold, which
    pulls the mean and the median up but hardly the quartile.

    Parameters
    ----------
    series : DataFrame
        With ``time_s``, ``value``, ``flag`` and perhaps ``since_s``.
    usable : array of bool, shape (rows,)
        Rows with a number; rows without one that were read (a dash) part holds.
    """
    known = np.flatnonzero(series["flag"].isin([Flag.OK, Flag.NO_LINK, Flag.CORRECTED]) | usable)
    counts = usable[known]
    if not counts.any():
        nothing = np.zeros(0, np.int64)
        return Holds(nothing, nothing, np.zeros(0), np.zeros(0), math.nan, 0)
    shown = np.where(counts, series["value"].to_numpy(float)[known], math.inf)
    differs = shown[1:] != shown[:-1]
    opening = np.flatnonzero(counts & np.concatenate([[True], differs]))
    closing = np.flatnonzero(counts & np.concatenate([differs, [True]]))
    first, last = known[opening], known[closing]
    times = series["time_s"].to_numpy(float)
    longest, exact = _durations(times, since_of(series), known, opening, closing)
    longest = np.maximum(longest, times[last] - times[first])
    sampled = (last - first + 1) * sampling_of(times).period_s
    measured = np.where(exact & (longest > 0), longest, sampled)
    inner = np.isfinite(longest) & np.isfinite(measured)
    usual = float(np.quantile(measured[inner], 0.25)) if inner.any() else math.nan
    return Holds(first, last, shown[opening], longest, usual, int(inner.sum()))


def _durations(
    times: Floats, since: Floats, known: Rows, opening: Rows, closing: Rows
) -> tuple[Floats, Bools]:
    """Return the longest time each hold can have lasted, and whether that is exact.

    `opening` and `closing` index `known`, which indexes rows.
    """
    first = known[opening]
    before = np.concatenate([[-math.inf], times[known]])[opening]
    after = np.concatenate([times[known], [math.inf]])[closing + 1]
    # What stood at the first frame, or came out from behind unread frames, may have been there
    # before: the instant at which it could be read is not the one at which it appeared.
    read_before = np.zeros(len(times), bool)
    read_before[known[known + 1 < len(times)] + 1] = True
    seen = read_before[first] & (since[first] > times[0])
    ends = np.concatenate([since[known], [math.nan]])[closing + 1]
    longest = np.where(np.isfinite(ends), ends, after) - np.where(seen, since[first], before)
    return longest, seen & np.isfinite(ends)


def hampel_outliers(
    values: Floats, half_window: int, *, threshold: float = 3.0, floor: float = 0.0
) -> Bools:
    """Return the Hampel identifier: which values are far from the median around them.

    A value is out of line where it differs from the median of its window by more than
    `threshold` times the median absolute deviation, scaled by 1.4826 to estimate a standard
    deviation (Hampel 1974; Davies and Gather 1993).

    Parameters
    ----------
    values : array, shape (n,)
        Finite.
    half_window : int
        Neighbours on either side; fewer at the ends of the series. n or more: all values.
    threshold : float
        In estimated standard deviations.
    floor : float
        The scale is never taken smaller than this, unit of `values`.

    Returns
    -------
    array of bool, shape (n,)
    """
    count = len(values)
    if count == 0:
        return np.zeros(0, bool)
    reach = min(half_window, count)
    padded = np.concatenate([np.full(reach, math.nan), values, np.full(reach, math.nan)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    centre = np.nanmedian(windows, axis=1)
    scale = MAD_TO_SD * np.nanmedian(np.abs(windows - centre[:, None]), axis=1)
    return np.abs(values - centre) > threshold * np.maximum(scale, floor)
