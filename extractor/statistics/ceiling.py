"""The link's own limit, found in the data: a series that piles up at its top."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Above this share of samples at the ceiling a clip's mean is a lower bound.
MOST_AT_CEILING = 0.2
#: From this share on a quantile of a clip is the ceiling itself.
CUT_FROM = {"median": 0.5, "p25": 0.75, "p05": 0.95}
#: Values within this many display steps of the ceiling count as at the ceiling.
CEILING_STEPS = 2
#: A pile-up holds at least this share of the samples ...
LEAST_SHARE = 0.05
#: ... is reached from below at least this often ...
LEAST_VISITS = 3
#: ... and is this many times as dense as the values beneath it.
LEAST_DENSITY_RATIO = 2.0
#: The values beneath: a band of at least this many steps, or a quarter of the spread.
BAND_STEPS = 8
#: A series that moves over fewer steps than this has no top to speak of.
LEAST_SPREAD_STEPS = 12


def is_cut(shares: NDArray[np.float64], measure: str) -> NDArray[np.bool_]:
    """Tell for each clip whether the ceiling cuts what a measure says of it.

    A quantile is what it would be without a ceiling as long as fewer samples than lie above it
    are cut off; a mean never quite is. `shares` and `measure` as in `uncut_measure`.
    """
    if measure in CUT_FROM:
        return np.asarray(shares >= CUT_FROM[measure])
    return np.asarray(shares > MOST_AT_CEILING)


def uncut_measure(shares: NDArray[np.float64]) -> str:
    """Return ``mean``, ``median`` or ``p25``: the first by which no clip is cut, else the last.

    Bias and coverage: ``docs/benchmarks.md``.

    Parameters
    ----------
    shares : array, shape (n,)
        For each clip the share of samples at the ceiling, 0 to 1; NaN: no ceiling.
    """
    return next((m for m in ("mean", "median") if not is_cut(shares, m).any()), "p25")


def find_ceiling(shown: NDArray[np.float64], step: float) -> float | None:
    """Return the value at which a series is cut off, or None.

    Where a link cannot go higher, its readings crowd at one value, which the series leaves and
    comes back to; in an ordinary series the highest values are the rarest. So the values within
    two display steps of the maximum must be common (5 % of the samples), be reached at least
    three times, and be at least twice as dense as the band beneath them (whichever is
    wider, eight steps or a quarter of the range). The false-positive share was simulated, see
    ``docs/method.md``.

    Parameters
    ----------
    shown : array, shape (n,)
        Counted readings in order of time, field's unit.
    step : float
        The smallest step of the display, field's unit.
    """
    if len(shown) < LEAST_SPREAD_STEPS:
        return None
    top, spread = float(shown.max()), float(np.ptp(shown))
    if spread < LEAST_SPREAD_STEPS * step:
        return None
    edge = top - (CEILING_STEPS + 0.5) * step
    at_top = shown > edge
    visits = int(at_top[0]) + int(np.sum(at_top[1:] & ~at_top[:-1]))
    share = float(np.mean(at_top))
    if share < LEAST_SHARE or visits < LEAST_VISITS:
        return None
    band = max(BAND_STEPS * step, spread / 4)
    beneath = float(np.mean((shown > edge - band) & ~at_top))
    ratio = share / (CEILING_STEPS + 1) * (band / step)
    return top if ratio >= LEAST_DENSITY_RATIO * beneath else None
