"""Expected differences: the worked case, and the range that unknowns leave."""

import math
from dataclasses import replace

import pytest

from extractor.radio.expectation import (
    Transmitter,
    gain_span,
    mismatch_span,
    pointing_span,
    polarisation_span,
)
from extractor.radio.link_budget import exactly
from extractor.radio.situation import Circumstances, expected_difference, expected_differences
from extractor.session.antennas import Antenna

F = 5.8e9
HELIX = Antenna(
    "A", "helix", "rhcp", "2.5 dB/m", 13.0, 1.0, 36.0, cable_m=2.0, pointing_error_deg=10.0,
    connectors=0,
)  # fmt: skip
DIPOLE = Antenna("B", "dipole", "vertical", gain_dbi=2.15, cable_m=0.0, connectors=0)
SENDER = Transmitter("rhcp", 1.0)


def difference(a, b, transmitter=SENDER, frequency_hz=F):
    return expected_difference(a, b, Circumstances(frequency_hz, transmitter=transmitter))


def test_worked_difference_with_its_range():
    # Own construction (see test_link.py): 7.41 to 8.46 dB over the unknown tilt of the ellipses,
    # and 1 dB on each of two plausible ratings.
    found = difference(HELIX, DIPOLE)
    assert found.total.low_db == pytest.approx(7.41 - 2, abs=0.01)
    assert found.total.high_db == pytest.approx(8.46 + 2, abs=0.01)
    assert found.total.low_db < found.total.value_db < found.total.high_db
    assert found.cable == exactly(-5.0)
    assert found.pointing.value_db == pytest.approx(-0.926, abs=0.001)


def test_the_same_cable_cancels():
    same = replace(DIPOLE, cable="2.5 dB/m", cable_m=2.0)
    found = difference(HELIX, same)
    assert found.cable.value_db == 0
    # 12.88 dB by the worked case, which takes the worst same-hand loss; here the middle.
    assert found.total.value_db == pytest.approx(12.88, abs=0.04)


def test_opposite_hands_are_never_infinite():
    found = polarisation_span(replace(HELIX, polarisation="lhcp"), SENDER)
    assert (found.value_db, found.low_db, found.high_db) == (15.0, 10.0, 20.0)
    # Axial ratios of 3 dB reject by 9.57 dB only, less than the 10 dB of practice.
    poor = polarisation_span(
        replace(HELIX, polarisation="lhcp", axial_ratio_db=3), Transmitter("rhcp", 3)
    )
    assert poor.low_db == pytest.approx(9.57, abs=0.01)


def test_circular_of_unknown_hand_may_be_either():
    found = polarisation_span(replace(HELIX, polarisation="circular"), SENDER)
    assert found.value_db is None
    assert found.low_db == pytest.approx(0, abs=0.01)
    assert found.high_db == 20


def test_crossed_and_parallel_linear():
    vertical = Transmitter("vertical")
    assert polarisation_span(DIPOLE, vertical).value_db == 0
    assert polarisation_span(replace(DIPOLE, polarisation="horizontal"), vertical).value_db == 15
    assert polarisation_span(replace(DIPOLE, polarisation="linear"), vertical).value_db is None


def test_unknown_transmitter_widens_only_where_it_matters():
    unknown = Transmitter()
    alike = difference(HELIX, replace(HELIX, antenna="C"), unknown)
    assert alike.polarisation == exactly(0.0)
    assert not any("polarisation" in note for note in alike.notes)
    found = difference(HELIX, DIPOLE, unknown).polarisation
    assert found.value_db is None
    assert found.low_db < -1
    assert found.high_db > 1


@pytest.mark.parametrize("said", ["", "circular", "linear"])
def test_what_is_half_said_of_polarisation_is_unknown(said):
    # Two antennas that say no hand, or no direction, may differ by 10 to 20 dB: never +0.0.
    first, second = (replace(HELIX, antenna=name, polarisation=said) for name in "AB")
    found = difference(first, second, Transmitter())
    assert found.polarisation.value_db is None
    assert found.total.value_db is None
    assert found.polarisation.low_db == pytest.approx(-20, abs=0.1)
    assert found.polarisation.high_db == pytest.approx(20, abs=0.1)
    assert sum("3 to 20 dB; write it" in note for note in found.notes) == 3


def test_transmitter_of_unknown_hand_is_one_and_the_same_for_both():
    found = difference(HELIX, replace(HELIX, antenna="C"), Transmitter("circular", 1.0))
    assert found.polarisation == exactly(0.0)


def test_rating_that_cant_be_judged_is_not_trusted_to_1_db():
    notes = []
    found = gain_span(Antenna("X", "omni", gain_dbi=5.0), F, 1.0, notes)
    assert (found.low_db, found.high_db) == (2.0, 6.0)
    assert "can't be judged" in notes[0]


def test_aim_not_given_is_allowed_for():
    found = pointing_span(replace(HELIX, pointing_error_deg=None), F, [])
    assert (found.value_db, found.low_db) == (0.0, 0.0)
    assert found.high_db == pytest.approx(0.926, abs=0.001)


def test_aim_beside_the_main_lobe_gives_a_bound():
    found = pointing_span(replace(HELIX, pointing_error_deg=40.0), F, [])
    assert found.value_db is None
    assert found.low_db == pytest.approx(12 * 0.36)


def test_dish_is_judged_by_its_own_pattern():
    # F.699 main lobe: 2.5e-3 (D angle / wavelength)^2.
    dish = Antenna("D", "dish", gain_dbi=25.0, width_mm=400, pointing_error_deg=4.0)
    expected_db = 2.5e-3 * (0.4 / 0.0516884 * 4.0) ** 2
    assert pointing_span(dish, F, []).value_db == pytest.approx(expected_db, abs=0.01)


def test_omnidirectional_needs_no_aim():
    assert pointing_span(replace(DIPOLE, pointing_error_deg=30.0), F, []) == exactly(0.0)


def test_mismatch_with_its_uncertainty():
    # VSWR 2: 0.512 dB; against a receiver of VSWR 2 another -0.92 to +1.02 dB.
    found = mismatch_span(replace(HELIX, vswr=2.0), F, [])
    assert found.value_db == pytest.approx(0.512, abs=0.001)
    assert (found.low_db, found.high_db) == pytest.approx((-0.41, 1.53), abs=0.01)


def test_doubted_rating_is_replaced_and_said():
    notes = []
    sold = Antenna("Coil", "helix", gain_dbi=15.0, turns=12, circumference_wl=1.0, pitch_deg=12.8)
    found = gain_span(sold, F, 1.0, notes)
    # The moment method's 13.24 dBi (NEC-2 table, tests/benchmarks/helix_gain.py).
    assert found.value_db == pytest.approx(13.24, abs=0.01)
    assert found.high_db == 15.0
    assert "15 dBi, not taken (optimistic)" in notes[0]


def test_helix_of_unknown_circumference_has_no_single_figure():
    found = gain_span(Antenna("Coil", "helix", turns=9), F, 1.0, [])
    assert found.value_db is None
    assert found.low_db < 10 < 14 < found.high_db


def test_unknown_gain_is_no_number():
    found = difference(Antenna("X"), DIPOLE)
    assert found.total.value_db is None
    assert math.isinf(found.total.low_db)
    assert any("no gain" in note for note in found.notes)


def test_every_antenna_but_the_reference():
    found = expected_differences([HELIX, DIPOLE], DIPOLE, F)
    assert [(one.antenna, one.reference) for one in found] == [("A", "B")]
