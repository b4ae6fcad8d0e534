"""Best for what; and which of two scales to believe."""

import math

import pandas as pd
import pytest

from extractor.radio.aims import aim_findings
from extractor.radio.sweep import Sweep
from extractor.radio.two_scales import disagreements
from extractor.session.antennas import Antenna

NONE = Sweep(pd.DataFrame(columns=["antenna", "angle_deg", "attenuation_db", "level"]), (), {})


def sweep(levels):
    rows = [(name, a, 0.0, v) for (name, a), v in levels.items()]
    return NONE._replace(table=pd.DataFrame(rows, columns=NONE.table.columns))


def said(found):
    return [one.sentence for one in found]


def test_turned_antennas_are_named_ahead_and_to_the_side():
    levels = {("Dish", 0): 38.0, ("Dish", -60): 8.0, ("Dish", 60): 12.0}
    levels |= {("Stub", 0): 26.0, ("Stub", -60): 25.0, ("Stub", 60): 24.0}
    found = aim_findings(["Dish", "Stub"], (), sweep(levels), "Mbit/s", 5.8e9)
    assert said(found) == [
        "Straight ahead Dish reads most (38.0 Mbit/s), 60 deg to the side Stub (24.5 Mbit/s)."
    ]
    both = aim_findings(["Dish", "Stub"], (), sweep(levels | {("Dish", 60): 80.0}), "", 5.8e9)
    assert "Dish reads most straight ahead" in said(both)[0]


def test_without_a_turn_the_verdict_holds_straight_ahead():
    known = (Antenna("Dish", "panel", beamwidth_deg=30.0), Antenna("Stub", "dipole"))
    found = aim_findings(["Dish", "Stub", "Odd"], known, NONE, "Mbit/s", 5.8e9)
    assert said(found) == [
        "Only straight ahead was tried, so the verdict holds for that alone. By antennas.csv the "
        "beams are: Dish 30 deg. Stub hears all round."
    ]
    assert said(aim_findings(["A"], (), NONE, "", 5.8e9)) == [
        "Only straight ahead was tried, so the verdict holds for that alone."
    ]


def scales(told_apart, low, high, cut=()):
    pairs = pd.DataFrame([{"first": "Tile", "second": "Loop", "told_apart": told_apart}])
    row = {"antenna": "Loop", "reference": "Tile", "low_db": low, "high_db": high}
    return said(disagreements(pairs, pd.DataFrame([row]), cut, "Mbit/s"))


def test_where_both_scales_agree_nothing_is_said():
    assert scales(True, -9.0, -2.0) == []
    assert scales(False, -9.0, 2.0) == []
    assert scales(True, math.nan, math.nan) == []  # nothing is known in dB


@pytest.mark.parametrize(
    ("told", "low", "high", "cut", "sentence"),
    [
        (True, -16.9, 13.5, (), "Believe the Mbit/s: Tile is ahead of Loop; in dB"),
        (False, -9.0, -2.0, ("Tile",), "Believe the dB: Tile is stronger than Loop; in Mbit/s the"),
        (False, 2.0, 9.0, (), "Believe the Mbit/s: Tile and Loop can't be told apart;"),
        (True, 2.0, 9.0, (), "Believe neither yet: Tile reads more than Loop and is weaker in dB"),
    ],
)
def test_where_they_disagree_the_first_sentence_says_which_to_believe(
    told, low, high, cut, sentence
):
    (found,) = scales(told, low, high, cut)
    assert found.startswith(sentence)
    assert len(found.split()) <= 25
