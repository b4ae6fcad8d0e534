"""Pairs of antennas: simultaneous intervals, the best, what they leave together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from extractor.comparison.model import (
    Array,
    Error,
    Fit,
    inner_error,
    mean_covariance,
    outer_error,
    records,
)
from extractor.session.overlay import Direction
from extractor.statistics.power import (
    many_one_critical,
    many_one_inside,
    studentised_critical,
    studentised_p,
)

#: What an interval rests on; the words that stand in the tables.
BETWEEN_MOUNTINGS = "mountings"
INSIDE_MOUNTINGS = "clips of one mounting"
NO_BASIS = "none"
#: A spread below this share of the largest level is rounding noise: nothing to judge a gap by.
ROUNDING = 1e-9
_LARGEST_CORRELATION = 0.99


@dataclass(frozen=True)
class Ordering:
    """Which antennas stand where, which may be the best, and which can't be told apart."""

    names: tuple[str, ...]
    """Best first, see `ranked`."""
    together: tuple[tuple[str, ...], ...]
    """Sets, best first, inside which no pair can be told apart; an antenna may be in several."""
    may_be_best: tuple[str, ...] = ()
    """Those that are not shown to be behind the best; empty where there is no verdict."""
    lead: float = float("nan")
    """Lower bound of the lead of the best over the best of the others; NaN without a best."""

    @property
    def best(self) -> str | None:
        """The antenna that is shown to be the best."""
        return self.may_be_best[0] if len(self.may_be_best) == 1 else None


def basis(fit: Fit) -> str:
    """Return what intervals of this design and these values rest on."""
    if fit.hidden:
        return NO_BASIS
    floor = ROUNDING * float(np.max(np.abs(fit.mounting_means)))
    for df, square, name in (
        (fit.df_between, fit.ms_between, BETWEEN_MOUNTINGS),
        (fit.layout.df_within, fit.ms_within, INSIDE_MOUNTINGS),
    ):
        if df > 0:
            return name if float(square) > floor**2 else NO_BASIS
    return NO_BASIS


def error_on(on: str, fit: Fit, contrast: Array) -> Error:
    """Return the error of a contrast of antenna means on a basis (not `NO_BASIS`)."""
    return (outer_error if on == BETWEEN_MOUNTINGS else inner_error)(fit, contrast)


def judged(fit: Fit) -> tuple[int, ...]:
    """Return the antennas of which a verdict is possible, as positions in `Layout.antennas`.

    Those that were mounted more than once: nobody knows by how much another mounting would move
    one that was mounted once, unless other sessions tell. None where there is no spread, or the
    order is confounded.
    """
    confounded = fit.layout.order == "confounded" and fit.layout.df_between > 0
    if basis(fit) != BETWEEN_MOUNTINGS or confounded:
        return ()
    return tuple(int(i) for i in np.flatnonzero(~fit.mounted_once))


def ranked(fit: Fit, better: Direction | None) -> tuple[int, ...]:
    """Return the antennas' positions in `Layout.antennas`, best first, by adjusted mean.

    Highest first, which ranks nothing, where it is not known which way is better.
    """
    sign = 1.0 if better == "lower" else -1.0
    return tuple(int(i) for i in np.argsort(sign * fit.means, kind="stable"))


def pair_table(
    fit: Fit,
    *,
    better: Direction | None = "higher",
    confidence: float = 0.95,
    reference: str | None = None,
    equal_within: float | None = None,
) -> pd.DataFrame:
    """Compare the antennas pairwise with a joint confidence.

    Parameters
    ----------
    fit : Fit
        Of one data set.
    better : {"higher", "lower"}, optional
        Which way the ranking goes; None: not known, the higher mean is then ``first``.
    confidence : float
        Joint confidence of all rows, 0 to 1.
    reference : str, optional
        Compare every antenna with this one alone instead of all pairs.
    equal_within : float, optional
        Difference, in the unit, up to which two antennas count as equal.

    Returns
    -------
    DataFrame
        One row a pair, the better one as ``first``: ``difference`` (by how much first is
        ahead, in the unit, not negative), ``percent`` of the second's mean (NaN
        where that is not above 0), ``low`` and ``high``, ``p_adjusted``, ``df``,
        ``told_apart`` (True only on the basis of mountings), ``equal`` (the whole interval lies
        inside ``equal_within``: two one-sided tests; None without it), ``basis``. Where nothing
        is known: NaN.

    Notes
    -----
    All pairs: Tukey-Kramer on the model's contrasts. Against a reference: the two-sided
    many-one t (Dunnett 1955), all correlated like the two contrasts that are least so, which
    makes intervals slightly too wide where the antennas are not known equally well.
    """
    order = ranked(fit, better)
    names, on, able = fit.layout.antennas, basis(fit), judged(fit)
    index = list(combinations(order, 2))
    correlation = 0.0
    if reference is not None:
        index = [(a, b) for a, b in index if reference in (names[a], names[b])]
        chosen = names.index(reference)
        others = [i for i in range(len(names)) if i != chosen]
        correlation = _least_correlation(fit, chosen, others)
    ways = len(index)
    rows = []
    for a, b in index:
        difference = abs(float(fit.means[a] - fit.means[b]))
        base = float(fit.means[b])
        percent = 100 * difference / base if base > 0 else float("nan")
        row = {"first": names[a], "second": names[b], "difference": difference, "percent": percent}
        row |= dict.fromkeys(("low", "high", "p_adjusted", "df"), float("nan"))
        row |= {"told_apart": False, "equal": None, "basis": NO_BASIS}
        if on == INSIDE_MOUNTINGS or (a in able and b in able):
            error = error_on(on, fit, _difference(len(names), a, b))
            se, df = float(error.se), float(error.df)
            if reference is None:
                limit = studentised_critical(len(names), df, confidence)
                p = studentised_p(difference / se, len(names), df)
            else:
                limit = many_one_critical(ways, df, correlation, confidence, 2)
                p = 1 - many_one_inside(difference / se, ways, df, correlation, 2)
            low, high = difference - limit * se, difference + limit * se
            row |= {"low": low, "high": high, "p_adjusted": max(0.0, p), "df": df, "basis": on}
            if on == BETWEEN_MOUNTINGS:
                row["told_apart"] = low > 0
                row["equal"] = None if equal_within is None else high <= equal_within
        rows.append(row)
    return pd.DataFrame(rows)


def _difference(count: int, a: int, b: int) -> Array:
    return np.eye(count)[a] - np.eye(count)[b]


def _least_correlation(fit: Fit, one: int, others: Sequence[int]) -> float:
    """Return the least correlation among the differences of others to one, from 0 on."""
    stacked = np.array([_difference(len(fit.means), i, one) for i in others])
    joint = stacked @ mean_covariance(fit, outer=fit.df_between > 0) @ stacked.T
    scale = np.sqrt(np.clip(np.diag(joint), 1e-300, None))
    least = float(np.min(joint / np.outer(scale, scale)))
    return min(max(least, 0.0), _LARGEST_CORRELATION) if len(others) > 1 else 0.0


def _candidates(fit: Fit, better: Direction | None, confidence: float) -> tuple[list[int], float]:
    """Return who may be the best, best first, and the best's lead, by Hsu's comparison (1984).

    An antenna is ruled out if the upper bound of its difference to another, one-sided and at
    the level of all comparisons with that antenna, is not above 0. Where one is left it is the
    best, and its lead over the best of the others is bounded by the bounds that ruled them out.
    """
    able = judged(fit)
    if better is None or len(able) < 2:
        return [], float("nan")
    sign = 1.0 if better == "higher" else -1.0
    upper: dict[int, dict[int, float]] = {}
    for i in (n for n in ranked(fit, better) if n in able):
        others = [j for j in able if j != i]
        correlation = _least_correlation(fit, i, others)
        upper[i] = {}
        for j in others:
            error = outer_error(fit, _difference(len(fit.means), i, j))
            limit = many_one_critical(len(others), float(error.df), correlation, confidence)
            ahead = sign * float(fit.means[i] - fit.means[j])
            upper[i][j] = ahead + limit * float(error.se)
    left = [i for i in upper if min(upper[i].values()) > 0]
    if len(left) != 1:
        return left, float("nan")
    return left, max(0.0, min(-upper[j][left[0]] for j in able if j != left[0]))


def ordering(
    fit: Fit,
    pairs: pd.DataFrame,
    better: Direction | None,
    reference: str | None = None,
    confidence: float = 0.95,
) -> Ordering:
    """Read off who may be the best and which antennas can't be told apart.

    A set is as large as it can be with no pair in it told apart. Sets may overlap: A with B
    and B with C, while A and C are told apart. With a reference only pairs with it are sets,
    and none is the best.
    """
    names = tuple(fit.layout.antennas[i] for i in ranked(fit, better))
    if reference is not None:
        left = tuple((r["first"], r["second"]) for r in records(pairs) if not r["told_apart"])
        return Ordering(names, left)
    apart = {frozenset((r["first"], r["second"])) for r in records(pairs) if r["told_apart"]}
    candidates, lead = _candidates(fit, better, confidence)
    may_be_best = tuple(fit.layout.antennas[i] for i in candidates)
    return Ordering(names, tuple(_largest_sets(names, apart)), may_be_best, lead)


def _largest_sets(names: Sequence[str], apart: set[frozenset[str]]) -> list[tuple[str, ...]]:
    """Return the maximal sets without a pair from `apart`, in the order of `names`."""
    groups: set[frozenset[str]] = {frozenset()}
    for name in names:
        # Each set with the name, without those that are told apart from it.
        groups |= {
            frozenset([name, *(n for n in group if frozenset((n, name)) not in apart)])
            for group in groups
        }
        groups = {group for group in groups if not any(group < larger for larger in groups)}
    found = [tuple(n for n in names if n in group) for group in groups if len(group) > 1]
    return sorted(found, key=lambda group: [names.index(n) for n in group])
