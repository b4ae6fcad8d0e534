"""Simulated repeats: what would have come out if this very test were repeated a thousand times.

Each repeat keeps the design (which antenna, which mounting, which port, how many runs) and
draws everything that chance decides anew: where each mounting happens to sit and what each clip
happens to show. The same analysis then ranks the antennas again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from extractor.comparison.advice import assumed_spreads
from extractor.comparison.compare import Comparison
from extractor.comparison.model import Fit, clip_spread, mounting_spread
from extractor.errors import UsageError
from extractor.session.overlay import Direction, direction_question

Array = npt.NDArray[np.float64]
REPEATS = 1_000
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
    mounting_sd: float
    clip_sd: float
    assumed: bool
    """True where the spread between mountings is assumed, not measured."""

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


def repeat(
    fit: Fit,
    better: Direction,
    *,
    repeats: int = REPEATS,
    mounting_sd: float | None = None,
    seed: int = _SEED,
) -> Repeats:
    """Simulate repeats of a test.

    Parameters
    ----------
    fit : Fit
        Of the real test.
    better : {"higher", "lower"}
        Which way the ranking goes.
    repeats : int
        How many.
    mounting_sd : float, optional
        Spread between mountings to assume, in the unit; needed where the test shows none.
    seed : int
        Of the random numbers.

    Notes
    -----
    The adjusted means stand for the true levels. The spreads are not taken as known: each
    repeat draws its own, mean square times degrees of freedom over a chi-square (Gelman et al.,
    Bayesian Data Analysis, 3rd ed., section 3.2), since two or three mountings know their spread
    but roughly. An assumed spread is taken as it is. Clips are drawn normal; a ceiling of the
    link is not imitated.
    """
    rng = np.random.default_rng(seed)
    layout = fit.layout
    clip_ms = _drawn(float(fit.ms_within), layout.df_within, repeats, rng)
    if mounting_sd is None:
        between = _drawn(float(fit.ms_between), layout.df_between, repeats, rng)
        variance = np.maximum(0.0, between - layout.mean_noise * clip_ms)
        shown = mounting_spread(fit)
    else:
        variance = np.full(repeats, mounting_sd**2)
        shown = mounting_sd
    levels = dict(zip(layout.antennas, fit.means, strict=True))
    truth = layout.mountings["antenna"].map(levels).to_numpy(float)
    # A mounting's adjusted mean is its own level plus what its clips add (see Layout.noise).
    root = _root(layout.noise)
    count = len(truth)
    own = rng.standard_normal((count, repeats)) * np.sqrt(variance)
    noise = root @ rng.standard_normal((count, repeats)) * np.sqrt(clip_ms)
    means = (layout.weights @ (truth[:, None] + own + noise)).T
    sign = 1 if better == "higher" else -1
    return Repeats(
        antennas=tuple(layout.antennas),
        means=means,
        best=(sign * means).argmax(axis=1),
        winner=layout.antennas[int(np.argmax(sign * fit.means))],
        mounting_sd=shown,
        clip_sd=clip_spread(fit) if layout.df_within else math.nan,
        assumed=mounting_sd is not None,
    )


def _drawn(mean_square: float, df: int, repeats: int, rng: np.random.Generator) -> Array:
    if df == 0 or not math.isfinite(mean_square):
        return np.zeros(repeats)
    return np.asarray(mean_square * df / rng.chisquare(df, repeats))


def _root(covariance: Array) -> Array:
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.clip(values, 0.0, None)))


def replays(comparison: Comparison, assumed: float | None = None) -> list[Repeats]:
    """Return the replay of a comparison, or one for each assumed spread where none was seen.

    Parameters
    ----------
    comparison : Comparison
        Of the real test.
    assumed : float, optional
        Spread between mountings to assume, in the unit, instead of the usual range.

    Raises
    ------
    UsageError
        If it is not known which way is better: then nothing comes first.
    """
    fit, better = comparison.fit, comparison.better
    if better is None:
        raise UsageError(direction_question(comparison.field))
    if assumed is None and fit.layout.df_between > 0:
        return [repeat(fit, better)]
    spreads = assumed_spreads(fit, comparison.unit, assumed)
    return [repeat(fit, better, mounting_sd=spread) for spread in spreads]


def sentence(made: Sequence[Repeats], label: str, unit: str) -> str:
    """Return what the replays say, one sentence."""
    one = made[0]
    if not one.assumed:
        return f"{label} stays first in {one.stays_first:,} of {one.repeats:,} simulated repeats."
    parts = [f"{m.stays_first:,} with {m.mounting_sd:.2g} {unit}".strip() for m in made]
    return (
        f"{label} stays first in so many of {one.repeats:,} simulated repeats, by the spread "
        f"between mountings, which is assumed here and not measured: {'; '.join(parts)}."
    )
