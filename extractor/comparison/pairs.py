"""Pairs of antennas: simultaneous intervals, what they leave together, who is probably best."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

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
from extractor.statistics.power import smallest_detectable, studentised_critical, studentised_p

#: What an interval rests on; the words that stand in the tables.
BETWEEN_MOUNTINGS = "mountings"
INSIDE_MOUNTINGS = "clips of one mounting"
NO_BASIS = "none"
#: Draws for the probability of being best: two digits stand still.
DRAWS = 100_000
_QUADRATURE_SEED = 20


@dataclass(frozen=True)
class Ordering:
    """Which antennas stand where, and which can't be told apart."""

    names: tuple[str, ...]
    """Best first, see `ranked`."""
    together: tuple[tuple[str, ...], ...]
    """Sets, best first, inside which no pair can be told apart; an antenna may be in several."""

    def apart_from_all(self, name: str) -> bool:
        """Tell whether `name` can be told from every other antenna."""
        return not any(name in group for group in self.together)


def basis(fit: Fit) -> str:
    """Return what intervals of this design rest on."""
    if fit.layout.df_between > 0:
        return BETWEEN_MOUNTINGS
    return INSIDE_MOUNTINGS if fit.layout.df_within > 0 else NO_BASIS


def contrast_error(fit: Fit, contrast: Array) -> Error:
    """Return the error of a contrast on the best basis that the design has."""
    return outer_error(fit, contrast) if fit.layout.df_between > 0 else inner_error(fit, contrast)


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

    Returns
    -------
    DataFrame
        One row a pair, the better one as ``first``: ``difference`` (by how much first is
        ahead, in the unit, not negative), ``percent`` of the second's mean (NaN
        where that is not above 0), ``low`` and
        ``high``, ``p_adjusted``, ``df``, ``told_apart`` (True only on the basis of
        mountings), ``basis``, ``detectable`` (the smallest difference found four times out
        of five). Where nothing is known: NaN.

    Notes
    -----
    All pairs: Tukey-Kramer on the model's contrasts. Against a reference: the two-sided
    many-one multivariate t (Dunnett 1955) with the contrasts' own correlations.
    """
    order = ranked(fit, better)
    names = fit.layout.antennas
    index = [(a, b) for i, a in enumerate(order) for b in order[i + 1 :]]
    if reference is not None:
        index = [(a, b) for a, b in index if reference in (names[a], names[b])]
    contrasts = [_difference(len(names), a, b) for a, b in index]
    errors = [contrast_error(fit, c) for c in contrasts]
    if reference is not None and basis(fit) != NO_BASIS and len(contrasts) > 1:
        joint = _ManyOne(_correlation(fit, contrasts), confidence)
        critical, p_value = joint.critical, joint.p_value
    else:
        count = 2 if reference is not None else len(names)

        def critical(df: float) -> float:
            return studentised_critical(count, df, confidence)

        def p_value(t: float, df: float) -> float:
            return studentised_p(t, count, df)

    rows = []
    for (a, b), error in zip(index, errors, strict=True):
        difference = abs(float(fit.means[a] - fit.means[b]))
        base = float(fit.means[b])
        percent = 100 * difference / base if base > 0 else float("nan")
        row = {"first": names[a], "second": names[b], "difference": difference, "percent": percent}
        rows.append(row | _judged(difference, error, critical, p_value, basis(fit)))
    return pd.DataFrame(rows)


def _difference(count: int, a: int, b: int) -> Array:
    contrast = np.zeros(count)
    contrast[a], contrast[b] = 1.0, -1.0
    return contrast


def _judged(difference, error: Error, critical, p_value, on: str) -> dict[str, object]:  # type: ignore[no-untyped-def]
    if on == NO_BASIS:
        nothing = dict.fromkeys(("low", "high", "p_adjusted", "df"), float("nan"))
        return {**nothing, "told_apart": False, "basis": on, "detectable": float("nan")}
    se, df = float(error.se), float(error.df)
    limit = critical(df)
    exact = se <= 1e-12 * max(1.0, difference)  # no spread at all in the data
    p = (1.0 if difference == 0 else 0.0) if exact else p_value(difference / se, df)
    low, high = difference - limit * se, difference + limit * se
    return {
        "low": low,
        "high": high,
        "p_adjusted": p,
        "df": df,
        "told_apart": on == BETWEEN_MOUNTINGS and low > 0,
        "basis": on,
        "detectable": smallest_detectable(se, df, limit),
    }


def _correlation(fit: Fit, contrasts: Sequence[Array]) -> Array:
    covariance = mean_covariance(fit, outer=basis(fit) == BETWEEN_MOUNTINGS)
    stacked = np.array(contrasts)
    # Every row is antenna minus reference: the sign of a row must not depend on the ranking.
    reference = int(np.argmax(np.abs(stacked).sum(axis=0)))
    stacked = stacked * -np.sign(stacked[:, [reference]])
    joint = stacked @ covariance @ stacked.T
    scale = np.sqrt(np.diag(joint))
    if not np.all(scale > 0):
        return np.full(joint.shape, 0.5) + 0.5 * np.eye(len(joint))
    return np.asarray(joint / np.outer(scale, scale))


class _ManyOne:
    """Two-sided equicoordinate multivariate t."""

    def __init__(self, correlation: Array, confidence: float) -> None:
        self._correlation = correlation
        self._confidence = confidence
        self._known: dict[float, float] = {}

    def inside(self, limit: float, df: float) -> float:
        """Return the probability that all ``|t|`` stay within `limit`."""
        from scipy import stats

        box = np.full(len(self._correlation), limit)
        # Quasi-Monte Carlo with a fixed seed: the same table gives the same digits.
        inside = stats.multivariate_t.cdf(
            box,
            shape=self._correlation,
            df=df,
            lower_limit=-box,
            allow_singular=True,
            maxpts=20_000 * len(box),
            random_state=np.random.default_rng(_QUADRATURE_SEED),
        )
        return float(inside)

    def p_value(self, t: float, df: float) -> float:
        return float(np.clip(1 - self.inside(abs(t), df), 0.0, 1.0))

    def critical(self, df: float) -> float:
        from scipy import optimize, stats

        if df not in self._known:
            low = float(stats.t.ppf(0.5 + self._confidence / 2, df))
            # Bonferroni bounds it from above.
            tail = (1 - self._confidence) / (2 * len(self._correlation))
            high = float(stats.t.isf(tail, df)) * 1.02
            self._known[df] = float(
                optimize.brentq(
                    lambda x: self.inside(x, df) - self._confidence, low * 0.98, high, xtol=1e-4
                )
            )
        return self._known[df]


def ordering(
    fit: Fit, pairs: pd.DataFrame, better: Direction | None, reference: str | None = None
) -> Ordering:
    """Read off which antennas can't be told apart.

    A set is as large as it can be with no pair in it told apart. Sets may overlap: A with B
    and B with C, while A and C are told apart. With a reference only pairs with it are sets.
    """
    names = tuple(fit.layout.antennas[i] for i in ranked(fit, better))
    if reference is not None:
        left = tuple((r["first"], r["second"]) for r in records(pairs) if not r["told_apart"])
        return Ordering(names, left)
    apart = {frozenset((r["first"], r["second"])) for r in records(pairs) if r["told_apart"]}
    groups = _largest_sets(names, apart)
    return Ordering(names, tuple(groups))


def _largest_sets(names: Sequence[str], apart: set[frozenset[str]]) -> list[tuple[str, ...]]:
    """Return the maximal sets without a pair from `apart`, in the order of `names`."""
    found: list[tuple[str, ...]] = []

    def close(group: tuple[str, ...], candidates: list[str], excluded: list[str]) -> None:
        # Bron and Kerbosch 1973, on the graph of pairs that are not told apart.
        if not candidates and not excluded and len(group) > 1:
            found.append(tuple(n for n in names if n in group))
        for name in list(candidates):

            def with_name(others: list[str], name: str = name) -> list[str]:
                return [o for o in others if o != name and frozenset((o, name)) not in apart]

            close((*group, name), with_name(candidates), with_name(excluded))
            candidates.remove(name)
            excluded.append(name)

    close((), list(names), [])
    return sorted(found, key=lambda group: [names.index(n) for n in group])


def best_probability(
    fit: Fit, better: Direction | None, draws: int = DRAWS, seed: int = 0
) -> Array:
    """Return, for each antenna, the probability that its true mean is the best.

    Posterior under flat priors on the means and on the logarithm of the spread: multivariate
    t around the adjusted means (Box and Tiao 1973, section 2.7), drawn `draws` times.
    NaN where no spread between mountings is known, or not which way is better.
    """
    count = len(fit.layout.antennas)
    if fit.layout.df_between == 0 or better is None:
        return np.full(count, np.nan)
    sign = 1.0 if better == "higher" else -1.0
    covariance = mean_covariance(fit, outer=True)
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    rng = np.random.default_rng(seed)
    normal = rng.standard_normal((draws, count)) @ root.T
    df = fit.layout.df_between
    scale = np.sqrt(df / rng.chisquare(df, size=(draws, 1)))
    best = np.argmax(sign * fit.means + normal * scale, axis=1)
    return np.bincount(best, minlength=count) / draws
