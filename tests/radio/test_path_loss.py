"""Path arithmetic against ITU-R recommendations and FCC figures.

Tolerance 0.01 dB unless said. *From memory*: the source's own text was not at hand.
"""

import math

import pytest

from extractor.radio.link_budget import mismatch_loss_db
from extractor.radio.propagation import (
    SPEED_OF_LIGHT_M_S,
    NotValid,
    eirp_dbm,
    exposure_distance_m,
    far_field_distance_m,
    free_space_loss_db,
    steepest_slope_mbit_s_per_db,
    thermal_noise_dbm,
    wavelength_m,
)

F = 5.8e9
DB = 0.01


def test_wavelength():
    # c = 299 792 458 m/s is exact in the SI.
    assert wavelength_m(F) == pytest.approx(0.0516884, abs=1e-7)


@pytest.mark.parametrize(
    ("distance_m", "loss_db"), [(1, 47.716), (10, 67.716), (100, 87.716), (1000, 107.716)]
)
def test_free_space_p525(distance_m, loss_db):
    # Recommendation ITU-R P.525, exact form.
    assert free_space_loss_db(distance_m, F) == pytest.approx(loss_db, abs=DB)


def test_free_space_agrees_with_the_rounded_form_of_p525():
    # P.525 also prints 32.4 + 20 log f(MHz) + 20 log d(km): 67.669 dB at 10 m.
    rounded = 32.4 + 20 * math.log10(5800) + 20 * math.log10(0.010)
    assert rounded == pytest.approx(67.669, abs=0.001)
    assert free_space_loss_db(10, F) == pytest.approx(rounded, abs=0.05)


def test_twice_the_distance_costs_six_db():
    assert free_space_loss_db(20, F) - free_space_loss_db(10, F) == pytest.approx(6.021, abs=DB)


def test_free_space_refuses_to_reach_into_the_antenna():
    assert isinstance(free_space_loss_db(0.003, F), NotValid)


def test_friis_with_mismatch():
    # GATE EC-2016, question 63: 2 W, reflections 0.15 and 0.18, 18 and 22 dB; published 2.99 mW.
    # The distance of 200 wavelengths is from memory.
    distance_m = 200 * wavelength_m(F)
    received_dbm = eirp_dbm(2000, 18) - free_space_loss_db(distance_m, F) + 22
    received_dbm -= mismatch_loss_db(0.15) + mismatch_loss_db(0.18)
    assert 10 ** (received_dbm / 10) == pytest.approx(2.995, abs=0.006)


@pytest.mark.parametrize(("size_m", "distance_m"), [(0.10, 0.387), (0.15, 0.871)])
def test_far_field(size_m, distance_m):
    # 2 D^2 / wavelength, IEEE Std 149 (from memory).
    assert far_field_distance_m(size_m, F) == pytest.approx(distance_m, abs=0.001)


def test_thermal_noise():
    # k T B at 290 K: -173.975 dBm/Hz.
    assert thermal_noise_dbm(1) == pytest.approx(-173.975, abs=0.001)
    noise = [thermal_noise_dbm(width) for width in (10e6, 20e6, 40e6)]
    assert noise == pytest.approx([-103.98, -100.96, -97.95], abs=DB)


def test_cable_before_the_receiver_adds_to_its_noise_figure():
    # Friis 1944, cascade at 290 K: F = L + L (F2 - 1); loss 5.4 dB, noise figure 6 dB: 11.40 dB.
    loss, factor = 10**0.54, 10**0.6
    cascade_db = 10 * math.log10(loss + loss * (factor - 1))
    assert cascade_db == pytest.approx(11.40, abs=DB)
    assert thermal_noise_dbm(1, 5.4 + 6) - thermal_noise_dbm(1) == pytest.approx(cascade_db, abs=DB)


def shannon_capacity_mbit_s(bandwidth_hz, snr_db):
    """Upper bound of any rate in a channel, ``B log2(1 + SNR)``: Shannon 1948."""
    return bandwidth_hz * math.log2(1 + 10 ** (snr_db / 10)) / 1e6


def test_steepest_slope_is_the_limit_of_shannons_bound():
    assert steepest_slope_mbit_s_per_db(20e6) == pytest.approx(6.644, abs=0.001)
    assert steepest_slope_mbit_s_per_db(10e6) == pytest.approx(3.322, abs=0.001)
    steep = shannon_capacity_mbit_s(20e6, 61) - shannon_capacity_mbit_s(20e6, 60)
    assert steep == pytest.approx(steepest_slope_mbit_s_per_db(20e6), abs=0.001)


@pytest.mark.parametrize(
    ("power_mw", "gain_dbi", "distance_cm"),
    [(25, 0, 1.41), (1000, 0, 8.92), (200, 12, 15.88), (1000, 12, 35.51)],
)
def test_exposure_distance(power_mw, gain_dbi, distance_cm):
    # Limit 10 W/m2 = 1 mW/cm2 for the general public: 47 CFR 1.1310.
    distance_m = exposure_distance_m(eirp_dbm(power_mw, gain_dbi))
    assert 100 * distance_m == pytest.approx(distance_cm, abs=0.06)


def test_reflection_raises_the_distance_1_6_times():
    # FCC OET Bulletin 65: 2.56 in power.
    ratio = exposure_distance_m(30, with_reflection=True) / exposure_distance_m(30)
    assert ratio == pytest.approx(1.6)


def test_eirp():
    assert eirp_dbm(200, 12) == pytest.approx(35.0, abs=0.02)  # printed with one decimal
    assert eirp_dbm(1, 12) - eirp_dbm(1, 2.15) == pytest.approx(9.85)
    # 25 mW EIRP through 12 dBi leaves 1.98 dBm for the transmitter.
    assert 10 * math.log10(25) - 12 == pytest.approx(1.98, abs=DB)
    assert eirp_dbm(10**0.198, 12) == pytest.approx(10 * math.log10(25), abs=DB)


def test_speed_of_light_is_exact():
    assert SPEED_OF_LIGHT_M_S == 299_792_458
