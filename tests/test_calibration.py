"""The curve and its inverse: isotonic regression, bounds, spreads."""

import itertools
import math

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import isotonic_regression

from extractor.calibration import (
    calibrate,
    fit_curve,
    invert_rows,
    is_calibrated,
    isotonic_rows,
    usable_runs,
)
from extractor.errors import TableError

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
    assert curve.slope_at(10.5) == pytest.approx(3.0)
    assert curve.slope_at(1.0) == pytest.approx(0.667, abs=0.001)


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


def table(rows, columns=("antenna", "attenuation_db", "mean")):
    return pd.DataFrame(rows, columns=columns)


CURVE_ROWS = [("A", a, b) for a, b in zip(STEPS, LEVELS, strict=True)]
BACK_ROWS = [("A", a, b - 0.5) for a, b in zip(STEPS[::-1], LEVELS[::-1], strict=True)]


def test_runs_are_sorted_into_curve_and_comparison():
    runs = table([*CURVE_ROWS, *BACK_ROWS, ("B", 0, 37.0), ("B", 0, 36.0)])
    found = calibrate(runs)
    assert found.curve.antenna == "A"
    assert found.curve.step_runs.tolist() == [2] * 6
    assert found.levels.set_index("antenna")["level"]["B"] == 36.5
    # Pure error: six pairs 0.5 apart and one pair 1.0 apart.
    assert found.curve_spread.dof == 7
    assert found.curve_spread.sd == pytest.approx(math.sqrt((6 * 0.125 + 0.5) / 7))
    assert found.level_spread == found.curve_spread


def test_mountings_spread_in_decibels():
    rows = [(*row, "A1") for row in [*CURVE_ROWS, *BACK_ROWS]]
    rows += [("B", 0, 31.0, "B1"), ("B", 0, 31.0, "B1"), ("B", 0, 28.0, "B2")]
    found = calibrate(table(rows, ("antenna", "attenuation_db", "mean", "mounting")))
    assert found.level_spread.unit == "mounting"
    assert found.level_spread.dof == 1
    assert found.levels.set_index("antenna")["level"]["B"] == pytest.approx(29.5)
    # 3 Mbit/s apart on a slope of about 3 Mbit/s per dB.
    assert found.level_spread.sd == pytest.approx(1 / math.sqrt(2), rel=0.05)


def test_compared_where_most_runs_are():
    runs = table([*CURVE_ROWS, ("B", 3, 30.0), ("B", 3, 31.0), ("B", 0, 37.0)])
    levels = calibrate(runs).levels.set_index("antenna")
    assert levels["attenuation_db"]["B"] == 3
    assert levels["level"]["B"] == 30.5


def test_text_cells_and_gaps_as_the_session_tables_have_them():
    runs = table([*CURVE_ROWS, ("B", "", "37,5"), (None, 0, 12.0), ("C", 0, None)])
    runs["angle_deg"] = [None] * 6 + ["0", None, None]
    found = usable_runs(runs, "mean")
    assert found["antenna"].tolist() == ["A"] * 6 + ["B"]
    assert found["mean"].iloc[-1] == 37.5
    runs.loc[6, "attenuation_db"] = "three"
    with pytest.raises(TableError, match="three"):
        usable_runs(runs, "mean")


def test_sweeps_are_no_part_of_it():
    runs = table([*CURVE_ROWS, ("B", 0, 37.0), ("B", 0, 20.0)])
    runs["angle_deg"] = [None] * 6 + [0, 45]
    assert calibrate(runs).levels.set_index("antenna")["level"]["B"] == 37.0


def test_single_clips_fall_back_on_their_own_uncertainty():
    runs = table([*CURVE_ROWS, ("B", 0, 37.0)])
    assert calibrate(runs).level_spread.dof == 0
    assert calibrate(runs.assign(mean_se=0.3)).level_spread.unit == "within clip"


def test_what_is_no_calibration():
    assert is_calibrated(table(CURVE_ROWS))
    assert not is_calibrated(table([("A", 0, 40.0), ("A", 3, 30.0), ("B", 6, 20.0)]))
    assert not is_calibrated(pd.DataFrame({"antenna": ["A"]}))
    with pytest.raises(TableError, match="no calibration"):
        calibrate(table([("A", 0, 40.0)]))
    with pytest.raises(TableError, match="attenuation_db"):
        calibrate(pd.DataFrame({"antenna": ["A"], "mean": [1.0]}))
