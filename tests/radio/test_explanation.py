"""Ports, walls and unknowns of a session; when a measurement is a surprise, and its budget."""

import math
from dataclasses import replace
from types import SimpleNamespace

import pandas as pd
import pytest

from extractor.errors import TableError
from extractor.radio.causes import Measured
from extractor.radio.combining import own_difference_db
from extractor.radio.discrepancies import judge
from extractor.radio.expectation import Transmitter
from extractor.radio.situation import (
    Circumstances,
    Companion,
    companions_of,
    expected_difference,
)
from extractor.report.link_tables import EXPECTED_COLUMNS, expected_rows
from extractor.session.antennas import Antenna

F = 5.8e9
STRONG = Antenna(
    "Strong", "helix", "rhcp", gain_dbi=13, axial_ratio_db=0, beamwidth_deg=39, turns=12,
    circumference_wl=1.1, pointing_error_deg=0, connectors=0,
)  # fmt: skip
PLAIN = Antenna("Plain", "omni", "rhcp", gain_dbi=2, axial_ratio_db=0, connectors=0)
OTHER = Antenna("Other", "omni", "rhcp", gain_dbi=12, axial_ratio_db=0, connectors=0)
IN_THE_OPEN = Circumstances(F, in_sight=True, transmitter=Transmitter("rhcp", 0.0))


def with_ports(companion, count, about=IN_THE_OPEN):
    hung = (companion,) * count
    return replace(about, companions=dict.fromkeys(("Strong", "Plain", "Other"), hung))


def expected(antenna=STRONG, reference=PLAIN, about=IN_THE_OPEN):
    return expected_difference(antenna, reference, about)


def in_direct_wave(difference):
    return difference.middle["ports"]


# --- the ports that were connected ---------------------------------------------------------


def test_known_companions_count():
    # Brennan 1959: (13, 2) dBi with three 2 dBi companions +5.91 dB, with one +8.32;
    # a receiver that picks shows up to +11.0.
    stub = Companion("Plain", PLAIN)
    four = expected(about=with_ports(stub, 3))
    assert in_direct_wave(four) == pytest.approx(5.91, abs=0.005)
    assert in_direct_wave(expected(about=with_ports(stub, 1))) == pytest.approx(8.32, abs=0.005)
    assert in_direct_wave(expected()) == pytest.approx(11.0)
    assert four.ports.low_db < 5.91 < 11.0 < four.ports.high_db + 0.5


def test_reference_is_not_taken_for_a_companion():
    # 2 against 12 dBi with three 2 dBi companions: -5.12 dB (not -1.1, as among equals).
    found = expected(PLAIN, OTHER, with_ports(Companion("Plain", PLAIN), 3))
    assert in_direct_wave(found) == pytest.approx(-5.12, abs=0.005)


def test_same_antenna_on_every_port_dilutes_nothing():
    hung = {"Strong": (Companion("Strong", STRONG),) * 3, "Plain": (Companion("Plain", PLAIN),) * 3}
    found = expected(about=replace(IN_THE_OPEN, companions=hung))
    assert in_direct_wave(found) == pytest.approx(11.0)
    assert found.ports.low_db == pytest.approx(found.total.low_db)


def test_pads_in_the_other_lines_are_counted():
    # 10.85 dB among equals with 20 dB pads in three lines: 10.73.
    half = replace(PLAIN, gain_dbi=2.15)
    pads = Companion("Plain", half, 20.0)
    found = expected(STRONG, half, with_ports(pads, 3))
    assert in_direct_wave(found) == pytest.approx(10.73, abs=0.005)


def test_unknown_companion_widens_the_range_and_is_named():
    known = expected(about=with_ports(Companion("Plain", PLAIN), 1))
    found = expected(about=with_ports(Companion("Whatnot", None), 1))
    assert found.ports.value_db is None
    assert found.ports.low_db < known.ports.low_db
    assert any("no gain known of Whatnot" in note for note in found.notes)


def test_others_are_read_with_loads_pads_and_gaps():
    rows = [
        ("Strong", "Red", "Green=Plain (20 dB);Blue=load"),
        ("Plain", "Red", ""),
        ("Other", "Red", "Green=Mystery;Blue=plain"),
    ]
    runs = pd.DataFrame(rows, columns=["antenna", "port", "others"])
    found = companions_of(runs, [STRONG, PLAIN, OTHER])
    assert found["Strong"] == (Companion("Plain", PLAIN, 20.0),)
    assert [one.name for one in found["Plain"]] == ["what hung on Blue", "what hung on Green"]
    assert found["Other"] == (Companion("Mystery", None), Companion("Plain", PLAIN))


def test_likes_that_measure_alike_are_no_surprise_in_any_unit():
    twin = replace(STRONG, antenna="Twin")
    likely = expected(twin, STRONG)
    assert likely.total.low_db < 0 < likely.total.high_db
    for unit in ("dB", "Mbit/s"):
        alike = Measured(0.2, -1.0, 1.2, unit)
        assert judge(likely, alike, twin, STRONG, IN_THE_OPEN).agreement == "agrees"


# --- walls ----------------------------------------------------------------------------------


def test_walls_take_a_narrow_beam_its_lead():
    behind = expected(about=replace(IN_THE_OPEN, in_sight=False))
    open_air = expected()
    # At K = 0 a beam of 39 deg loses 7.4 dB and a dipole's ring 0.57 dB; at K = 1 less.
    assert behind.walls_step.low_db == pytest.approx(-(7.39 - 0.57), abs=0.05)
    assert behind.walls_step.high_db < open_air.walls_step.low_db < 0
    assert behind.here.low_db < behind.ports.low_db


def test_neither_walls_nor_sight_said_allows_both_and_asks():
    unsaid = expected(about=replace(IN_THE_OPEN, in_sight=None))
    for sight in (True, False):
        one = expected(about=replace(IN_THE_OPEN, in_sight=sight)).here
        assert unsaid.here.low_db <= one.low_db <= one.high_db <= unsaid.here.high_db
    assert any("line_of_sight" in note for note in unsaid.notes)


def test_opposite_hands_behind_walls_are_2_to_18_db():
    # 3GPP TR 38.901: 10 +- 4 dB; no direct wave.
    lefty = replace(PLAIN, antenna="Lefty", polarisation="lhcp", gain_dbi=2.0)
    about = replace(IN_THE_OPEN, swept_deg=(0.0, 0.0))
    here = expected(lefty, PLAIN, about).here
    assert here.high_db == pytest.approx(-2 + 4 + 1, abs=1.6)
    assert here.low_db < -15


def test_steps_add_to_what_is_expected_here():
    about = with_ports(Companion("Plain", PLAIN), 3, replace(IN_THE_OPEN, in_sight=False))
    found = expected(replace(STRONG, cable="2.5 dB/m", cable_m=2.0), about=about).middle
    steps = ("gain", "cable", "polarisation", "pointing", "mismatch", "walls_step", "ports_step")
    assert math.fsum(found[name] for name in steps) == pytest.approx(found["here"])


# --- surprises ------------------------------------------------------------------------------


def judged(value, low, high, unit="dB", about=IN_THE_OPEN, antenna=STRONG, told=None):
    difference = expected(antenna, about=about)
    return judge(difference, Measured(value, low, high, unit), antenna, PLAIN, about, told)


def names(judgement):
    return [cause.name for cause in judgement.causes]


def test_what_physics_expects_agrees():
    found = judged(11.0, 9, 13)
    assert (found.agreement, found.causes, found.left_over_db) == ("agrees", (), 0)


def test_bounds_count_as_what_they_are():
    assert judged(math.nan, 3.0, math.inf).agreement == "agrees"
    assert judged(math.nan, -math.inf, -9.0).agreement == "measured lower"
    assert judged(math.nan, math.nan, math.nan).agreement == "can't be told"


def test_true_ratings_with_companions_in_plain_view_leave_nothing_over():
    # Three companions make 5.9 dB of 11: no antenna "measured lower", and aim no suspect.
    found = judged(5.9, 4.9, 6.9, about=with_ports(Companion("Plain", PLAIN), 3))
    assert found.agreement == "explained"
    assert found.left_over_db == 0
    assert "aim" not in names(found)
    assert "the other ports (-" in found.sentence


@pytest.mark.parametrize("unit", ["dB", "Mbit/s"])
def test_an_interval_around_0_is_a_surprise_where_0_is_not_expected(unit):
    assert judged(0.0, -1.2, 1.2, unit).agreement == "measured lower"
    walled = with_ports(Companion("Plain", PLAIN), 3, replace(IN_THE_OPEN, in_sight=False))
    weak = replace(STRONG, cable="2.5 dB/m", cable_m=2.0)
    assert judged(0.0, -1.2, 1.2, unit, walled, weak).agreement == "explained"


def test_the_other_order_than_rated_is_a_surprise_in_any_unit():
    lossy = replace(STRONG, cable="14 dB")
    found = judged(-7.1, -10.2, -3.5, "Mbit/s", antenna=lossy)
    assert found.agreement == "explained"
    assert found.rated_db == 11
    assert found.sentence.startswith("Strong, rated 11.0 dB above Plain, measures 7.1 Mbit/s below")
    assert judged(7.1, 3.5, 10.2, "Mbit/s").agreement == "agrees"


def test_left_over_is_said_and_where_to_look_first():
    found = judged(-6, -7, -5)
    assert found.agreement == "measured lower"
    assert found.left_over_db == pytest.approx(-5 - found.expected.here.low_db)
    assert "at least are left over" in found.sentence
    assert "look at both centre contacts" in found.sentence
    assert {"connector", "body", "interference", "spot", "hand"} <= set(names(found))


def test_causes_are_sorted_by_what_they_could_explain():
    sizes = [abs(cause.size.value_db) for cause in judged(-6, -7, -5).causes]
    assert sizes == sorted(sizes, reverse=True)


def test_measured_higher_suspects_the_reference():
    weak = replace(PLAIN, antenna="Weak", gain_dbi=1.0)
    difference = expected(weak, STRONG)
    found = judge(difference, Measured(3.0, 2.0, 4.0, "dB"), weak, STRONG, IN_THE_OPEN)
    assert found.agreement == "measured higher"
    (swap,) = [cause for cause in found.causes if cause.name == "connector"]
    assert swap.size.value_db > 0
    assert "Weak on Strong's cable" in swap.clip


# --- the clip that tells ----------------------------------------------------------------------


def cause(judgement, name):
    return next(one for one in judgement.causes if one.name == name)


def test_predictions_of_the_clips():
    hung = with_ports(Companion("Plain", PLAIN), 3, replace(IN_THE_OPEN, in_sight=False))
    weak = replace(STRONG, cable="4.85 dB")
    found = judged(0.0, -1.2, 1.2, about=hung, antenna=weak)
    # The plain antenna on the suspect's cable of 4.85 dB, four equal ports: -0.80 dB.
    assert cause(found, "cable").if_so_db == pytest.approx(-0.80, abs=0.005)
    assert cause(found, "cable").if_not_db == 0
    alone = judged(0.0, -1.2, 1.2, about=replace(IN_THE_OPEN, in_sight=False), antenna=weak)
    assert cause(alone, "cable").if_so_db == pytest.approx(-4.85)
    # A beam of 39 deg turned by 30: -0.5 dB behind walls, -7.1 where it sees the transmitter.
    assert cause(alone, "walls").if_so_db == pytest.approx(-0.52, abs=0.005)
    assert cause(alone, "walls").if_not_db == pytest.approx(-7.10, abs=0.005)


def test_pad_in_the_tested_line_tells_how_the_receiver_uses_its_ports():
    equal = replace(PLAIN, antenna="Strong")
    for others, added, fading in ((1, "-3.01", "-1.8"), (3, "-1.25", "-0.6")):
        about = with_ports(Companion("Plain", PLAIN), others)
        found = judge(expected(equal, about=about), Measured(9, 8, 10, "dB"), equal, PLAIN, about)
        pad = cause(found, "ports")
        assert f"{pad.if_so_db:.2f}" == added
        assert pad.if_not_db == 0
        assert f"where they fade {fading}" in pad.clip
        assert "never transmits" in pad.clip


def test_a_clip_strikes_out_or_confirms():
    alone = replace(IN_THE_OPEN, in_sight=False)
    weak = replace(STRONG, cable="4.85 dB")
    told = {("plain", "cable"): Measured(-0.3, -1.0, 0.4, "dB")}
    struck = cause(judged(0.0, -1.2, 1.2, about=alone, antenna=weak, told=told), "cable")
    assert struck.excluded
    told = {("plain", "cable"): Measured(-4.5, -5.5, -3.5, "dB")}
    found = cause(judged(0.0, -1.2, 1.2, about=alone, antenna=weak, told=told), "cable")
    assert found.verdict.startswith("confirmed")
    told = {("plain", "cable"): Measured(-2.0, -6.0, 2.0, "dB")}
    found = cause(judged(0.0, -1.2, 1.2, about=alone, antenna=weak, told=told), "cable")
    assert found.verdict.startswith("not decided")


def test_without_a_calibration_only_a_clear_change_tells():
    alone, weak = replace(IN_THE_OPEN, in_sight=False), replace(STRONG, cable="4.85 dB")
    for shown, verdict in (((-3.0, -5.0, -1.0), "confirmed"), ((0.0, -1.0, 1.0), "not decided")):
        told = {("plain", "cable"): Measured(*shown, "Mbit/s")}
        found = cause(judged(0.0, -1.2, 1.2, "Mbit/s", alone, weak, told), "cable")
        assert found.verdict.startswith(verdict)


def test_a_turned_antenna_is_not_suspected_of_its_aim():
    turned = replace(IN_THE_OPEN, turned=frozenset({"Strong"}))
    found = judged(-6, -7, -5, about=turned, antenna=replace(STRONG, pointing_error_deg=None))
    assert cause(found, "aim").excluded


@pytest.mark.parametrize("on", ["Plain", "Strong"])
def test_ports_are_undone_by_the_clip_of_a_load(on):
    # 13 against 2 dBi among three of 2 dBi: 5.91 dB seen, 11.0 alone (Brennan 1959).
    three = 3 * 10**0.2
    own = 10 ** (0.2 if on == "Plain" else 1.3)
    load = 10 * math.log10(three / (three + own))
    about = with_ports(Companion("Plain", PLAIN), 3)
    told = {(on.casefold(), "ports"): Measured(load, load - 0.05, load + 0.05, "dB")}
    found = judged(5.908, 5.4, 6.4, about=about, told=told).own
    assert found.value_db == pytest.approx(11.0, abs=0.01)
    assert found.low_db < own_difference_db(5.4, 10 * math.log10(3 / 4)) + 0.5 < found.high_db


def test_too_close_for_gain():
    # 2 D^2 / wavelength: 0.87 m for 0.15 m (IEEE Std 149, from memory).
    large = replace(STRONG, width_mm=150)
    near = replace(IN_THE_OPEN, distance_m=0.5)
    assert "distance" in names(judged(-6, -7, -5, about=near, antenna=large))
    assert "distance" not in names(judged(-6, -7, -5, antenna=large))
    assert {"overload"} <= set(names(judged(-6, -7, -5, about=near)))


def test_the_sentence_asks_for_a_polarisation_that_is_not_given():
    blank = replace(STRONG, polarisation="")
    about = replace(IN_THE_OPEN, transmitter=Transmitter())
    for value, low, high in ((11.0, 9, 13), (-30, -31, -29), (math.nan,) * 3):
        assert judged(value, low, high, about=about, antenna=blank).sentence.endswith(
            "may hide 3 to 20 dB: fill antennas.csv."
        )
    assert "antennas.csv" not in judged(11.0, 9, 13).sentence


def test_the_table_carries_all_ranges_and_what_was_undone():
    about = with_ports(Companion("Plain", PLAIN), 3)
    load = Measured(10 * math.log10(3 / 4), -1.3, -1.2, "dB")
    one = judged(5.908, 5.4, 6.4, about=about, told={("plain", "ports"): load})
    report = SimpleNamespace(judgements=[one], expected=[one.expected], surprises=[one])
    (row,) = expected_rows(report)
    assert set(row) <= set(EXPECTED_COLUMNS)
    assert row["own_db"] == pytest.approx(11.0, abs=0.01)
    assert row["own_low_db"] < 11 < row["own_high_db"]
    assert row["ports_db"] == pytest.approx(5.91, abs=0.005)
    for name, span in (("expected", one.expected.total), ("here", one.expected.here)):
        assert (row[f"{name}_low_db"], row[f"{name}_high_db"]) == (span.low_db, span.high_db)
    assert row["left_over_db"] == 0
    assert row["check"].split("; ")[0] == one.causes[0].name


def test_a_receiver_with_too_many_ports_is_refused():
    others = ";".join(f"p{i}=Plain" for i in range(9))
    runs = pd.DataFrame({"antenna": ["Strong"], "port": ["a"], "others": [others]})
    with pytest.raises(TableError, match="more than 8 ports"):
        companions_of(runs, [STRONG, PLAIN])
    assert companions_of(runs.drop(columns="port"), [STRONG]) == {}
