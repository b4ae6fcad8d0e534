"""How much a series that repeats itself really says about its mean.

Samples of a display that holds each number, of a link whose state lasts for seconds, are far
from independent: six hundred of them may say as much about the mean as forty independent ones.
Here: autocovariance (also across gaps), the effective number of samples, and the interval for
the mean that follows from it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Below this many samples neither autocorrelation nor an interval is given.
MINIMUM_SAMPLES = 4
#: The correction for having estimated the mean is never larger than a factor of two.
LARGEST_MEAN_CORRECTION = 0.5


@dataclass(frozen=True, slots=True)
class MeanInterval:
    """A mean with what the series itself says about its uncertainty.

    `n_effective` lies between 1 and the number of samples; all but `mean` are NaN where the
    series is too short (fewer than four samples) or has no spread.
    """

    mean: float
    standard_error: float
    n_effective: float
    low: float
    high: float


def autocovariance_sums(deviations: Floats, max_lag: int) -> Floats:
    r"""Return ``S_k``, the sum over t of ``d[t] * d[t + k]``, for k = 0 to `max_lag`.

    Parameters
    ----------
    deviations : array, shape (n,)
        Deviations from the mean on an even grid; 0 where nothing was measured, so that a pair
        counts only when both ends exist.
    max_lag : int
        Largest lag, in grid steps; less than n.

    Returns
    -------
    array, shape (max_lag + 1,)
        In squared units of `deviations`.
    """
    size = 1 << (2 * len(deviations) - 1).bit_length()
    spectrum = np.fft.rfft(deviations, size)
    return np.fft.irfft(spectrum * spectrum.conj(), size)[: max_lag + 1]


def autocorrelation(values: Floats, max_lag: int) -> Floats:
    """Return the autocorrelation of an even series at lags 0 to `max_lag`.

    ``r_k = sum (x[t] - m)(x[t + k] - m) / sum (x[t] - m)^2`` (NIST/SEMATECH e-Handbook
    1.3.5.12). Missing values are NaN: a lag then uses the pairs that exist, each sum scaled to
    the number of pairs that a complete series would have (Parzen 1963). All lags but 0 are NaN
    for a series without spread, and so is a lag for which no pair exists.

    Parameters
    ----------
    values : array, shape (n,)
        Samples on an even grid, NaN where missing.
    max_lag : int
        0 to n - 1.
    """
    n = len(values)
    present = np.isfinite(values)
    result = np.full(max_lag + 1, math.nan)
    result[0] = 1.0
    count = int(present.sum())
    if count < 2 or np.ptp(values[present]) == 0:
        return result
    deviations = np.where(present, values - centred_mean(values[present]), 0.0)
    # Lag by lag: more exact than by transform, and few lags are asked for.
    lags = range(max_lag + 1)
    sums = np.array([deviations[: n - k] @ deviations[k:] for k in lags])
    pairs = np.array([np.count_nonzero(present[: n - k] & present[k:]) for k in lags])
    expected = count * (1 - np.arange(max_lag + 1) / n)
    with np.errstate(divide="ignore", invalid="ignore"):
        scaled = np.where(pairs > 0, sums / pairs * expected, math.nan)
    return scaled / sums[0]


def centred_mean(values: Floats) -> float:
    """Return the mean, corrected once by the mean of the residuals.

    The second pass takes away what the first sum lost by rounding; NIST's NumAcc4 needs it.
    """
    first = float(np.mean(values))
    return first + float(np.mean(values - first))


def mean_interval(
    values: Floats, weights: Floats | None = None, *, confidence: float = 0.95
) -> MeanInterval:
    """Estimate the mean of a stationary series and an interval for it.

    The variance of the mean is the sum of the autocovariances by Geyer's initial monotone
    sequence (Statistical Science 7 (1992) 473): sums of neighbouring lags are added while they
    stay positive and made non-increasing. Having estimated the mean pulls every autocovariance
    down by about the variance of the mean itself, so that the sum over M lags either side is
    divided by ``1 - (2M + 1)/n`` (at least 0.5). The interval is Student's t with the
    equivalent degrees of freedom of a lag window cut off at M, ``n / (2M + 1)`` at frequency
    zero (Priestley, Spectral Analysis and Time Series, 1981, section 6.2.4, from memory; the
    coverage was simulated, see docs/method.md). ``n_effective = 1 + V / SE^2``, V being the mean
    squared deviation; for independent samples this is n. It is capped at n: negative
    autocorrelation is never taken as a gain.

    Parameters
    ----------
    values : array, shape (n,)
        Samples on an even grid (NaN where missing), or one after the other with `weights`.
    weights : array, shape (n,), optional
        Time that each sample stands for, any unit, positive; equal when absent.
    confidence : float
        Coverage aimed at, between 0 and 1.
    """
    present = np.isfinite(values)
    shown = values[present]
    n = len(shown)
    if n == 0:
        return MeanInterval(*([math.nan] * 5))
    share = np.ones(n) if weights is None else weights[present] / np.mean(weights[present])
    mean = centred_mean(shown) if weights is None else float(np.average(shown, weights=share))
    spread = float(np.mean(share * (shown - mean) ** 2))
    if n < MINIMUM_SAMPLES or np.ptp(shown) == 0 or spread == 0:
        return MeanInterval(mean, *([math.nan] * 4))
    deviations = np.zeros(len(values))
    deviations[present] = share * (shown - mean)
    factor, lags = _initial_monotone_sequence(deviations)
    variance = float(np.sum(deviations**2)) * max(factor, 1.0) / n**2
    variance /= 1 - min((2 * lags + 1) / n, LARGEST_MEAN_CORRECTION) if factor > 1 else 1 - 1 / n
    n_effective = min(float(n), 1 + spread / variance)
    freedom = max(1.0, min(n - 1.0, n / (2 * lags + 1)))
    error = math.sqrt(variance)
    reach = student_t_quantile((1 + confidence) / 2, freedom) * error
    return MeanInterval(mean, error, n_effective, mean - reach, mean + reach)


def _initial_monotone_sequence(deviations: Floats) -> tuple[float, int]:
    """Return (sum of autocorrelations over all lags, last lag used)."""
    pairs = max(1, len(deviations) // 4)
    sums = autocovariance_sums(deviations, 2 * pairs - 1)
    sums = sums / sums[0]
    pair_sums = sums[0::2] + sums[1::2]
    negative = np.flatnonzero(pair_sums <= 0)
    used = int(negative[0]) if len(negative) else pairs
    monotone = np.minimum.accumulate(pair_sums[:used])
    return float(2 * monotone.sum() - 1), max(0, 2 * used - 1)


def student_t_quantile(probability: float, degrees_of_freedom: float) -> float:
    """Return the quantile of Student's t; degrees of freedom may be fractional."""
    from scipy.special import stdtrit

    return float(stdtrit(degrees_of_freedom, probability))
