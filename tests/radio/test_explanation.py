"""Expected against measured: when they disagree, and what is named first."""

import math
from dataclasses import replace

import pytest

from extractor.radio.discrepancies import Circumstances, Measured, judge, likely_causes
from extractor.radio.expectation import Transmitter, expected_difference
from extractor.radio.link_budget import Span
from extractor.session.antennas import Antenna

F = 5.8e9
SLAB = Antenna("Slab", "panel", "rhcp", gain_dbi=12, axial_ratio_db=1, beamwidth_deg=48)
COIL = Antenna(
    "Coil", "helix", "rhcp", gain_dbi=15, axial_ratio_db=1, turns=12, circumference_wl=1.0
)
OPEN_AIR = Circumstances(F, through_walls=False, distance_m=100, transmitter=Transmitter("rhcp", 1))


def judged(value, low, high, unit="dB", circumstances=OPEN_AIR, antenna=COIL):
    expected = expected_difference(antenna, SLAB, F, transmitter=circumstances.transmitter)
    return judge(expected, Measured(value, low, high, unit), antenna, SLAB, circumstances)


def titles(judgement):
    return [cause.title for cause in judgement.causes]


def test_ranges_that_meet_agree():
    found = judged(0.5, -1, 2)
    assert found.agreement == "agrees"
    assert found.causes == ()
    assert "does not contradict" in found.sentence


def test_bounds_count_as_what_they_are():
    assert judged(math.nan, 3.0, math.inf).agreement == "agrees"
    assert judged(math.nan, -math.inf, -9.0).agreement == "measured lower"
    assert judged(math.nan, math.nan, math.nan).agreement == "can't be told"


def test_in_its_own_unit_only_the_direction_can_disagree():
    strong = replace(COIL, turns=30, gain_dbi=16)
    assert judged(2.0, 1.0, 3.0, "Mbit/s", antenna=strong).agreement == "agrees"
    weak = replace(COIL, kind="dipole", gain_dbi=2.15, turns=None)
    assert judged(2.0, 1.0, 3.0, "Mbit/s", antenna=weak).agreement == "measured higher"
    assert judged(0.0, -1.0, 1.0, "Mbit/s", antenna=weak).agreement == "agrees"


def test_through_walls_scattering_and_the_spot_come_first():
    behind = replace(OPEN_AIR, through_walls=True, positions=1)
    found = judged(-6, -7, -5, circumstances=behind)
    assert found.agreement == "measured lower"
    assert titles(found)[:2] == ["scattered paths", "the spot"]
    assert "never condemns a rating" in found.causes[0].reason
    assert "the rating" in titles(found)[2:]


def test_in_the_open_the_rating_comes_before_the_spot():
    found = judged(-6, -7, -5)
    assert titles(found) == ["the rating", "aim", "the spot"]
    assert "12 turns" in found.causes[0].reason


def test_opposite_hands_are_named():
    wrong = replace(COIL, polarisation="lhcp")
    causes = likely_causes(wrong, SLAB, Span(2.0, 0, 4), OPEN_AIR)
    assert causes[0].title == "opposite hands"
    assert "lhcp" in causes[0].reason


def test_hands_differ_with_an_unknown_transmitter():
    unknown = replace(OPEN_AIR, transmitter=Transmitter())
    causes = likely_causes(replace(COIL, polarisation="lhcp"), SLAB, Span(2.0, 0, 4), unknown)
    assert causes[0].title == "hands differ"


def test_ceiling_of_the_antenna_that_did_too_little():
    # What it could do more does not show; the other antenna's ceiling would explain nothing.
    held = replace(OPEN_AIR, ceiling_share={"Coil": 0.6})
    assert likely_causes(COIL, SLAB, Span(2.0, 0, 4), held)[0].title == "ceiling"
    other = replace(OPEN_AIR, ceiling_share={"Slab": 0.6})
    assert "ceiling" not in [c.title for c in likely_causes(COIL, SLAB, Span(2, 0, 4), other)]


def test_other_ports_are_counted_and_no_port_is_terminated():
    # Brennan 1959: +9 dB on one of two ports shows as 6.5 dB, of four as 4.4 dB.
    for others, shown in ((1, "+6.5"), (3, "+4.4")):
        crowd = replace(OPEN_AIR, other_antennas=others)
        causes = {c.title: c.reason for c in likely_causes(COIL, SLAB, Span(9.0, 8, 10), crowd)}
        assert shown in causes["other ports"]
        assert "an antenna on every port that may transmit" in causes["other ports"]
        assert "terminate" not in causes["other ports"]


@pytest.mark.parametrize(("turned", "named"), [(frozenset(), True), (frozenset({"Coil"}), False)])
def test_narrow_beam_that_was_not_turned(turned, named):
    causes = likely_causes(COIL, SLAB, Span(2.0, 0, 4), replace(OPEN_AIR, turned=turned))
    assert ("aim" in [c.title for c in causes]) is named


def test_too_close_for_gain():
    # 2 D^2 / wavelength: 0.87 m for 0.15 m (IEEE Std 149, from memory).
    large = replace(COIL, width_mm=150)
    near = replace(OPEN_AIR, distance_m=0.5)
    causes = likely_causes(large, SLAB, Span(2.0, 0, 4), near)
    assert any(c.title == "too close" and "0.9 m" in c.reason for c in causes)


def test_long_cable():
    assert likely_causes(replace(COIL, cable_m=2.0), SLAB, Span(2, 0, 4), OPEN_AIR)[-1].title == (
        "cable"
    )
