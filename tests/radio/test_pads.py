"""Pads in the receive lines are no pad at the transmitter: simulated links with interference."""

import math

import pandas as pd
import pytest

from extractor.radio.calibration import calibrate
from extractor.radio.calibration_findings import calibration_report
from extractor.radio.pads import line_pad_change_db, pad_place

STEPS = [0, 3, 6, 9, 12, 15]


@pytest.mark.parametrize(
    ("pad_db", "interference_db", "change_db"),
    # Signal over noise and interference, worked out by hand: a pad L in the lines turns
    # S / (N + I) into (S/L) / (N + I/L). Without interference nothing is lost.
    [(6, 10, 1.04), (15, 10, 5.78), (6, 6, 2.04), (6, -math.inf, 6.0)],
)
def test_what_a_pad_in_the_lines_takes_off(pad_db, interference_db, change_db):
    assert line_pad_change_db(pad_db, interference_db) == pytest.approx(change_db, abs=0.005)


def bitrate(signal_db, line_pad_db, interference_db):
    """A link that saturates at 40 Mbit/s over a smooth step."""
    noise = 1 + 10 ** ((interference_db - line_pad_db) / 10)
    ratio_db = signal_db - line_pad_db - 10 * math.log10(noise)
    return 40 / (1 + math.exp((6 - ratio_db) / 4))


def session(interference_db, places, others=()):
    """Antenna A stepped up and down at each place, `others` (name, weaker by) without a pad."""
    strong_db = 12 + 10 * math.log10(1 + 10 ** (interference_db / 10))
    rows = []
    for place, steps in places.items():
        for pad_db in (*steps, *steps[::-1]):
            sent = place == "transmitter"
            level = bitrate(strong_db - pad_db * sent, pad_db * (not sent), interference_db)
            rows.append(("A", pad_db, place, level))
    rows += [
        (name, 0, "", bitrate(strong_db - weaker_db, 0, interference_db))
        for name, weaker_db in others
        for _ in range(2)
    ]
    runs = pd.DataFrame(rows, columns=["antenna", "attenuation_db", "padded", "value"])
    wobble = [0.1 if i % 2 else -0.1 for i in range(len(runs))]
    return runs.assign(value=runs["value"] + wobble, order=range(len(runs)))


def told(runs):
    return [f.sentence for f in calibration_report(runs).findings if "pad_place" in f.kind]


def test_lines_and_transmitter_agree_without_interference():
    (sentence,) = told(session(-20, {"transmitter": STEPS, "all": [6]}))
    assert "no interference seen" in sentence
    (sentence,) = told(session(-20, {"all": STEPS, "transmitter": [6]}))
    assert "no interference seen" in sentence


def test_interference_shows_as_a_link_that_falls_too_little():
    (sentence,) = told(session(6, {"transmitter": STEPS, "all": [6]}))
    assert sentence.startswith("Pads of 6 dB in the lines against the same at the transmitter: +")
    assert "interference comes in" in sentence
    assert "too large" not in sentence
    (sentence,) = told(session(6, {"all": STEPS, "transmitter": [6]}))
    assert "interference comes in" in sentence
    assert "too large" in sentence


def test_the_curve_takes_one_place_the_transmitter_first():
    both = calibrate(session(10, {"all": STEPS, "transmitter": STEPS}), measure="value")
    alone = calibrate(session(10, {"transmitter": STEPS}), measure="value")
    assert pad_place(both.curve_runs) == "at the transmitter"
    assert both.curve.level[1:].tolist() == pytest.approx(alone.curve.level[1:].tolist())
    # Two steps at the transmitter make no curve.
    lines = calibrate(session(10, {"all": STEPS, "transmitter": [6]}), measure="value")
    assert pad_place(lines.curve_runs) == "in the receive lines"
    assert len(lines.other_runs) == 2
    # Nowhere enough: better a mixed curve, which says so, than none.
    mixed = calibrate(session(10, {"all": [0, 3], "transmitter": [6, 6]}), measure="value")
    assert pad_place(mixed.curve_runs) == "at both places"


def test_eleven_decibels_read_too_large_off_pads_in_the_lines_and_it_is_said():
    weaker = [("B", 11.0)]
    at_transmitter = calibration_report(session(10, {"transmitter": STEPS}, weaker))
    (row,) = at_transmitter.differences.to_dict("records")
    assert row["difference_db"] == pytest.approx(11.0, abs=0.3)
    assert told(session(10, {"transmitter": STEPS}, weaker)) == []
    in_lines = calibration_report(session(10, {"all": STEPS}, weaker))
    (row,) = in_lines.differences.to_dict("records")
    assert row["bound"] == "at least"
    assert row["low_db"] > 14
    (sentence,) = told(session(10, {"all": STEPS}, weaker))
    assert "interference 10 dB above the noise 15 dB act like 5.8" in sentence
    assert "Better one pad at the transmitter, within its power rating" in sentence


def test_the_curve_says_where_the_pads_were():
    for place, words in (("all", "in the receive lines"), ("transmitter", "at the transmitter")):
        findings = calibration_report(session(0, {place: STEPS})).findings
        (sentence,) = [f.sentence for f in findings if f.kind == "calibration"]
        assert sentence.startswith(f"Calibrated with A, pads {words}: from 0 to 15 dB")
