"""Verdicts on rated gains; the thresholds are those of the formulas tested beside them."""

import pytest

from extractor.radio.ratings import rate
from extractor.session.antennas import Antenna

F = 5.8e9


def helix(gain_dbi, turns=12, circumference_wl=1.0):
    return Antenna("A", "helix", gain_dbi=gain_dbi, turns=turns, circumference_wl=circumference_wl)


@pytest.mark.parametrize(
    ("gain_dbi", "verdict"),
    # 12 turns, C = 1: by the moment method 13.24 dBi, 1.5 dB either way (pitch not given: 14.86);
    # Kraus with 15: 16.12 dBi.
    [(13, "plausible"), (14.8, "plausible"), (15, "optimistic"), (16.2, "not credible")],
)
def test_dozen_turns(gain_dbi, verdict):
    rating = rate(helix(gain_dbi), F)
    assert rating.verdict == verdict
    assert rating.believed.value_db == pytest.approx(13.24, abs=0.01)
    assert "moment method" in rating.source


def test_a_dozen_turns_sold_as_15_dbi_is_the_old_kraus_arithmetic():
    # 12 C^2 N S at 12.5 deg gives 15 dBi at 11.9 turns (common practice, no source: sold as 15).
    assert rate(helix(15), F).verdict == "optimistic"


def test_circumference_not_given_leaves_a_range():
    rating = rate(helix(15.5, circumference_wl=None), F)
    assert rating.verdict == "plausible"
    assert rating.believed.value_db is None
    assert "unknown circumference" in rating.reason


def test_few_turns_and_off_its_optimum():
    # 3 turns: up to 10.75 dBi with the ground plates allowed for. 9 turns, C = 1.3: broken down.
    assert rate(helix(10.5, turns=3), F).verdict == "plausible"
    assert rate(helix(11.2, turns=3), F).verdict == "not credible"
    assert rate(helix(17, turns=9, circumference_wl=1.3), F).verdict == "optimistic"


@pytest.mark.parametrize(
    ("gain_dbi", "verdict"), [(23.0, "plausible"), (24.5, "optimistic"), (27.0, "not credible")]
)
def test_a_dish_is_judged_by_its_aperture(gain_dbi, verdict):
    # (pi D / wavelength)^2 (Balanis): a diameter of 0.3 m gives 25.2 dBi at most, 23.0 at 60 %.
    assert rate(Antenna("D", "dish", gain_dbi=gain_dbi, width_mm=300), F).verdict == verdict


@pytest.mark.parametrize(
    ("gain_dbi", "verdict"), [(11, "plausible"), (12.5, "optimistic"), (14, "not credible")]
)
def test_panel_by_its_area(gain_dbi, verdict):
    # 60 x 60 mm: 10.07 dBi at 60 % and 12.29 dBi at most.
    antenna = Antenna("P", "panel", gain_dbi=gain_dbi, width_mm=60, height_mm=60)
    assert rate(antenna, F).verdict == verdict


@pytest.mark.parametrize(
    ("gain_dbi", "verdict"), [(11.5, "plausible"), (13, "optimistic"), (14, "not credible")]
)
def test_beam_too_wide_for_the_gain(gain_dbi, verdict):
    # Kraus, 60 deg: 10.59 dBi.
    antenna = Antenna("P", "yagi", gain_dbi=gain_dbi, beamwidth_deg=60)
    assert rate(antenna, F).verdict == verdict


@pytest.mark.parametrize(
    ("gain_dbi", "verdict"), [(2.15, "plausible"), (5, "optimistic"), (9, "not credible")]
)
def test_dipole(gain_dbi, verdict):
    assert rate(Antenna("D", "dipole", gain_dbi=gain_dbi), F).verdict == verdict


def test_small_body_with_much_gain():
    # Harrington, radius 15 mm: 8.43 dBi.
    antenna = Antenna("S", "omni", gain_dbi=10, width_mm=30)
    rating = rate(antenna, F)
    assert rating.verdict == "optimistic"
    assert "Harrington" in rating.source


@pytest.mark.parametrize(
    ("antenna", "word"),
    [
        (Antenna("X"), "no rated gain"),
        (Antenna("X", gain_dbi=9), "neither beamwidth nor size"),
        (Antenna("X", "helix", gain_dbi=9), "turns"),
        (Antenna("X", "omni", gain_dbi=5), "omnidirectional"),
        (helix(9, turns=2), "outside 3 to 35"),
        (helix(17, turns=60), "outside 3 to 35"),
    ],
)
def test_what_can_not_be_judged_says_why(antenna, word):
    rating = rate(antenna, F)
    assert rating.verdict == "can't be judged"
    assert word in rating.reason


def test_long_helix_beyond_even_kraus():
    assert rate(helix(25, turns=60), F).verdict == "not credible"


def test_gain_to_believe_without_a_rating():
    assert rate(helix(None), F).believed.value_db == pytest.approx(13.24, abs=0.01)
    assert rate(Antenna("X"), F).believed is None
