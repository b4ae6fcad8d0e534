"""How samples lie in time, and what weighs by it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Sampling is even where at most one gap in twenty is off the usual one by more than half of it.
EVEN_SHARE = 0.95
#: In uneven sampling a reading stands for at most this many usual gaps to either side.
LONGEST_REACH = 1.5
#: A gap of more than so many usual ones is a hole. At 15 frames a second, ten samples a second
#: are one and two frames apart by turns.
HOLE_GAPS = 2.5


@dataclass(frozen=True, slots=True)
class Sampling:
    """How the rows of a series lie in time."""

    period_s: float
    """Usual gap; NaN for a single row without a given period."""
    even: bool
    starts_s: Floats
    """Shape (rows,): where the time that a row stands for begins."""
    ends_s: Floats

    @property
    def weights(self) -> Floats | None:
        """Seconds that each row stands for; None where all are equal."""
        return None if self.even else self.heft

    @property
    def heft(self) -> Floats:
        """What each row weighs by, shape (rows,): `weights`, or 1 where all are equal."""
        return np.ones(len(self.starts_s)) if self.even else self.ends_s - self.starts_s

    def share(self, part: Bools, whole: Bools) -> float:
        """Return which share of the time of `whole` belongs to `part`; NaN where it is nothing."""
        total = float(self.heft[whole].sum())
        return float(self.heft[part & whole].sum()) / total if total > 0 else math.nan

    def missing_rows(self, times_s: Floats) -> int:
        """Return how many rows a steady sampling would have had in the holes of a series.

        A hole is a gap of more than `HOLE_GAPS` usual ones; in it, rows were due as often as the
        mean of the other gaps says.
        """
        gaps = np.diff(times_s)
        holes = gaps > HOLE_GAPS * self.period_s
        if not holes.any() or holes.all():
            return 0
        return int(np.sum(np.rint(gaps[holes] / gaps[~holes].mean()) - 1))


def stretches(mask: Bools) -> list[tuple[int, int]]:
    """Return (start, stop) of each stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int)))
    return list(zip(edges[0::2].tolist(), edges[1::2].tolist(), strict=True))


def sampling_of(times_s: Floats, period_s: float | None = None) -> Sampling:
    """Describe how samples lie in time.

    The period is the mean of the gaps within half of the median gap: at 25 frames a second,
    ten samples a second are 0.08 and 0.12 s apart by turns. A row stands for the time to the
    middle of the gap on either side. A hole in the record is nobody's time: beside a gap of more
    than one and a half periods a row stands for half a period (even sampling), and in uneven
    sampling for no more than one and a half periods to either side.
    """
    gaps = np.diff(times_s)
    if period_s is None:
        period_s = math.nan
        if len(gaps):
            usual = float(np.quantile(gaps, 0.5, method="lower"))
            period_s = float(np.mean(gaps[np.abs(gaps - usual) <= usual / 2]))
    even = True
    if len(gaps):
        even = float(np.mean(np.abs(gaps - period_s) <= period_s / 2)) >= EVEN_SHARE
    if even:
        half = np.where(gaps <= 1.5 * period_s, gaps, period_s) / 2
    else:
        half = np.minimum(gaps / 2, period_s * LONGEST_REACH)
    edge = np.array([0.0 if math.isnan(period_s) else period_s / 2])
    before, after = np.concatenate([edge, half]), np.concatenate([half, edge])
    count = len(times_s)
    return Sampling(period_s, even, times_s - before[:count], times_s + after[-count:][:count])


def quantiles(values: Floats, probabilities: Sequence[float], weights: Floats | None) -> Floats:
    """Return quantiles of type 7 (Hyndman and Fan 1996), NumPy's and R's default.

    With `weights`, the positions 0 to 1 of the sorted values are spaced by the mean of two
    neighbours' weights instead of evenly, which is type 7 again where weights are equal.
    """
    if weights is None:
        return np.quantile(values, probabilities)
    order = np.argsort(values, kind="stable")
    ordered, heft = values[order], weights[order]
    positions = np.concatenate([[0.0], np.cumsum((heft[1:] + heft[:-1]) / 2)])
    if positions[-1] > 0:
        positions /= positions[-1]
    return np.interp(probabilities, positions, ordered)
