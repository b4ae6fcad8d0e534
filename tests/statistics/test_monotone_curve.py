"""The curve and its inverse: isotonic regression, plateaus, ends."""

import itertools
import math

import numpy as np
import pytest
from scipy.optimize import isotonic_regression

from extractor.errors import TableError
from extractor.statistics.isotonic import fit_curve, invert_rows, isotonic_rows

STEPS = np.array([0.0, 3, 6, 9, 12, 15])
LEVELS = np.array([48.0, 46, 40, 31, 22, 12])


@pytest.mark.parametrize(
    ("values", "fitted"),
    [
        # R's isoreg help (inputs), pool-adjacent-violators and max-min formula by hand.
        ([1, 0, 4, 3, 3, 5, 4, 2, 0], [0.5] * 2 + [3] * 7),
        ([1, 0, 4, 3, 3, 5, 4, 2, 3], [0.5] * 2 + [10 / 3] * 3 + [3.5] * 4),
        ([5, 9, 1, 2, 5, 6, 7, 8, 3, 8], [17 / 4] * 4 + [5] + [6] * 4 + [8]),
        # Example of SciPy's documentation.
        (
            [1.5, 1, 4, 6, 5.7, 5, 7.8, 9, 7.5, 9.5, 9],
            [1.25, 1.25, 4, 16.7 / 3, 16.7 / 3, 16.7 / 3, 7.8, 8.25, 8.25, 9.25, 9.25],
        ),
    ],
)
def test_isotonic_published(values, fitted):
    # Ours falls, the published examples rise: negate.
    curve = fit_curve(np.arange(len(values)), -np.array(values, dtype=float))
    assert -curve.level == pytest.approx(np.array(fitted))
    rows = isotonic_rows(-np.array([values], dtype=float), np.ones(len(values)))
    assert -rows[0] == pytest.approx(np.array(fitted))


def test_isotonic_of_many_rows_equals_scipy_with_weights():
    rng = np.random.default_rng(1)
    rows, weights = rng.normal(size=(40, 7)), rng.integers(1, 5, 7)
    expected = [isotonic_regression(row, weights=weights, increasing=False).x for row in rows]
    assert isotonic_rows(rows, weights) == pytest.approx(np.array(expected))


def test_fixture_read_backwards():
    # Synthetic fixture: 37.0 lies at 7.00 dB and 26.5 at 10.50, a difference of 3.50 dB.
    curve = fit_curve(STEPS, LEVELS, interpolation="linear")
    assert curve.attenuation_at(37.0).value_db == pytest.approx(7.00)
    assert curve.attenuation_at(26.5).value_db == pytest.approx(10.50)


def test_cubic_keeps_the_steps_and_stays_close():
    curve = fit_curve(STEPS, LEVELS)
    assert curve.attenuation_at(31.0).value_db == pytest.approx(9.0)
    assert curve.attenuation_at(37.0).value_db == pytest.approx(7.0, abs=0.15)


def test_beyond_the_ends_only_bounds():
    curve = fit_curve(STEPS, LEVELS)
    assert (curve.attenuation_at(49).low_db, curve.attenuation_at(49).high_db) == (-math.inf, 0)
    assert (curve.attenuation_at(11).low_db, curve.attenuation_at(11).high_db) == (15, math.inf)
    assert curve.attenuation_at(49).value_db is None
    assert curve.slope_near(49) == 0


def test_plateaus_give_their_ends():
    inner = fit_curve(STEPS, np.array([48.0, 40, 40, 31, 22, 12])).attenuation_at(40)
    assert (inner.low_db, inner.high_db, inner.value_db) == (3, 6, None)
    top = fit_curve(STEPS, np.array([40.0, 40, 38, 31, 22, 12])).attenuation_at(40)
    assert (top.low_db, top.high_db) == (-math.inf, 3)
    bottom = fit_curve(STEPS, np.array([48.0, 46, 40, 31, 5, 5])).attenuation_at(5)
    assert (bottom.low_db, bottom.high_db) == (12, math.inf)


def test_quantised_rates():
    # IEEE 802.11n, 20 MHz, one stream: rates and sensitivities (sensitivities from memory). A level
    # between two rates lies between their sensitivities: steps of 1 to 4 dB limit what can be read.
    rates = np.array([65, 58.5, 52, 39, 26, 19.5, 13, 6.5])
    sensitivity_dbm = np.array([-64, -65, -66, -70, -74, -77, -79, -82])
    curve = fit_curve(-64.0 - sensitivity_dbm, rates)
    for i, (fast, slow) in enumerate(itertools.pairwise(rates)):
        read = curve.attenuation_at((fast + slow) / 2).value_db
        assert -64 - sensitivity_dbm[i] <= read <= -64 - sensitivity_dbm[i + 1]


def test_too_few_steps_says_what_to_record():
    with pytest.raises(TableError, match=r"2 distinct values.*steps of 3 dB"):
        fit_curve(np.array([0.0, 3, 0]), np.array([40.0, 30, 40]))


def test_invert_rows_is_the_inverse():
    rows = np.array([LEVELS, LEVELS - 1])
    wanted = np.array([[37.0, 11.5], [37.0, 11.5]])
    found = invert_rows(STEPS, rows, wanted, "linear")
    assert found[0, 0] == pytest.approx(7.0)
    assert math.isinf(found[0, 1])
    assert found[1, 1] == pytest.approx(12 + 3 * (21 - 11.5) / 10)
