"""Differences in dB and their intervals: GUM propagation as reference, bounds, coverage."""

import math

import numpy as np
import pandas as pd
import pytest

from extractor.radio.calibration import Calibration, Spread, calibrate
from extractor.radio.equivalent_db import draw_strengths_db, pair_differences
from extractor.statistics.isotonic import fit_curve

STEPS = np.array([0.0, 3, 6, 9, 12, 15])
LEVELS = np.array([48.0, 46, 40, 31, 22, 12])


def calibration(levels, sd=0.6, runs=1, antenna="A", curve_sd=1e-9, curve_levels=LEVELS):
    """Return a calibration with spreads known exactly (many degrees of freedom)."""
    curve = fit_curve(STEPS, curve_levels, antenna=antenna, interpolation="linear")
    names = [antenna, *levels]
    table = pd.DataFrame(
        {
            "antenna": names,
            "attenuation_db": 0.0,
            "level": [curve_levels[0], *levels.values()],
            "replicates": runs,
            "n_runs": runs,
        }
    )
    return Calibration(
        curve,
        Spread(curve_sd, 10**6, "run"),
        table,
        Spread(sd, 10**6, "within clip"),
        pd.DataFrame(),
        pd.DataFrame(),
        "mean",
    )


def test_fixture_difference():
    # Synthetic fixture: X at 37.0 and Y at 26.5 differ by 3.50 dB.
    found = pair_differences(calibration({"X": 37.0, "Y": 26.5}))
    row = found[(found["antenna"] == "X") & (found["reference"] == "Y")].iloc[0]
    assert row["difference_db"] == pytest.approx(3.50)
    assert row["low_db"] < 3.5 < row["high_db"]


def test_spread_equals_gum_propagation():
    # GUM (JCGM 100:2008) 5.1: two levels of 0.6 Mbit/s, slope 3: 0.6 / 3 * sqrt(2) = 0.283 dB.
    known = calibration({"X": 37.0, "Y": 26.5})
    drawn, _ = draw_strengths_db(known, 0.0, seed=1, draws=40_000)
    assert np.std(drawn[:, 1] - drawn[:, 2]) == pytest.approx(0.283, abs=0.005)


def test_attenuator_adds_in_quadrature():
    # With 0.3 dB for the attenuator 0.412 dB; here each step is off by itself, so that the share of
    # two steps around each level counts: sqrt(w^2 + (1-w)^2) of it for each of the two levels.
    known = calibration({"X": 37.0, "Y": 26.5})
    drawn, _ = draw_strengths_db(known, 0.3, seed=1, draws=40_000)
    assert np.hypot(0.283, 0.3) == pytest.approx(0.412, abs=0.001)
    shares = [(1 / 3, 2 / 3), (1 / 2, 1 / 2)]
    # On a straight stretch the level errors carry the slope at the step, not of the stretch.
    slopes = fit_curve(STEPS, LEVELS).slopes()
    errors = np.array(
        [
            shares[0][1] * slopes[2] / 3,
            (shares[0][0] * slopes[3] / 3) - shares[1][1] * slopes[3] / 3,
            -shares[1][0] * slopes[4] / 3,
        ]
    )
    expected = math.hypot(0.283, 0.3 * float(np.linalg.norm(errors)))
    # The drawn slopes differ too, which linear propagation leaves out: a few per cent more.
    assert np.std(drawn[:, 1] - drawn[:, 2]) == pytest.approx(expected, rel=0.05)


def test_shallow_top_gives_a_bound():
    # Slope 0.67 Mbit/s per dB: the same 0.6 Mbit/s is 0.9 dB, and the curve ends: "at least".
    found = pair_differences(calibration({"X": 46.9, "Y": 26.5}))
    row = found[(found["antenna"] == "X") & (found["reference"] == "Y")].iloc[0]
    assert row["bound"] == "at least"
    assert math.isnan(row["difference_db"])
    assert math.isinf(row["high_db"])
    assert 6 < row["low_db"] < 9


def test_nothing_is_extrapolated():
    found = pair_differences(calibration({"X": 55.0, "Y": 2.0}), attenuator_sd_db=0.0)
    rows = {(r["antenna"], r["reference"]): r for r in found.to_dict("records")}
    assert rows["A", "X"]["bound"] == "at most"
    assert rows["A", "X"]["high_db"] == pytest.approx(0)
    assert rows["A", "Y"]["bound"] == "at least"
    assert rows["X", "Y"]["bound"] == "at least"
    both = pair_differences(calibration({"X": 2.0, "Y": 3.0}))
    assert both.iloc[-1]["bound"] == "unknown"


def test_ceiling_of_the_calibrating_antenna_does_not_hide_its_lead():
    # At 0 and 3 dB it sits at the ceiling; its lead is known all the same from the attenuation.
    flat = np.array([40.0, 40, 38, 31, 22, 12])
    found = pair_differences(calibration({"X": 31.0}, curve_levels=flat))
    assert found.iloc[0]["difference_db"] == pytest.approx(9.0)
    assert found.iloc[0]["bound"] == ""


def test_without_repeats_no_interval():
    rows = [("A", a, b) for a, b in zip(STEPS, LEVELS, strict=True)] + [("B", 0.0, 31.0)]
    runs = pd.DataFrame(rows, columns=["antenna", "attenuation_db", "mean"])
    found = pair_differences(calibrate(runs))
    assert found.iloc[0]["bound"] == "unknown"
    assert math.isnan(found.iloc[0]["low_db"])


def session(rng):
    """One session with known strengths, independent of the code under test."""
    truth = {"A": 0.0, "B": -5.0, "C": -7.5}
    bitrate = lambda loss: 42 / (1 + np.exp((loss - 9) / 2.6))  # noqa: E731
    rows = [("A", step, step) for step in (*STEPS, *STEPS[::-1])]
    rows += [(name, 0.0, -truth[name]) for name in ("B", "C") for _ in range(3)]
    runs = pd.DataFrame(rows, columns=["antenna", "attenuation_db", "loss"])
    runs["mean"] = bitrate(runs["loss"]) + rng.normal(0, 0.6, len(runs))
    return runs.drop(columns="loss"), truth


def test_intervals_cover_known_gains():
    # The benchmark counts 1,000 sessions a row; here a handful guards against a broken interval.
    rng = np.random.default_rng(5)
    hits, total = 0, 0
    for _ in range(40):
        runs, truth = session(rng)
        found = pair_differences(calibrate(runs), attenuator_sd_db=0.0, draws=400)
        for row in found.to_dict("records"):
            true = truth[row["antenna"]] - truth[row["reference"]]
            hits += row["low_db"] <= true <= row["high_db"]
            total += 1
    # Binomial 99.9 % band around 95 % for 120 pairs of which three share a session.
    assert 0.85 * total < hits <= total


def test_same_seed_same_table():
    runs, _ = session(np.random.default_rng(2))
    known = calibrate(runs)
    first, again = (pair_differences(known, seed=3, draws=500) for _ in range(2))
    pd.testing.assert_frame_equal(first, again)


def test_swapping_names_turns_the_sign():
    runs, _ = session(np.random.default_rng(2))
    first = pair_differences(calibrate(runs))
    swapped = pair_differences(calibrate(runs.replace({"antenna": {"B": "Z"}})))
    b_c = first[(first["antenna"] == "B")].iloc[0]["difference_db"]
    c_z = swapped[(swapped["antenna"] == "C")].iloc[0]["difference_db"]
    assert c_z == pytest.approx(-b_c)


def test_calibrated_table_has_every_pair():
    runs, _ = session(np.random.default_rng(2))
    known = calibrate(runs)
    assert len(pair_differences(known)) == 3
    assert known.levels["antenna"].tolist() == ["A", "B", "C"]
