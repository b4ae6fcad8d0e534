"""How many mountings and clips a difference needs, and what a design could have found."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from statistics import NormalDist
from typing import Any

from extractor.errors import UsageError

POWERS = (0.8, 0.9)
#: Beyond this many mountings of one antenna nobody goes on; the answer is then "more than".
MOST_MOUNTINGS = 500
#: The spread is itself an estimate; plans use the upper end of its one-sided 80 % interval.
SPREAD_CONFIDENCE = 0.8
#: Sessions simulated for the level of a look, and their seed.
LOOK_SESSIONS = 200_000
LOOK_SEED = 1977


@cache
def _nodes() -> tuple[Any, Any]:
    """Return normal scores and the weights of an integral over them (Gauss and Legendre)."""
    import numpy as np

    nodes, weights = np.polynomial.legendre.leggauss(96)
    return 8.5 * nodes, 8.5 * weights * np.exp(-((8.5 * nodes) ** 2) / 2) / math.sqrt(2 * math.pi)


@lru_cache(maxsize=256)
def _scales(df: float) -> Any:
    """Return estimated over true standard error at the nodes, as a column."""
    import numpy as np
    from scipy import special

    return np.sqrt(special.chdtri(df, special.ndtr(-_nodes()[0])) / df)[:, None]


def _solved(reached: Callable[[float], float], wanted: float, low: float, high: float) -> float:
    """Return where `reached` is `wanted`, to 1e-9; it is on different sides of it at the ends.

    False position, Illinois variant (Dowell and Jarratt 1971). By hand: `scipy.optimize` takes
    longer to load than a whole comparison to make.
    """
    at_low, at_high = reached(low) - wanted, reached(high) - wanted
    if at_low * at_high > 0:
        raise ValueError(f"no root between {low:g} and {high:g}")
    before = math.inf
    while at_high and abs(high - before) > 1e-9:
        before = high
        new = high - at_high * (high - low) / (at_high - at_low)
        at_new = reached(new) - wanted
        if at_new * at_high < 0:
            low, at_low = high, at_high
        else:  # the same end twice: without this the other one would never move
            at_low /= 2
        high, at_high = new, at_new
    return float(high)


def studentised_p(t: float, count: int, df: float) -> float:
    """Return the adjusted p-value of one of all pairwise differences among `count` means.

    The studentised range (Tukey 1953), integrated over the lowest mean and the standard error.
    """
    from scipy import special

    nodes, weights = _nodes()
    between = special.ndtr(nodes) - special.ndtr(nodes - abs(t) * math.sqrt(2) * _scales(df))
    return max(0.0, 1 - float(weights @ (count * between ** (count - 1)) @ weights))


@lru_cache(maxsize=4096)
def studentised_critical(count: int, df: float, confidence: float = 0.95) -> float:
    """Return the t-scale critical value for all pairwise differences among `count` means.

    Parameters
    ----------
    count : int
        Number of means, at least 2.
    df : float
        Degrees of freedom of the standard error.
    confidence : float
        Joint confidence, 0 to 1.

    Notes
    -----
    ``q / sqrt(2)`` with the studentised range ``q`` (Tukey 1953; Kramer 1956). With two means
    this is Student's t.
    """
    from scipy.special import stdtrit

    low = stdtrit(df, 0.5 + confidence / 2)  # one pair alone; above, Bonferroni
    if count <= 2:
        return float(low)
    high = -stdtrit(df, (1 - confidence) / (count * (count - 1)))
    return _solved(lambda t: 1 - studentised_p(t, count, df), confidence, 0.98 * low, 1.02 * high)


def many_one_inside(limit: float, count: int, df: float, correlation: float, sides: int) -> float:
    """Return the probability that `count` equally correlated t's stay within `limit`.

    Parameters
    ----------
    limit : float
        Bound of each t (`sides` 1: above only), or of ``|t|`` (`sides` 2).
    count : int
        Number of comparisons with one and the same mean.
    df : float
        Degrees of freedom of their common standard error.
    correlation : float
        Of any two of them, 0 to below 1; 1/2 where all means are known equally well.
    sides : int
        1 or 2.

    Notes
    -----
    Dunnett 1955. Given the common part and the standard error the comparisons are independent.
    """
    from scipy import special

    nodes, weights = _nodes()
    common, rest = math.sqrt(correlation) * nodes, math.sqrt(1 - correlation)
    inside = special.ndtr((limit * _scales(df) + common) / rest)
    if sides == 2:
        inside = inside - special.ndtr((common - limit * _scales(df)) / rest)
    return float(weights @ inside**count @ weights)


@lru_cache(maxsize=4096)
def many_one_critical(
    count: int, df: float, correlation: float, confidence: float = 0.95, sides: int = 1
) -> float:
    """Return the critical value of `many_one_inside`."""
    from scipy.special import stdtrit

    tail = (1 - confidence) / sides
    low, high = -stdtrit(df, tail), -stdtrit(df, tail / count)  # one alone; Bonferroni
    return _solved(
        lambda limit: many_one_inside(limit, count, df, correlation, sides),
        confidence,
        0.98 * low,
        1.02 * high,
    )


def smallest_p(sizes: Sequence[int]) -> float:
    """Return the smallest p-value that dealing values out anew to groups can give (Fisher 1935).

    Groups of one size may change places: that leaves the groups as far apart as they were.
    """
    alike = math.prod(math.factorial(n) for n in Counter(sizes).values())
    return alike * math.prod(map(math.factorial, sizes)) / math.factorial(sum(sizes))


@lru_cache(maxsize=64)
def look_level(
    antennas: int, looks: tuple[int, ...], alpha: float = 0.05, sessions: int = LOOK_SESSIONS
) -> tuple[float, float]:
    """Return the level at every look that makes `alpha` in all, and what `alpha` at each makes.

    Parameters
    ----------
    antennas : int
        Number of antennas, all pairs of which are compared at each look.
    looks : tuple of int
        Rising numbers of mountings of each antenna, 2 or more.
    alpha : float
        Probability of a false claim at any look, 0 to 1.
    sessions : int
        Simulated; with 200,000 the level is known to 1 %.

    Notes
    -----
    One nominal level at all looks (Pocock 1977; Jennison and Turnbull 2000, chapter 2), here by
    simulation of equal antennas: the largest studentised difference of each look is turned into
    its rank among the sessions, and the smallest rank of a session is compared.
    """
    import numpy as np

    rng = np.random.default_rng(LOOK_SEED)
    total, squares = np.zeros((antennas, sessions)), np.zeros(sessions)
    least = np.ones(sessions)
    for mounting in range(1, looks[-1] + 1):
        drawn = rng.standard_normal((antennas, sessions))
        total += drawn
        squares += (drawn**2).sum(axis=0)
        if mounting in looks:
            widest = np.ptp(total, axis=0) ** 2 / (squares - (total**2).sum(axis=0) / mounting)
            by_size = np.argsort(-widest)
            least[by_size] = np.minimum(least[by_size], np.arange(1, sessions + 1) / sessions)
    return float(np.quantile(least, alpha)), float((least <= alpha).mean())


def power_of_t(shift: float, df: float, critical: float) -> float:
    """Return the probability that ``|t| > critical`` when the noncentrality is `shift`.

    `shift` is the true difference in standard errors. Noncentral t (Johnson, Kotz and
    Balakrishnan 1995, chapter 31); where SciPy's tail is not a number the far tail, which is
    then negligible, counts as 0.
    """
    from scipy.special import nctdtr

    upper = float(1 - nctdtr(df, shift, critical))
    lower = float(nctdtr(df, shift, -critical))
    return upper + (0.0 if math.isnan(lower) else lower)


def _is_found(shift: float, df: float, critical: float, power: float) -> bool:
    # Far above the critical value the answer is plain, and the integral unsteady.
    return shift > critical + 8 or power_of_t(shift, df, critical) >= power


@lru_cache(maxsize=1024)
def noncentrality(df: float, critical: float, power: float = 0.8) -> float:
    """Return the difference, in standard errors, that is found with probability `power`."""
    high = critical + 2.0
    while power_of_t(high, df, critical) < power:
        high *= 2.0
    return _solved(lambda shift: power_of_t(shift, df, critical), power, 0.0, high)


def upper_spread(spread: float, df: float, confidence: float = SPREAD_CONFIDENCE) -> float:
    """Return the upper end of the one-sided interval of a standard deviation.

    ``spread * sqrt(df / chi2)`` with the ``1 - confidence`` quantile of chi-squared, for
    normal values.
    """
    from scipy.special import chdtri

    return spread * math.sqrt(df / float(chdtri(df, confidence)))


@dataclass(frozen=True)
class Spreads:
    """Standard deviations that a plan rests on, in the measured unit."""

    mounting: float
    """Between mountings of one antenna, with the clips' own share taken out."""
    clip: float
    """Between clips of one mounting."""

    def mean_variance(self, clips: int) -> float:
        """Return the variance of one mounting's mean over `clips` clips."""
        return self.mounting**2 + self.clip**2 / clips


def mountings_needed(
    detect: float,
    spreads: Spreads,
    clips: int,
    *,
    power: float = 0.8,
    antennas: int = 2,
    confidence: float = 0.95,
) -> int | None:
    """Return how many mountings of each antenna a difference of `detect` needs.

    Parameters
    ----------
    detect : float
        True difference between two antennas, in the measured unit, above 0.
    spreads : Spreads
        Spread between mountings and between clips.
    clips : int
        Clips of each mounting (ports times repeats).
    power : float
        Probability of finding the difference.
    antennas : int
        2: one difference alone, by the two-sample t-test; more: every pair of so many
        antennas at once, with the studentised range and the pooled spread.
    confidence : float
        Confidence of the statement, 0 to 1.

    Returns
    -------
    int or None
        At least 2; None when more than `MOST_MOUNTINGS` are needed.

    Raises
    ------
    UsageError
        If a number is out of range.

    Examples
    --------
    >>> from extractor import mountings_needed
    >>> from extractor.statistics.power import Spreads
    >>> mountings_needed(3.0, Spreads(mounting=1.0, clip=0.5), clips=2, antennas=4)
    4
    """
    if not (detect > 0 and clips >= 1 and antennas >= 2 and 0 < power < 1 and 0 < confidence < 1):
        raise UsageError(
            "detect must be above 0, clips at least 1, antennas at least 2, power and confidence "
            f"between 0 and 1; given {detect:g}, {clips}, {antennas}, {power:g}, {confidence:g}"
        )
    variance = spreads.mean_variance(clips)
    if variance == 0:
        return 2

    def enough(size: int) -> bool:
        df, shift = antennas * (size - 1), detect / math.sqrt(2 * variance / size)
        return _is_found(shift, df, studentised_critical(antennas, df, confidence), power)

    # With the spread known the answer is closed; an estimated spread needs a few more.
    normal = studentised_critical(antennas, 1e6, confidence) + NormalDist().inv_cdf(power)
    size = max(2, math.floor(2 * variance * (normal / detect) ** 2))
    return next(filter(enough, range(size, MOST_MOUNTINGS + 1)), None)


def mountings_for_ports(
    detect: float,
    spreads: Spreads,
    antennas: int,
    repeats: int = 1,
    *,
    power: float = 0.8,
    confidence: float = 0.95,
) -> int | None:
    """Return how many mountings of each antenna show that two ports differ by `detect`.

    Every mounting gives one difference between the ports, in which its own spread falls out; they
    are judged by Student's t over all mountings, as in `comparison.ports`.

    Parameters
    ----------
    detect : float
        True difference between the ports, in the measured unit, above 0.
    spreads : Spreads
        Of them the spread between clips counts.
    antennas : int
        Put up equally often, 1 or more.
    repeats : int
        Clips of each mounting and port.
    power, confidence : float
        As in `mountings_needed`.

    Returns
    -------
    int or None
        None when more than `MOST_MOUNTINGS` are needed.
    """
    if not (detect > 0 and antennas >= 1 and repeats >= 1):
        raise UsageError("detect must be above 0, antennas and repeats at least 1")

    def enough(size: int) -> bool:
        count = antennas * size
        error = spreads.clip * math.sqrt(2 / (repeats * count))
        if count < 2 or detect < error:
            return False
        shift = detect / error if error else math.inf
        return _is_found(shift, count - 1, studentised_critical(2, count - 1, confidence), power)

    return next(filter(enough, range(1, MOST_MOUNTINGS + 1)), None)


@dataclass(frozen=True)
class Reach:
    """What a number of mountings can tell, all pairs of antennas at once."""

    half_width: float
    """Half of the interval of one difference, in the measured unit."""
    detectable: float
    """Difference found four times out of five, in the measured unit."""


def reach(
    mountings: int, spreads: Spreads, clips: int, antennas: int, confidence: float = 0.95
) -> Reach:
    """Return the half-width and the smallest difference found for a number of mountings (>= 2)."""
    df = antennas * (mountings - 1)
    critical = studentised_critical(antennas, df, confidence)
    error = math.sqrt(2 * spreads.mean_variance(clips) / mountings)
    return Reach(critical * error, error * noncentrality(df, critical))
