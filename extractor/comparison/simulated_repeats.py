"""Simulated repeats: what this test leaves possible, and what would come out were it repeated.

The antennas' true levels are drawn from their posterior under a hierarchical prior, which pulls
them together as far as the test can't tell them apart; a repeat keeps the design and draws anew
what chance decides.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from extractor.comparison.model import Array, Fit, mean_covariance
from extractor.comparison.pairs import judged
from extractor.errors import UsageError
from extractor.session.overlay import Direction, direction_question

if TYPE_CHECKING:
    from extractor.comparison.compare import Comparison

REPEATS = 1_000
#: Draws for the probability of being best: two digits stand still.
DRAWS = 100_000
#: Sets of the antennas' spreads that the posterior is summed over.
_SPREADS = 400
#: Variance of the antennas' levels over that of their means.
_RATIOS = np.exp(np.linspace(-10.0, 14.0, 61))
_SEED = 1


@dataclass(frozen=True)
class Repeats:
    """Simulated repeats of one comparison."""

    antennas: tuple[str, ...]
    """As in the columns of `means`."""
    means: Array
    """Repeats x antennas: the adjusted means of each repeat, in the unit."""
    best: npt.NDArray[np.int_]
    """For each repeat the column that came first."""
    winner: str
    """The best of the real test."""

    @property
    def repeats(self) -> int:
        """How many repeats there are."""
        return len(self.means)

    @property
    def first(self) -> tuple[int, ...]:
        """How often each antenna came first."""
        return tuple(int(n) for n in np.bincount(self.best, minlength=len(self.antennas)))

    @property
    def stays_first(self) -> int:
        """In how many repeats the winner of the real test came first."""
        return self.first[self.antennas.index(self.winner)]


def posterior(fit: Fit, draws: int, seed: int = _SEED) -> tuple[Array, Array] | None:
    """Draw the antennas' true levels, and with each the means of a repeat of this test.

    Parameters
    ----------
    fit : Fit
        Of the real test.
    draws : int
        How many.
    seed : int
        Of the random numbers.

    Returns
    -------
    levels, means : ndarray, shape (draws, k)
        In the unit. None where of some antenna no verdict is possible (`judged`).

    Notes
    -----
    Levels are normal around a common mean (flat prior); their standard deviation is half-Cauchy
    with the standard error of an antenna's mean as its scale (Gelman 2006, Bayesian Analysis 1,
    515; from memory), which is proper for two antennas too. Each antenna's variance is scaled
    chi-squared (Gelman et al., Bayesian Data Analysis, 3rd ed., sections 3.2 and 5.4) with the
    degrees of freedom that its moderated one has, of two mountings with those of all. A ceiling
    of the link is not imitated. Calibration: ``docs/benchmarks.md``.
    """
    from scipy.special import chdtri

    layout, count = fit.layout, len(fit.means)
    if len(judged(fit)) < count:
        return None
    rng = np.random.default_rng(seed)
    shares = (np.arange(_SPREADS) + 0.5) / _SPREADS
    # Of two mountings the variance is the larger of two, so its own few would count twice.
    own_df = np.where(layout.own.sum(axis=1) == 2, fit.df_between, fit.df_variances)
    more = [d / chdtri(d, 1 - rng.permutation(shares)) - 1 for d in own_df]
    by_antenna = np.einsum("km,im,lm->ikl", layout.weights, layout.own, layout.weights)
    moved = np.einsum("is,i,ikl->skl", more, fit.variances, by_antenna)
    own, turn = np.linalg.eigh(mean_covariance(fit, outer=True) + moved)
    own = np.clip(own, 0.0, None)[:, None]
    y, one = (np.einsum("skj,k->sj", turn, of)[:, None] for of in (fit.means, np.ones(count)))
    between = own.mean(axis=-1) * _RATIOS
    total = own + between[..., None]
    precision = (one**2 / total).sum(axis=-1)
    centre = (one * y / total).sum(axis=-1) / precision
    misfit = ((y - centre[..., None] * one) ** 2 / total).sum(axis=-1)
    log = np.log(np.sqrt(_RATIOS) / (1 + _RATIOS)) - (np.log(total).sum(-1) + np.log(precision)) / 2
    weight = np.exp(log - misfit / 2 - np.max(log - misfit / 2))
    i, j = np.divmod(
        rng.choice(weight.size, draws, p=weight.ravel() / weight.sum()), weight.shape[1]
    )
    centres = centre[i, j] + rng.standard_normal(draws) / np.sqrt(precision[i, j])
    noise, kept = own[i, 0], between[i, j][:, None]
    kept = kept / (kept + noise)
    shape = (draws, count)
    levels = kept * y[i, 0] + (1 - kept) * centres[:, None] * one[i, 0]
    levels += rng.standard_normal(shape) * np.sqrt(kept * noise)
    means = levels + rng.standard_normal(shape) * np.sqrt(noise)
    back = turn[i]
    return np.einsum("skj,sj->sk", back, levels), np.einsum("skj,sj->sk", back, means)


def best_probability(
    fit: Fit, better: Direction | None, draws: int = DRAWS, seed: int = _SEED
) -> Array:
    """Return, for each antenna, the probability that its true level is the best (`posterior`).

    NaN where of some antenna no verdict is possible, or it is not known which way is better.
    """
    count = len(fit.layout.antennas)
    drawn = None if better is None else posterior(fit, draws, seed)
    if drawn is None:
        return np.full(count, np.nan)
    best = np.argmax(drawn[0] if better == "higher" else -drawn[0], axis=1)
    return np.bincount(best, minlength=count) / draws


def repeat(comparison: Comparison, repeats: int = REPEATS, seed: int = _SEED) -> Repeats:
    """Simulate repeats of a test.

    Raises
    ------
    UsageError
        If it is not known which way is better, or of some antenna no verdict is possible.
    """
    fit, better = comparison.fit, comparison.better
    if better is None:
        raise UsageError(direction_question(comparison.field))
    drawn = posterior(fit, repeats, seed)
    if drawn is None:
        raise UsageError(
            "what a repeat would give can't be said: mount each antenna at least twice, in turns"
        )
    sign = 1 if better == "higher" else -1
    return Repeats(
        antennas=fit.layout.antennas,
        means=drawn[1],
        best=(sign * drawn[1]).argmax(axis=1),
        winner=fit.layout.antennas[int(np.argmax(sign * fit.means))],
    )


def sentence(made: Repeats, label: str) -> str:
    """Return what the repeats say, one sentence."""
    return f"{label} stays first in {made.stays_first:,} of {made.repeats:,} simulated repeats."
