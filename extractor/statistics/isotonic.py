"""A falling curve through noisy steps, and reading it backwards without extrapolation."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from extractor.errors import TableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

FEWEST_STEPS = 3
"""Distinct attenuations that a curve needs."""

Interpolation = Literal["linear", "pchip"]


@dataclass(frozen=True)
class Bounds:
    """Attenuation at which the curve has a level, in dB.

    One value when ``low_db == high_db``; a plateau gives its two ends; infinite where the level
    lies beyond an end of the curve.
    """

    low_db: float
    high_db: float

    @property
    def value_db(self) -> float | None:
        """The single value, or None."""
        return self.low_db if self.low_db == self.high_db else None


@dataclass(frozen=True)
class Curve:
    """Level over attenuation, falling or flat.

    Attributes
    ----------
    antenna
        The antenna it was measured with.
    attenuation_db
        Distinct steps, rising, in dB.
    step_mean, level
        Mean of the runs at each step, and the isotonic fit to them, in the field's unit.
    step_runs
        Number of runs at each step.
    interpolation
        Between the steps: a monotone cubic (``pchip``, SciPy) or straight (``linear``, which was
        off by 0.2 dB on simulated curves with steps of 3 dB).
    """

    antenna: str
    attenuation_db: Floats
    step_mean: Floats
    level: Floats
    step_runs: NDArray[np.int64]
    interpolation: Interpolation = "pchip"

    def attenuation_at(self, level: float) -> Bounds:
        """Read the curve backwards: the attenuation, or what bounds it."""
        steps, fitted = self.attenuation_db, self.level
        if level > fitted[0]:
            return Bounds(-math.inf, float(steps[0]))
        if level < fitted[-1]:
            return Bounds(float(steps[-1]), math.inf)
        flat = np.flatnonzero(fitted == level)
        if flat.size:
            # A plateau at an end says nothing of where it would begin or end.
            low = -math.inf if flat[0] == 0 and flat.size > 1 else float(steps[flat[0]])
            at_end = flat[-1] == fitted.size - 1 and flat.size > 1
            return Bounds(low, math.inf if at_end else float(steps[flat[-1]]))
        row = fitted[None, :]
        value = float(invert_rows(steps, row, np.array([[level]]), self.interpolation)[0, 0])
        return Bounds(value, value)

    def slope_near(self, level: float) -> float:
        """Fall per dB where the curve has this level; 0 beyond its ends."""
        bounds = self.attenuation_at(level)
        if math.isinf(bounds.low_db) or math.isinf(bounds.high_db):
            return 0.0
        middle = (bounds.low_db + bounds.high_db) / 2
        return float(np.interp(middle, self.attenuation_db, self.slopes()))

    def slopes(self) -> Floats:
        """Fall per dB at every step: mean of the stretches on both sides, never negative."""
        return -np.gradient(self.level, self.attenuation_db)


def fit_curve(
    attenuation_db: Floats,
    level: Floats,
    *,
    antenna: str = "",
    interpolation: Interpolation = "pchip",
) -> Curve:
    """Fit a falling curve by isotonic regression, runs at one step weighing together.

    Parameters
    ----------
    attenuation_db, level
        One element a run: dB, and the field's unit.

    Raises
    ------
    TableError
        With fewer than three distinct attenuations.
    """
    steps, position = np.unique(np.asarray(attenuation_db, dtype=float), return_inverse=True)
    if steps.size < FEWEST_STEPS:
        raise TableError(
            f"calibration with {antenna or 'one antenna'}: {steps.size} distinct values of "
            f"attenuation_db; record at least {FEWEST_STEPS}, better six in steps of 3 dB"
        )
    from scipy.optimize import isotonic_regression

    runs = np.bincount(position)
    means = np.bincount(position, weights=np.asarray(level, dtype=float)) / runs
    fitted = np.asarray(isotonic_regression(means, weights=runs, increasing=False).x)
    return Curve(antenna, steps, means, fitted, runs, interpolation)


def isotonic_rows(means: Floats, weights: Floats | NDArray[np.int64]) -> Floats:
    """Falling isotonic regression of every row, shape (rows, steps).

    SciPy's serves one row; thousands of simulated repeats need them all at once. Min-max
    formula (Robertson, Wright and Dykstra 1988): the least, over beginnings up to i, of the
    greatest, over ends from i, of the weighted mean between; a test compares with SciPy.
    """
    steps = means.shape[1]
    sums = np.cumsum(np.pad(means * weights, ((0, 0), (1, 0))), axis=1)
    total = np.cumsum(np.pad(np.asarray(weights, dtype=float), (1, 0)))
    fitted = np.full_like(means, math.inf)
    for begin in range(steps):
        weight = total[begin + 1 :] - total[begin]
        average = (sums[:, begin + 1 :] - sums[:, [begin]]) / weight
        greatest = np.maximum.accumulate(average[:, ::-1], axis=1)[:, ::-1]
        fitted[:, begin:] = np.minimum(fitted[:, begin:], greatest)
    return fitted


def invert_rows(
    steps: Floats, level: Floats, wanted: Floats, interpolation: Interpolation
) -> Floats:
    """Attenuation of each wanted level on each row's curve; infinite beyond the ends.

    Shapes: steps (k,), level (rows, k), wanted (rows, m); result (rows, m).
    """
    if interpolation == "pchip":
        steps, level = _refined(steps, level)
    above = (level[:, None, :] >= wanted[:, :, None]).sum(axis=2)
    segment = np.clip(above - 1, 0, steps.size - 2)
    left = np.take_along_axis(level, segment, axis=1)
    drop = left - np.take_along_axis(level, segment + 1, axis=1)
    share = np.divide(left - wanted, drop, out=np.zeros(wanted.shape), where=drop > 0)
    inside = steps[segment] + np.clip(share, 0, 1) * np.diff(steps)[segment]
    beyond = (above == steps.size) & (wanted < level[:, [-1]])
    return np.where(above == 0, -math.inf, np.where(beyond, math.inf, inside))


def _refined(steps: Floats, level: Floats, parts: int = 24) -> tuple[Floats, Floats]:
    from scipy.interpolate import PchipInterpolator

    share = np.arange(parts) / parts
    grid = np.append((steps[:-1, None] + np.diff(steps)[:, None] * share).ravel(), steps[-1])
    # Rounding may turn a flat stretch up by 1e-16; the search needs a falling curve.
    smooth = np.minimum.accumulate(PchipInterpolator(steps, level, axis=1)(grid), axis=1)
    return grid, smooth


def is_steep(curve: Curve, slope: Floats) -> NDArray[np.bool_]:
    """Whether a slope is at least a quarter of the curve's steepest."""
    return slope >= max(float(curve.slopes().max()) / 4, 1e-12)
