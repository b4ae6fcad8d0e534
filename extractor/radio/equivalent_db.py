"""Pairwise differences in link-equivalent dB, with intervals from simulated repeats."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pandas as pd

from extractor.radio.calibration import ATTENUATOR_SD_DB, DRAWS, Calibration, Spread
from extractor.radio.combining import Floats
from extractor.statistics.isotonic import invert_rows, isotonic_rows


def pair_differences(
    calibration: Calibration,
    *,
    confidence: float = 0.95,
    attenuator_sd_db: float = ATTENUATOR_SD_DB,
    seed: int = 0,
    draws: int = DRAWS,
) -> pd.DataFrame:
    """Difference of every pair of antennas in link-equivalent dB at this site.

    Parameters
    ----------
    calibration
        As from `calibrate`.
    confidence
        Of each interval by itself, 0 to 1.
    attenuator_sd_db
        Standard uncertainty of each attenuation but 0 dB.
    seed, draws
        Of the simulated repeats; the same seed gives the same table.

    Returns
    -------
    DataFrame
        ``antenna, reference, difference_db, low_db, high_db, bound, scope``: positive when
        `antenna` is the stronger. ``difference_db`` is NaN where only bounds can be given,
        ``low_db`` or ``high_db`` is infinite on the side without an end, ``bound`` is
        ``"at least"``, ``"at most"``, ``"unknown"`` or empty; ``scope`` names what the
        interval covers: ``mounting``, ``run`` or ``within clip``. Each interval holds for
        itself, not all together.
    """
    low, high = strengths_observed(calibration)
    weakest, strongest = draw_strengths_db(calibration, attenuator_sd_db, seed=seed, draws=draws)
    names = calibration.levels["antenna"].tolist()
    rows, tail = [], (1 - confidence) / 2
    for i, j in itertools.combinations(range(len(names)), 2):
        # Quantiles of the least differences below and of the greatest above.
        span = (weakest[:, i] - strongest[:, j], tail), (strongest[:, i] - weakest[:, j], 1 - tail)
        ends = tuple(float(np.quantile(*one, method="inverted_cdf")) for one in span)
        exact = low[i] == high[i] and low[j] == high[j] and not _bound(*ends)
        value = float(low[i] - low[j]) if exact else math.nan
        if calibration.level_spread.dof == 0 or calibration.curve_spread.dof == 0:
            ends = (math.nan, math.nan)
        scope = calibration.level_spread.unit
        rows.append((names[i], names[j], value, *ends, _bound(*ends), scope))
    columns = ["antenna", "reference", "difference_db", "low_db", "high_db", "bound", "scope"]
    return pd.DataFrame(rows, columns=columns)


def strengths_observed(calibration: Calibration) -> tuple[Floats, Floats]:
    """Lowest and highest strength of each antenna, in dB over the calibrating one."""
    levels = calibration.levels
    bounds = [calibration.curve.attenuation_at(float(level)) for level in levels["level"]]
    at = levels["attenuation_db"].to_numpy(float)
    own = (levels["antenna"] == calibration.curve.antenna).to_numpy()
    low = at - np.array([one.high_db for one in bounds])
    high = at - np.array([one.low_db for one in bounds])
    return np.where(own, 0.0, low), np.where(own, 0.0, high)


def draw_strengths_db(
    calibration: Calibration, attenuator_sd_db: float, *, seed: int, draws: int
) -> tuple[Floats, Floats]:
    """Draw simulated repeats of every antenna's strength in dB, shape (draws, antennas).

    Two arrays, the least and the greatest strength that a repeat allows: equal where the drawn
    level lies on the drawn curve, else from the curve's end to infinity.

    A Monte Carlo propagation of distributions (GUM Supplement 1, JCGM 101:2008): step means,
    levels and attenuations are drawn around what was measured, their spreads from the scaled
    inverse chi-square of their degrees of freedom; the drawn step means are made monotone
    again and read backwards. The calibrating antenna is at 0 dB by definition in the mounting
    of the curve; where mountings are the replicates, that one mounting's spread stands for it.
    """
    rng = np.random.default_rng(seed)
    curve, levels = calibration.curve, calibration.levels
    spread = calibration.level_spread
    curve_sd = _draw_sd(calibration.curve_spread, rng, draws)
    level_sd = curve_sd if spread.unit == "run" else _draw_sd(spread, rng, draws)
    shape = (draws, curve.attenuation_db.size)
    means = curve.step_mean + curve_sd / np.sqrt(curve.step_runs) * rng.standard_normal(shape)
    # An attenuation that is off by e moves the level at that step by slope times e.
    errors = attenuator_sd_db * rng.standard_normal(shape) * (curve.attenuation_db != 0)
    fitted = isotonic_rows(means + errors * curve.slopes(), curve.step_runs)
    scale = np.sqrt(levels["replicates"].to_numpy(float))
    noise = level_sd / scale * rng.standard_normal((draws, len(levels)))
    wanted = np.broadcast_to(levels["level"].to_numpy(float), noise.shape)
    by_mounting = spread.unit == "mounting"
    if not by_mounting:
        wanted = wanted + noise
    read = invert_rows(curve.attenuation_db, fitted, wanted, curve.interpolation)
    if by_mounting:
        read = read + noise
    at = levels["attenuation_db"].to_numpy(float)
    first, last = curve.attenuation_db[0], curve.attenuation_db[-1]
    weakest = at - np.where(read > last, math.inf, np.maximum(read, first))
    # The last step's own attenuation is known no better than the others.
    beyond = at - last - errors[:, [-1]]
    strongest = np.where(read > last, beyond, at - np.where(read < first, -math.inf, read))
    own = (levels["antenna"] == curve.antenna).to_numpy()
    weakest[:, own] = strongest[:, own] = noise[:, own] * scale[own] if by_mounting else 0.0
    return weakest, strongest


def _draw_sd(spread: Spread, rng: np.random.Generator, draws: int) -> Floats:
    if spread.dof == 0:
        return np.zeros((draws, 1))
    return spread.sd * np.sqrt(spread.dof / rng.chisquare(spread.dof, (draws, 1)))


def _bound(low_db: float, high_db: float) -> str:
    if math.isnan(low_db) or (math.isinf(low_db) and math.isinf(high_db)):
        return "unknown"
    if math.isinf(high_db):
        return "at least"
    return "at most" if math.isinf(low_db) else ""
