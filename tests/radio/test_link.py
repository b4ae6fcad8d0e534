"""Link arithmetic against handbook values; tolerance 0.01 dB unless said.

*From memory*: the source's own text was not at hand.
"""

import math

import numpy as np
import pytest

from extractor.radio.link_budget import (
    DIPOLE_GAIN_DBI,
    Span,
    dish_envelope_gain_dbi,
    exactly,
    mismatch_loss_db,
    mismatch_uncertainty_db,
    pointing_loss_db,
    polarisation_factor,
    polarisation_loss_db,
    polarisation_loss_range_db,
    reflection_coefficient,
)
from extractor.radio.propagation import SPEED_OF_LIGHT_M_S, NotValid

DB = 0.01
LINEAR = math.inf


def test_worked_difference():
    # Own construction on the definitions of IEEE Std 145 (from memory): a helix of 13.0 dBic, same
    # hand, axial ratios 1 dB and 1 dB (worst 0.057), 2 m at 2.5 dB/m, 10 deg off a 36 deg beam,
    # against a dipole of 2.15 dBi without cable at 3.01 dB polarisation loss: 7.88 dB.
    pointing = pointing_loss_db(10, 36)
    polarisation = polarisation_loss_range_db(1, 1)[1] - polarisation_loss_db(0, LINEAR, 0)
    terms = [exactly(x) for x in (2 * 2.5, polarisation, pointing)]
    total = sum((exactly(0.0) - loss for loss in terms), start=exactly(13.0 - 2.15))
    assert total.value_db == pytest.approx(7.88, abs=DB)
    # With the same cable on both it cancels: 12.88 dB.
    assert (total + terms[0]).value_db == pytest.approx(12.88, abs=DB)


def test_span_adds_unknowns_at_their_worst():
    assert Span(1, 0, 3) - Span(2, 1, 4) == Span(-1, -4, 2)
    assert (Span(None, 0, 1) + exactly(2)) == Span(None, 2, 3)


def test_half_wave_dipole_from_its_pattern():
    # Pattern integral (Balanis): 2.151 dBi and a half-power width of 78.08 deg.
    theta = (np.arange(200_000) + 0.5) * math.pi / 200_000
    power = (np.cos(math.pi / 2 * np.cos(theta)) / np.sin(theta)) ** 2
    mean = float((power * np.sin(theta)).sum() * math.pi / 200_000) / 2
    assert 10 * math.log10(power.max() / mean) == pytest.approx(DIPOLE_GAIN_DBI, abs=DB)
    wide = np.degrees(theta[power >= power.max() / 2])
    assert wide.max() - wide.min() == pytest.approx(78.08, abs=0.01)


@pytest.mark.parametrize(("vswr", "loss_db"), [(1.5, 0.177), (2, 0.512), (3, 1.249)])
def test_mismatch_loss(vswr, loss_db):
    # -10 log(1 - Gamma^2); tables in any handbook (Pozar).
    assert mismatch_loss_db(reflection_coefficient(vswr)) == pytest.approx(loss_db, abs=0.001)


def test_two_mismatches():
    # 20 log(1 +- Gamma1 Gamma2), 2:1 against 2:1.
    third = reflection_coefficient(2)
    assert mismatch_uncertainty_db(third, third) == pytest.approx((-1.02, 0.92), abs=DB)


@pytest.mark.parametrize(
    ("tilt_deg", "loss_db"), [(15, 0.301), (30, 1.249), (45, 3.010), (60, 6.021), (75, 11.740)]
)
def test_linear_against_linear(tilt_deg, loss_db):
    # Squared cosine (Balanis; Stutzman; IEEE Std 145).
    assert polarisation_loss_db(LINEAR, LINEAR, tilt_deg) == pytest.approx(loss_db, abs=0.001)


@pytest.mark.parametrize("tilt_deg", [0, 20, 90])
def test_ideal_circular_against_linear(tilt_deg):
    assert polarisation_loss_db(0, LINEAR, tilt_deg) == pytest.approx(3.010, abs=0.001)


@pytest.mark.parametrize(
    ("axial_ratio_db", "least_db", "most_db"),
    [(1, 2.539, 3.539), (3, 1.764, 4.764), (10, 0.414, 10.414)],
)
def test_linear_against_elliptical(axial_ratio_db, least_db, most_db):
    # The printed tables of a WLAN outdoor guide agree at 3 dB (1.77, 4.77, rounded); it misprints
    # 6.54 for 3.54 at 1 dB.
    found = polarisation_loss_range_db(axial_ratio_db, LINEAR)
    assert found == pytest.approx((least_db, most_db), abs=0.001)


@pytest.mark.parametrize(
    ("ratios_db", "most_db"), [((1, 1), 0.057), ((2, 2), 0.228), ((3, 3), 0.508), ((3, 0), 0.125)]
)
def test_same_hand(ratios_db, most_db):
    least, most = polarisation_loss_range_db(*ratios_db)
    assert most == pytest.approx(most_db, abs=0.001)
    assert least == pytest.approx(most_db if 0 in ratios_db else 0, abs=0.001)


@pytest.mark.parametrize(("axial_ratio_db", "rejection_db"), [(1, 18.81), (3, 9.57)])
def test_opposite_hands(axial_ratio_db, rejection_db):
    least, _ = polarisation_loss_range_db(axial_ratio_db, axial_ratio_db, same_hand=False)
    assert least == pytest.approx(rejection_db, abs=DB)
    assert polarisation_loss_db(0, 0, 0, same_hand=False) == math.inf


def test_polarisation_equals_jones_vectors():
    # Independent route: squared inner product of Jones vectors.
    rng = np.random.default_rng(4)
    for _ in range(50):
        ratio_1, ratio_2 = rng.uniform(1, 20, 2)
        tilt, same = rng.uniform(0, 180), bool(rng.integers(2))
        first = np.array([ratio_1, 1j]) / math.hypot(ratio_1, 1)
        ellipse = np.array([ratio_2, 1j if same else -1j]) / math.hypot(ratio_2, 1)
        c, s = math.cos(math.radians(tilt)), math.sin(math.radians(tilt))
        second = np.array([[c, -s], [s, c]]) @ ellipse
        expected = abs(np.vdot(first, second)) ** 2
        found = polarisation_factor(ratio_1, ratio_2, tilt, same_hand=same)
        assert found == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    ("error_deg", "beamwidth_deg", "loss_db"),
    [(5, 36, 0.231), (10, 36, 0.926), (18, 36, 3.000), (20, 70, 0.980)],
)
def test_pointing(error_deg, beamwidth_deg, loss_db):
    # Form of Recommendation ITU-R F.1336.
    assert pointing_loss_db(error_deg, beamwidth_deg) == pytest.approx(loss_db, abs=0.001)


def test_pointing_against_a_cosine_power_pattern():
    # cos^n with a half-power width of 36 deg loses 0.918 dB at 10 deg.
    n = math.log(0.5) / math.log(math.cos(math.radians(18)))
    cosine_db = -10 * n * math.log10(math.cos(math.radians(10)))
    assert cosine_db == pytest.approx(0.918, abs=0.001)
    assert pointing_loss_db(10, 36) == pytest.approx(cosine_db, abs=0.3)


def test_pointing_outside_the_main_lobe_is_no_number():
    assert isinstance(pointing_loss_db(22, 36), NotValid)


@pytest.mark.parametrize(("angle_deg", "gain_dbi"), [(1, 38.14), (2, 32.57), (5, 20.17)])
def test_dish_f699(angle_deg, gain_dbi):
    # ITU-R F.699-7 vector: 40 dBi, 0.3 m, 27.25 GHz, computed there with c = 3e8 m/s.
    frequency_hz = 27.25e9 * SPEED_OF_LIGHT_M_S / 3e8
    found = dish_envelope_gain_dbi(angle_deg, 40, 0.3, frequency_hz)
    assert found == pytest.approx(gain_dbi, abs=DB)


def test_dish_refuses_what_f699_does_not_say():
    assert isinstance(dish_envelope_gain_dbi(60, 40, 0.3, 27.25e9), NotValid)
    assert isinstance(dish_envelope_gain_dbi(1, 10, 0.3, 27.25e9), NotValid)
