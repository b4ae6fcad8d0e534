"""Sentences of a calibration, above all where they must hedge."""

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from extractor.radio.calibration import calibrate
from extractor.radio.calibration_findings import (
    antennas_on_other_ports,
    at_common_attenuation,
    calibration_report,
    one_line_finding,
    pass_directions,
)

EXAMPLE = Path(__file__).parents[2] / "docs" / "examples" / "calibration"
STEPS = [0.0, 3, 6, 9, 12, 15]
LEVELS = [38.0, 36, 31, 22, 12, 5]


def session(*, back=0.0, levels=LEVELS, others="Green=A", padded="all", extra=()):
    """Steps up, then down again (shifted by `back`), then the other antennas."""
    up = [("A", a, b) for a, b in zip(STEPS, levels, strict=True)]
    down = [("A", a, b + back) for a, b in zip(STEPS[::-1], levels[::-1], strict=True)]
    runs = pd.DataFrame([*up, *down, *extra], columns=["antenna", "attenuation_db", "value"])
    wobble = np.where(np.arange(len(runs)) % 2, 0.2, -0.2)
    return runs.assign(
        value=runs["value"] + wobble, others=others, padded=padded, order=range(len(runs))
    )


def found(runs, kind):
    report = calibration_report(runs)
    return [f for f in report.findings if f.kind == kind]


def test_curve_is_described():
    (finding,) = found(session(extra=[("B", 0, 22), ("B", 0, 22)]), "calibration")
    assert "from 0 to 15 dB the link falls from 38.0 to 5.0 Mbit/s" in finding.sentence
    assert "fastest between 9 and 12 dB" in finding.sentence
    assert "link-equivalent dB at this site, not antenna gain" in finding.sentence
    assert "12 runs at 6 steps" in finding.how_we_know


def test_difference_is_called_link_equivalent_and_names_its_scope():
    (finding,) = found(session(extra=[("B", 0, 22), ("B", 0, 22)]), "difference_db")
    assert finding.sentence.startswith("A is 9.0 dB stronger than B (interval ")
    assert "link-equivalent dB at this site" in finding.sentence
    assert "these mountings only" in finding.how_we_know
    assert {q.unit for q in finding.numbers} == {"dB"}


@pytest.mark.parametrize(
    ("level", "words"),
    [
        (2.0, "A is at least 1"),
        (45.0, "B is at least as strong as A; how much stronger it may be, the curve can't say"),
        (37.9, "B is at most 1.6 dB weaker than A"),
    ],
)
def test_beyond_the_curve_only_bounds(level, words):
    (finding,) = found(session(extra=[("B", 0, level), ("B", 0, level)]), "difference_db")
    assert words in finding.sentence
    assert " dB stronger than B (interval" not in finding.sentence


def test_two_that_can_not_be_told_apart():
    extra = [("B", 0, 22), ("B", 0, 22), ("C", 0, 21.7), ("C", 0, 22.2)]
    sentences = [f.sentence for f in found(session(extra=extra), "difference_db")]
    assert any(s.startswith("B and C can't be told apart") for s in sentences)


def test_both_beyond_the_same_end():
    extra = [("B", 0, 1), ("B", 0, 1), ("C", 0, 2), ("C", 0, 2)]
    sentences = [f.sentence for f in found(session(extra=extra), "difference_db")]
    assert any("can't be told" in s and s.startswith("B against C") for s in sentences)


def test_pad_in_one_line_of_several_is_noticed():
    runs = session(padded="")
    (finding,) = one_line_finding(calibrate(runs, measure="value").curve_runs)
    assert "10 of 10 attenuated runs" in finding.sentence
    assert "equal pads in the lines of all ports" in finding.sentence
    assert "terminat" not in finding.sentence


@pytest.mark.parametrize(
    "others", ["", "Green=load", "Green=A (3 dB)", "Green=A (3 dB);Rear=none", None]
)
def test_padded_or_empty_other_lines_are_fine(others):
    runs = session(others=others, padded="")
    assert one_line_finding(calibrate(runs, measure="value").curve_runs) == []


def test_other_ports_are_read_from_their_column():
    assert antennas_on_other_ports("Green=Stub (6 dB); Rear=off;") == [("Green", "Stub (6 dB)")]
    assert antennas_on_other_ports(math.nan) == []


def test_directions():
    steps = np.array([0, 3, 6, 6, 3, 0.0])
    assert pass_directions(steps).tolist() == [1, 1, 1, -1, -1, -1]
    assert pass_directions(np.zeros(3)).tolist() == [0, 0, 0]
    assert pass_directions(np.array([0, 3, 0, 3.0])).tolist() == [1, 1, -1, 1]


def test_hysteresis_is_found_and_absent():
    (finding,) = found(session(back=-2.0), "calibration_hysteresis")
    assert finding.how_we_know.startswith("Mean of 6 steps")
    difference, _, high = (one.value for one in finding.numbers)
    assert difference == pytest.approx(-2.0, abs=0.5)
    assert high < 0
    assert "drifted while it was calibrated" in finding.sentence
    (finding,) = found(session(), "calibration_hysteresis")
    assert finding.sentence.startswith("No drift seen")
    assert finding.part == "appendix"


def test_without_order_hysteresis_is_asked_for():
    (finding,) = found(session().drop(columns="order"), "calibration_hysteresis")
    assert "Step up and then down again" in finding.sentence


def test_flat_tail_rise_and_impossible_slope():
    assert found(session(levels=[38, 36, 31, 22, 12, 11.5]), "calibration_flat_tail")
    assert not found(session(), "calibration_flat_tail")
    assert found(session(levels=[38, 30, 34, 22, 12, 5]), "calibration_rise")
    assert not found(session(), "calibration_rise")
    # Shannon's slope at 5 MHz is 1.66 Mbit/s per dB, at 20 MHz 6.64; the curve has 3.3.
    assert found(session().assign(width_mhz=5.0), "calibration_slope")
    assert not found(session().assign(width_mhz=20.0), "calibration_slope")


def test_single_runs_give_no_interval():
    runs = session().iloc[:6]
    extra = pd.DataFrame([("B", 0.0, 22.0)], columns=["antenna", "attenuation_db", "value"])
    (finding,) = found(pd.concat([runs, extra], ignore_index=True), "difference_db")
    assert "no interval can be given" in finding.sentence


def test_what_may_be_compared_in_its_own_unit():
    runs = session(extra=[("B", 3, 20), ("B", 3, 21), ("C", 3, 5), ("C", 0, 9)])
    kept = at_common_attenuation(runs)
    assert set(kept["attenuation_db"]) == {3.0}
    assert set(kept["antenna"]) == {"A", "B", "C"}
    turned = runs.assign(angle_deg=[None] * (len(runs) - 1) + [45])
    assert len(at_common_attenuation(turned)) == len(kept)
    plain = runs.drop(columns="attenuation_db")
    assert len(at_common_attenuation(plain)) == len(runs)


def test_comparison_sets_the_steps_apart_and_says_the_decibels():
    from extractor.pipeline import compare_sessions

    found = compare_sessions([EXAMPLE])
    # Calibration steps and turned runs are no runs of a comparison: all at 3 dB, straight ahead.
    assert set(found.runs["attenuation_db"]) == {"3"}
    kinds = [finding.kind for finding in found.findings]
    assert kinds.count("difference_db") == 6
    assert "calibration" in kinds
