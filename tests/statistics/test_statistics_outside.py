"""A clip's summary against published and certified numbers."""

import numpy as np
import pandas as pd
import pytest
from check_data import BOXPLOT90, CHEM, GRUBBS, LEW, MAVRO, MICHELSO, PERCENT12, pi_digits
from scipy import stats
from series_making import make_field, make_series

from extractor.statistics.hold_times import MAD_TO_SD, hampel_outliers
from extractor.statistics.sampling import quantiles
from extractor.statistics.summary import summarise


def accuracy_set(base):
    """NIST StRD NumAcc2 to 4: base.2, then base.1 and base.3 by turns, 1001 values."""
    return [base + 0.2] + [base + 0.1, base + 0.3] * 500


# NIST StRD, univariate summary statistics: certified mean, sd, lag-1 autocorrelation.
@pytest.mark.parametrize(
    ("name", "data", "mean", "sd", "lag1", "rel_mean", "rel_sd", "rel_lag1"),
    [
        ("NumAcc1", [10000001, 10000003, 10000002], 10000002, 1, -0.5, 0, 0, 1e-15),
        ("NumAcc2", accuracy_set(1), 1.2, 0.1, -0.999, 1e-12, 1e-12, 1e-12),
        ("NumAcc3", accuracy_set(1000000), 1000000.2, 0.1, -0.999, 1e-14, 1e-8, 1e-8),
        ("NumAcc4", accuracy_set(10000000), 10000000.2, 0.1, -0.999, 1e-14, 1e-7, 1e-8),
        ("Michelso", MICHELSO, 299.8524, 0.0790105478190518, 0.535199668621283, *[1e-12] * 3),
        ("Mavro", MAVRO, 2.001856, 0.000429123454003053, 0.937989183438248, *[1e-10] * 3),
        ("Lew", LEW, -177.435, 277.332168044316, -0.307304800605679, *[1e-13] * 3),
        (
            "PiDigits",
            pi_digits(5000),
            4.5348,
            2.86733906028871,
            -0.00355099287237972,
            *[1e-12] * 3,
        ),
    ],
)
def test_nist_certified_values(name, data, mean, sd, lag1, rel_mean, rel_sd, rel_lag1):
    found = summarise(make_series(data), make_field())
    assert found.mean == pytest.approx(mean, rel=rel_mean, abs=0)
    assert found.sd == pytest.approx(sd, rel=rel_sd, abs=0)
    assert found.lag1 == pytest.approx(lag1, rel=rel_lag1, abs=0)


def test_true_digits_of_pi_do_not_give_the_certified_values():
    digits = pi_digits(5000)
    assert digits[956] == 3
    digits[956] = 8
    found = summarise(make_series(digits), make_field())
    assert found.mean == pytest.approx(4.5358, rel=1e-12)
    assert found.sd == pytest.approx(2.86767555218761, rel=1e-12)


# Hyndman and Fan 1996, type 7; e-Handbook 7.1.6 prints 429.75 and 742.25 for the quartiles,
# which is type 6. The tool uses type 7.
def test_quantiles_are_of_type_7():
    assert quantiles(np.arange(1.0, 11), [0.25], None) == pytest.approx([3.25])
    found = quantiles(np.array(BOXPLOT90, float), [0.25, 0.5, 0.75], None)
    assert found == pytest.approx([436.25, 559.5, 738.5])
    # e-Handbook 7.2, percentiles: 95.1981 by p (N + 1), 95.19568 by 1 + p (N - 1).
    assert quantiles(np.array(PERCENT12), [0.9], None) == pytest.approx([95.19568], abs=5e-6)


def test_summary_uses_the_same_quantiles():
    found = summarise(make_series(BOXPLOT90), make_field())
    assert (found.median, found.p25) == (559.5, 436.25)
    assert found.p95 == pytest.approx(np.quantile(BOXPLOT90, 0.95))
    assert found.p05 == pytest.approx(np.quantile(BOXPLOT90, 0.05))


def test_equal_weights_are_type_7_again():
    values = np.random.default_rng(0).standard_normal(37)
    chances = [0, 0.05, 0.31, 0.5, 0.95, 1]
    assert quantiles(values, chances, np.full(37, 0.3)) == pytest.approx(
        np.quantile(values, chances)
    )


# Hampel 1974; R's `mad` uses 1.4826.
def test_mad_constant():
    assert pytest.approx(1 / stats.norm.ppf(0.75), rel=1e-14) == MAD_TO_SD


# Analytical Methods Committee 1989, copper in flour (Venables and Ripley, MASS): median 3.385,
# scaled MAD 0.526; three of them flag 5.28 and 28.95, mean and sd only 28.95.
def test_hampel_identifier_on_copper_in_flour():
    values = np.array(CHEM)
    flagged = hampel_outliers(values, len(values))
    assert values[flagged].tolist() == [5.28, 28.95]
    by_sd = np.abs(values - values.mean()) > 3 * values.std(ddof=1)
    assert values[by_sd].tolist() == [28.95]
    assert MAD_TO_SD * stats.median_abs_deviation(values) == pytest.approx(0.526323, abs=1e-6)


# e-Handbook 1.3.5.17.1 (Tietjen and Moore 1972): Grubbs finds 245.57; so does Hampel.
def test_hampel_identifier_on_tietjen_and_moore():
    values = np.array(GRUBBS)
    assert values[hampel_outliers(values, len(values))].tolist() == [245.57]


def test_hampel_windows_equal_pandas_rolling():
    values = np.random.default_rng(8).standard_t(2, 300)
    rolling = pd.Series(values).rolling(7, center=True, min_periods=4)
    centre = rolling.median()
    spread = rolling.apply(lambda w: np.median(np.abs(w - np.median(w))), raw=True)
    expected = np.abs(values - centre) > 3 * 1.4826022185056018 * spread
    assert hampel_outliers(values, 3).tolist() == expected.tolist()


def test_trend_equals_scipy():
    rng = np.random.default_rng(6)
    series = make_series(30 + np.arange(300) * 0.01 + rng.standard_normal(300))
    slope = stats.linregress(series["time_s"], series["value"]).slope
    assert summarise(series, make_field()).trend_per_min == pytest.approx(60 * slope, rel=1e-9)
