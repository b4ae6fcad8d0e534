"""Effective sample size and the interval for the mean of a series that repeats itself."""

import math

import numpy as np
import pytest
from check_data import LEW, MAVRO, MICHELSO
from series_making import ar1_effective_size
from statsmodels.tsa.stattools import acf

from extractor.statistics.autocorrelation import (
    autocorrelation,
    mean_interval,
    student_t_quantile,
)


def ar1(rng, n, rho, rows=1):
    noise = rng.standard_normal((rows, n)) * math.sqrt(1 - rho**2)
    noise[:, 0] /= math.sqrt(1 - rho**2)
    for t in range(1, n):
        noise[:, t] += rho * noise[:, t - 1]
    return noise


# Bayley and Hammersley 1946; Mudelsee 2010 eq. 2.7 gives the same. Values in exact rationals.
@pytest.mark.parametrize(("n", "rho"), [(10, 0.5), (100, 0.9), (100, -0.5), (600, 0.95), (7, 0)])
def test_the_closed_form_is_the_sum_over_all_lags(n, rho):
    exact = 1 + 2 * sum((1 - k / n) * rho**k for k in range(1, n))
    assert ar1_effective_size(n, rho) == pytest.approx(n / exact, rel=1e-9)


# NIST/SEMATECH e-Handbook 1.3.5.12, printed to two decimals.
def test_autocorrelation_of_beam_deflections_as_printed():
    found = autocorrelation(np.array(LEW, float), 49)
    printed = [1, -0.31, -0.74, 0.77, 0.21, -0.90, 0.38, 0.63, -0.77, -0.12, 0.82]
    assert found[:11] == pytest.approx(printed, abs=0.005)
    assert found[45:] == pytest.approx([-0.55, 0.45, 0.25, -0.61, 0.14], abs=0.005)


@pytest.mark.parametrize("data", [LEW, MAVRO, MICHELSO])
@pytest.mark.parametrize("lags", [1, 40])
def test_autocorrelation_equals_statsmodels(data, lags):
    reference = acf(np.array(data, float), nlags=lags, fft=False)
    assert autocorrelation(np.array(data, float), lags) == pytest.approx(reference, rel=1e-9)


def test_autocorrelation_by_transform_equals_the_direct_sums():
    values = ar1(np.random.default_rng(3), 500, 0.8)[0]
    assert autocorrelation(values, 200)[:60] == pytest.approx(autocorrelation(values, 59))


def test_autocorrelation_across_gaps_equals_statsmodels_conservative():
    values = ar1(np.random.default_rng(5), 400, 0.7)[0]
    values[50:90] = np.nan
    values[::17] = np.nan
    # statsmodels: `conservative` divides each lag by its number of pairs over the lag-0 mean.
    reference = acf(values, nlags=3, missing="conservative", adjusted=True, fft=False)
    lags = np.arange(4)
    assert autocorrelation(values, 3) == pytest.approx(reference * (1 - lags / 400), rel=1e-9)


def test_autocorrelation_without_spread_is_undefined_not_one():
    assert np.isnan(autocorrelation(np.full(20, 40.0), 3)[1:]).all()
    assert np.isnan(autocorrelation(np.full(20, 0.1), 1)[1:]).all()
    assert np.isnan(autocorrelation(np.array([1.0, np.nan, np.nan]), 1)[1])


def test_interval_of_independent_samples_is_students():
    values = np.random.default_rng(1).standard_normal(2000)
    found = mean_interval(values)
    assert found.n_effective == pytest.approx(2000, rel=0.1)
    assert found.standard_error == pytest.approx(values.std(ddof=1) / math.sqrt(2000), rel=0.06)


def test_negative_correlation_is_never_taken_as_a_gain():
    values = np.array(LEW, float)
    found = mean_interval(values)
    # NIST StRD Lew: n (1 - r) / (1 + r) would be 377 of 200.
    assert found.n_effective == pytest.approx(200)
    assert found.standard_error == pytest.approx(277.332168044316 / math.sqrt(200), rel=1e-9)


@pytest.mark.parametrize(("n", "rho"), [(600, 0.5), (600, 0.9), (3000, 0.95), (20000, 0.9)])
def test_effective_size_finds_the_closed_form(n, rho):
    series = ar1(np.random.default_rng(n), n, rho, rows=60)
    found = np.median([mean_interval(row).n_effective for row in series])
    assert found == pytest.approx(ar1_effective_size(n, rho), rel=0.15)


def test_effective_size_of_held_numbers_is_the_number_of_holds():
    rng = np.random.default_rng(2)
    held = np.repeat(rng.standard_normal((60, 120)), 5, axis=1)
    found = np.median([mean_interval(row).n_effective for row in held])
    # Independent numbers held for five samples: the triangle of autocorrelations adds up to 5.
    assert found == pytest.approx(120, rel=0.1)


def test_interval_covers_the_true_mean():
    series = ar1(np.random.default_rng(9), 600, 0.9, rows=400)
    inside = [found.low <= 0 <= found.high for found in map(mean_interval, series)]
    # 400 trials: two standard errors around 95 % are 92.8 to 97.2 %.
    assert 0.925 <= np.mean(inside) <= 0.975


def test_block_methods_agree_that_the_naive_error_is_too_small():
    """Moving blocks (Kuensch 1989) and batch means on NIST StRD Mavro, computed values."""
    values = np.array(MAVRO)

    def block_error(length):
        means = np.convolve(values, np.ones(length) / length, "valid")
        return math.sqrt(length / len(values) * np.mean((means - means.mean()) ** 2))

    def batch_error(length):
        means = values.reshape(-1, length).mean(axis=1)
        return means.std(ddof=1) / math.sqrt(len(means))

    expected_blocks = {1: 6.007728356e-5, 2: 8.411580443e-5, 5: 1.258892002e-4, 10: 1.514468786e-4}
    expected_batches = {1: 6.068722086e-5, 5: 1.339253523e-4, 10: 1.895415522e-4}
    for length, error in expected_blocks.items():
        assert block_error(length) == pytest.approx(error, rel=1e-8)
    for length, error in expected_batches.items():
        assert batch_error(length) == pytest.approx(error, rel=1e-8)
    ours = mean_interval(values)
    # With r1 = 0.94 and fifty values even blocks of ten are short: ours must exceed them.
    assert ours.standard_error > batch_error(10) > 3 * batch_error(1)
    assert 1 <= ours.n_effective < 10


def test_gaps_widen_the_interval_about_as_much_as_they_take():
    rng = np.random.default_rng(4)
    series = ar1(rng, 600, 0.8, rows=50)
    gappy = series.copy()
    gappy[:, rng.random(600) < 0.5] = np.nan
    whole = np.median([mean_interval(row).n_effective for row in series])
    holed = np.median([mean_interval(row).n_effective for row in gappy])
    # Half of the samples of a slow series carry nearly all it knows.
    assert 0.6 * whole < holed <= 1.1 * whole


@pytest.mark.parametrize("values", [[], [3.0], [1.0, 2.0, 3.0], [4.0] * 30, [np.nan] * 5])
def test_too_little_to_say_anything(values):
    found = mean_interval(np.array(values, float))
    assert math.isnan(found.n_effective)
    assert math.isnan(found.low)
    assert math.isnan(found.mean) == (not np.isfinite(values).any())


# NIST/SEMATECH e-Handbook 1.3.6.7.2, table of Student's t, 0.975 (values from memory).
@pytest.mark.parametrize(("freedom", "value"), [(1, 12.706), (5, 2.571), (10, 2.228), (30, 2.042)])
def test_student_quantiles_as_tabled(freedom, value):
    assert student_t_quantile(0.975, freedom) == pytest.approx(value, abs=5e-4)
