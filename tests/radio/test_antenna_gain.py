"""Gain formulas against textbook examples, pattern integrals and moment-method figures.

*From memory*: the source's own text was not at hand.
"""

import math

import numpy as np
import pytest
from scipy.integrate import trapezoid

from extractor.radio.antenna_gain import (
    FULL_SPHERE_DEG2,
    aperture_gain_dbi,
    effective_area_m2,
    helix_gain_dbi,
    helix_length_wl,
    implied_beamwidth_deg,
    kraus_directivity_dbi,
    kraus_helix_gain_dbi,
    normal_gain_dbi,
    practical_directivity_dbi,
)
from extractor.radio.propagation import NotValid, wavelength_m

F = 5.8e9
DB = 0.01
PITCH = 12.8


def tai_pereira_directivity_dbi(width_deg):
    """Directivity of a round beam, ``72 815 / (w1^2 + w2^2)``: Tai and Pereira 1976."""
    return 10 * math.log10(32 * math.log(2) * math.degrees(1) ** 2 / (2 * width_deg**2))


def test_constants():
    assert pytest.approx(41_252.96, abs=0.01) == FULL_SPHERE_DEG2


@pytest.mark.parametrize(
    ("width_deg", "kraus", "practical", "tai_pereira"),
    [(30, 16.61, 15.56, 16.07), (60, 10.59, 9.54, 10.05), (80, 8.09, 7.04, 7.55)],
)
def test_beamwidth_to_directivity(width_deg, kraus, practical, tai_pereira):
    # Kraus; 32 400 from memory; Tai and Pereira 1976.
    assert kraus_directivity_dbi(width_deg, width_deg) == pytest.approx(kraus, abs=DB)
    assert practical_directivity_dbi(width_deg, width_deg) == pytest.approx(practical, abs=DB)
    assert tai_pereira_directivity_dbi(width_deg) == pytest.approx(tai_pereira, abs=DB)


def test_formulas_lie_within_a_decibel_or_so_of_an_exact_pattern():
    # One-sided cos^4 (Kraus, example 2-3.1, rounds its width to 66 deg): exactly 10.00 dB.
    theta = np.radians(np.linspace(0, 90, 200_001))
    power = np.cos(theta) ** 4
    mean = trapezoid(power * np.sin(theta), theta) / 2
    exact_db = 10 * math.log10(1 / mean)
    width_deg = 2 * math.degrees(math.acos(0.5**0.25))
    assert (exact_db, width_deg) == pytest.approx((10.00, 65.53), abs=0.005)
    found = [
        kraus_directivity_dbi(width_deg, width_deg),
        practical_directivity_dbi(width_deg, width_deg),
        tai_pereira_directivity_dbi(width_deg),
    ]
    assert found == pytest.approx([9.83, 8.78, 9.28], abs=DB)


def test_wide_pattern_exceeds_kraus():
    # cos^2: 90 deg wide, exactly 7.78 dBi against 7.07, so it is no ceiling for wide beams.
    assert kraus_directivity_dbi(90, 90) == pytest.approx(7.07, abs=DB)


def test_width_implied_by_a_gain_inverts_kraus():
    assert kraus_directivity_dbi(*[implied_beamwidth_deg(15)] * 2) == pytest.approx(15)
    assert isinstance(implied_beamwidth_deg(2.15), NotValid)


def test_kraus_printed_example():
    # Kraus, example 8-5.2: 16 turns, C = 1, S = 0.25: 48 = 16.8 dBi.
    pitch_deg = math.degrees(math.atan(0.25))
    gain = kraus_helix_gain_dbi(16, 1, pitch_deg, constant=12)
    assert gain == pytest.approx(16.8, abs=0.05)
    assert 10 ** (gain / 10) == pytest.approx(48, abs=0.01)


TABLE = [
    # turns, C, Kraus 15, Kraus 12, moment method low, high
    (3, 1.0, 10.10, 9.13, 9.2, 10.7),
    (5, 1.0, 12.31, 11.35, 10.4, 11.7),
    (10, 1.1, 16.57, 15.60, 13.2, 13.9),
    (12, 1.0, 16.12, 15.15, 13.1, 14.1),
    (12, 1.1, 17.36, 16.39, 13.8, 14.4),
]


@pytest.mark.parametrize("row", TABLE)
def test_helix_formulas(row):
    # Kraus; the last two are other NEC-2 runs: 1 mm lossless wire over an infinite plane and
    # wire-grid discs of 0.8 and 1.2 wavelengths, whose own spread is about 0.5 dB.
    turns, c, kraus15, kraus12, low, high = row
    assert kraus_helix_gain_dbi(turns, c, PITCH) == pytest.approx(kraus15, abs=DB)
    assert kraus_helix_gain_dbi(turns, c, PITCH, constant=12) == pytest.approx(kraus12, abs=DB)
    assert low - 0.5 <= helix_gain_dbi(turns, c, PITCH).value_db <= high + 0.5


def test_kraus_overstates_a_dozen_turns():
    over = kraus_helix_gain_dbi(12, 1.0, PITCH) - 14.1, kraus_helix_gain_dbi(12, 1.0, PITCH) - 13.1
    assert over == pytest.approx((2.0, 3.0), abs=0.1)


@pytest.mark.parametrize(
    "answer",
    [
        kraus_helix_gain_dbi(2, 1, PITCH),
        kraus_helix_gain_dbi(10, 0.7, PITCH),
        kraus_helix_gain_dbi(10, 1.4, PITCH),
        kraus_helix_gain_dbi(10, 1, 11),
        kraus_helix_gain_dbi(10, 1, 16),
        aperture_gain_dbi(0.04, 0.1, F),
    ],
)
def test_outside_its_range_a_formula_gives_no_number(answer):
    assert isinstance(answer, NotValid)
    assert answer.reason


def test_size_of_a_dozen_turns():
    wavelength_mm = 1000 * wavelength_m(F)
    assert wavelength_mm / math.pi == pytest.approx(16.45, abs=0.01)
    assert wavelength_mm * math.tan(math.radians(PITCH)) == pytest.approx(11.74, abs=0.01)
    assert helix_length_wl(12, 1, PITCH) * wavelength_mm == pytest.approx(140.9, abs=0.1)


def test_aperture():
    # G = 4 pi A eta / wavelength^2 (Balanis; IEEE Std 145).
    found = [
        aperture_gain_dbi(side, side, F, efficiency=efficiency)
        for side, efficiency in ((0.06, 1), (0.06, 0.6), (0.1, 1), (0.1, 0.6))
    ]
    assert found == pytest.approx([12.29, 10.07, 16.72, 14.51], abs=DB)
    assert 1e6 * effective_area_m2(0, F) == pytest.approx(212.6, abs=0.1)
    assert 1e4 * effective_area_m2(15, F) == pytest.approx(67.23, abs=0.01)


def test_harrington():
    # Normal gain (ka)^2 + 2 ka, Harrington (from memory).
    found = [normal_gain_dbi(radius_m, F) for radius_m in (0.015, 0.030, 0.075)]
    assert found == pytest.approx([8.43, 13.14, 20.06], abs=DB)


@pytest.mark.parametrize(
    ("circumference_wl", "gain_dbi"),
    [(0.9, 11.4), (1.0, 12.0), (1.1, 13.0), (1.15, 13.1), (1.2, 13.3), (1.25, 12.9), (1.3, 11.5)],
)
def test_helix_of_nine_turns(circumference_wl, gain_dbi):
    # Another NEC-2 run: infinite plane, wire radius 0.01 wavelengths, pitch 12.8 deg, gain on the
    # axis corrected by the pattern's mean; the two runs differ in how they cut the wire.
    found = helix_gain_dbi(9, circumference_wl, PITCH)
    assert found.value_db == pytest.approx(gain_dbi, abs=0.3)
    spread = 1.5 if circumference_wl <= 1.2 else 3.0
    assert (found.high_db - found.value_db) == pytest.approx(spread)
    assert (found.value_db - found.low_db) == pytest.approx(spread)


def test_helix_far_above_its_band_has_its_beam_beside_the_axis():
    # The same run: 7.0 dBi at 1.40.
    assert helix_gain_dbi(9, 1.4, PITCH).value_db == pytest.approx(7.0, abs=1.1)


@pytest.mark.parametrize("row", TABLE)
def test_helix_table_agrees_with_earlier_runs(row):
    # NEC-2, 1 mm lossless wire over an infinite plane and wire-grid discs of 0.8 and 1.2
    # wavelengths; average-gain error up to 0.7 dB.
    turns, c, *_, low, high = row
    assert low - 0.5 <= helix_gain_dbi(turns, c, PITCH).value_db <= high


HELIX_RUNS = [
    (7, 1.03, 12.8, 11.60),
    (9, 0.97, 13.4, 11.72),
    (11, 1.12, 12.3, 14.03),
    (14, 0.88, 14.5, 12.15),
    (4.5, 1.07, 12.8, 10.43),
    (18, 1.02, 12.6, 14.89),
]


def test_helix_table_between_its_own_points():
    # Direct runs of tests/benchmarks/helix_gain.py.
    for turns, c, pitch, gain_dbi in HELIX_RUNS:
        assert helix_gain_dbi(turns, c, pitch).value_db == pytest.approx(gain_dbi, abs=0.25)


def test_unknown_circumference_and_pitch_give_a_range_and_no_figure():
    known = [helix_gain_dbi(9, c, 12.8) for c in (0.8, 0.9, 1.0, 1.1, 1.2)]
    unknown = helix_gain_dbi(9)
    assert unknown.value_db is None
    assert unknown.low_db <= min(one.low_db for one in known)
    assert unknown.high_db >= max(one.high_db for one in known)
    # Known circumference, unknown pitch: a figure, and room for 12 to 14 degrees.
    half = helix_gain_dbi(9, 1.0)
    assert half.value_db == helix_gain_dbi(9, 1.0, 12.8).value_db
    assert half.low_db == helix_gain_dbi(9, 1.0, 14).low_db < helix_gain_dbi(9, 1.0, 12.8).low_db


@pytest.mark.parametrize(
    "asked", [(2.9, 1, 13), (36, 1, 13), (9, 0.74, 13), (9, 1.41, 13), (9, 1, 11), (9, 1, 16)]
)
def test_helix_outside_the_table(asked):
    assert isinstance(helix_gain_dbi(*asked), NotValid)
