"""Sweeps: patterns of known width come back, bounds stay bounds."""

import numpy as np
import pandas as pd
import pytest

from extractor.radio.calibration import calibrate
from extractor.radio.link_budget import NotValid
from extractor.radio.sweep import (
    Beam,
    beam_finding,
    beamwidth,
    coverage_finding,
    sweep_antennas,
    sweep_levels,
    sweep_report,
)
from extractor.session.antennas import Antenna

STEPS = np.array([0.0, 3, 6, 9, 12, 15])


def bitrate(loss_db):
    return 40 / (1 + np.exp((loss_db - 8) / 2.6))


EVERY_TEN_DEG = np.arange(-60, 61, 10)


def session(width_deg=40.0, *, angles=EVERY_TEN_DEG, pad_db=3.0, sd=0.3, seed=1):
    """A calibrated sweep of a cosine-power pattern (not the parabola that is fitted)."""
    rng = np.random.default_rng(seed)
    power = np.log(0.5) / np.log(np.cos(np.radians(width_deg / 2)))
    loss = -10 * power * np.log10(np.maximum(np.cos(np.radians(angles)), 1e-3))
    rows = [("A", step, None, bitrate(step)) for step in (*STEPS, *STEPS[::-1])]
    rows += [
        ("A", pad_db, angle, bitrate(pad_db + min(down, 30)))
        for angle, down in zip(angles, loss, strict=True)
    ]
    runs = pd.DataFrame(rows, columns=["antenna", "attenuation_db", "angle_deg", "mean"])
    return runs.assign(mean=runs["mean"] + rng.normal(0, sd, len(runs)))


@pytest.mark.parametrize(("width_deg", "step_deg"), [(30, 5), (40, 10), (60, 10)])
def test_known_width_comes_back(width_deg, step_deg):
    runs = session(width_deg, angles=np.arange(-60, 61, step_deg))
    beam = beamwidth(sweep_levels(runs, "A"), calibrate(runs))
    assert isinstance(beam, Beam)
    # The parabola is good to about 0.3 dB of a cosine power in the main lobe: 5 % of the width.
    assert beam.low_deg * 0.95 <= width_deg <= beam.high_deg * 1.05
    assert beam.peak_deg == pytest.approx(0, abs=4)


def test_interval_covers_in_most_sessions():
    hits = 0
    for seed in range(30):
        runs = session(40, seed=seed)
        beam = beamwidth(sweep_levels(runs, "A"), calibrate(runs), draws=300)
        hits += beam.low_deg * 0.95 <= 40 <= beam.high_deg * 1.05
    assert hits >= 26


def test_beam_wider_than_the_sweep():
    runs = session(160, angles=np.arange(-30, 31, 10))
    found = beamwidth(sweep_levels(runs, "A"), calibrate(runs))
    assert isinstance(found, NotValid)
    assert "turn further" in found.reason


def test_peak_above_the_curve_is_refused():
    runs = session(40, pad_db=3.0)
    runs.loc[runs["angle_deg"] == 0, "mean"] = 41
    found = beamwidth(sweep_levels(runs, "A"), calibrate(runs))
    assert isinstance(found, NotValid)
    assert "pad in all lines" in found.reason


def test_too_few_angles():
    runs = session(20, angles=np.arange(-60, 61, 20))
    assert isinstance(beamwidth(sweep_levels(runs, "A"), calibrate(runs)), NotValid)
    assert sweep_antennas(session(20, angles=np.array([-20, 0, 20]))) == []
    assert sweep_antennas(runs) == ["A"]


def test_coverage_interpolates_between_angles():
    levels = pd.DataFrame({"angle_deg": [-40, -20, 0, 20, 40], "level": [5, 25, 30, 20, 15.0]})
    found = coverage_finding("A", levels, 15.0, "Mbit/s")
    assert [one.value for one in found.numbers] == pytest.approx([-30, 40])
    assert (
        found.sentence == "A stays at or above 15 Mbit/s from -30 to +40 deg, at least 70 deg wide."
    )
    never = coverage_finding("A", levels, 50.0, "Mbit/s").sentence
    assert never == "A never reaches 50 Mbit/s at any angle."


def test_rated_gain_against_measured_width():
    # Kraus: 15 dBi goes with 36 deg.
    wide, narrow = Beam(60, 55, 66, 0), Beam(36, 33, 40, 0)
    assert "room for 36 deg at most" in beam_finding("A", wide, 15.0).sentence
    assert "no conflict" in beam_finding("A", narrow, 15.0).sentence


def test_report_without_calibration_has_coverage_only():
    runs = session()
    table, findings, _ = sweep_report(runs, None, threshold=20.0)
    assert table["relative_db"].isna().all()
    assert [f.kind for f in findings] == ["coverage"]


def test_report_with_calibration():
    runs = session()
    table, findings, _ = sweep_report(runs, calibrate(runs), antennas=[Antenna("A", gain_dbi=13.0)])
    assert table["relative_db"].max() == 0
    assert [f.kind for f in findings] == ["beamwidth"]
    assert "rated gain of 13 dBi" in findings[0].sentence
    # An antenna for all round has no beam whose width its gain would imply.
    omni = Antenna("A", kind="omni", gain_dbi=13.0)
    assert "rated" not in sweep_report(runs, calibrate(runs), antennas=[omni])[1][0].sentence
    assert sweep_report(runs.drop(columns="angle_deg"), None)[1] == ()
