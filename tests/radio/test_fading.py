"""Fading over centimetres, against simulated channels and a power correlation written out."""

import math

import numpy as np
import pytest
from command_line import run

from extractor.errors import UsageError
from extractor.radio.fading import (
    OFFICE_DELAY_SPREAD_S,
    SLIDE_M,
    SPOT_DISTANCE_MM,
    fading_sd_db,
    independent_fades,
    spots_needed,
    spots_told,
)

WAVELENGTH_MM = 299_792_458 / 5.8e9 * 1000


def test_delay_spread_of_an_office_without_line_of_sight():
    # 3GPP TR 38.901, table 7.5-6: lg DS = -0.28 lg(1 + f) - 7.173, f = 6 GHz (from memory).
    assert 10 ** (-0.28 * math.log10(7) - 7.173) == pytest.approx(OFFICE_DELAY_SPREAD_S, rel=0.005)


@pytest.mark.parametrize(
    ("ports", "width_mhz", "fades", "sd_db", "spots", "by_t"),
    [
        (1, 10, 1.56, 4.1, 33, 34),
        (1, 20, 2.35, 3.2, 20, 21),
        (1, 40, 3.96, 2.3, 11, 12),
        (4, 20, 9.4, 1.45, 5, 6),
    ],
)
def test_spread_and_spots(ports, width_mhz, fades, sd_db, spots, by_t):
    # sd = 4.343 sqrt(psi'(M)); n = 2 (1.96 sd / 2)^2 for +- 2 dB: recomputed independently.
    found = ports * independent_fades(width_mhz * 1e6, OFFICE_DELAY_SPREAD_S)
    assert found == pytest.approx(fades, abs=0.02)
    assert fading_sd_db(found) == pytest.approx(sd_db, abs=0.05)
    assert spots_needed(2, fading_sd_db(found)) == spots
    assert spots_needed(2, fading_sd_db(found), estimated=True) == by_t


def test_rayleigh_scatters_by_5_57_db():
    # 4.343 pi / sqrt(6): the logarithm of an exponential (Gumbel).
    assert fading_sd_db(1) == pytest.approx(5.57, abs=0.005)


def test_number_of_fades_against_simulated_channels():
    # Exponential power delay profile, complex Gaussian taps every 4 ns, mean power over 20 MHz.
    rng = np.random.default_rng(3)
    delay_s = 4e-9 * np.arange(100)
    tap = np.sqrt(np.exp(-delay_s / OFFICE_DELAY_SPREAD_S))
    frequency_hz = np.linspace(0, 20e6, 41)
    turning = np.exp(-2j * np.pi * np.outer(delay_s, frequency_hz))
    taps = tap * (rng.standard_normal((4000, 100)) + 1j * rng.standard_normal((4000, 100)))
    power = (np.abs(taps @ turning) ** 2).mean(axis=1)
    assert power.mean() ** 2 / power.var() == pytest.approx(
        independent_fades(20e6, OFFICE_DELAY_SPREAD_S), rel=0.1
    )
    # The gamma distribution with this variance has too many deep fades: it errs on the safe side.
    formula_db = fading_sd_db(independent_fades(20e6, OFFICE_DELAY_SPREAD_S))
    assert 0.85 * formula_db < (10 * np.log10(power)).std() < formula_db


def correlation(distance_mm, axis, width_deg):
    """Of the field at two spots: Gaussian beam, TR 38.901's office without line of sight."""
    around = np.radians(np.linspace(-180, 180, 241))
    up = np.radians(np.linspace(-90, 90, 121))
    azimuth, elevation = np.meshgrid(around, up)
    off = np.arccos(np.clip(np.cos(elevation) * np.cos(azimuth), -1, 1))
    spread = [math.radians(x) for x in (58.9, 18.2, width_deg / math.sqrt(8 * math.log(2)))]
    weight = np.exp(
        -((azimuth / spread[0]) ** 2 + (elevation / spread[1]) ** 2 + (off / spread[2]) ** 2) / 2
    )
    along = {
        "along": np.cos(elevation) * np.cos(azimuth),
        "sideways": np.cos(elevation) * np.sin(azimuth),
        "up": np.sin(elevation),
    }[axis]
    phase = np.exp(2j * math.pi * distance_mm / WAVELENGTH_MM * along)
    return (weight * phase).sum() / weight.sum()


def power_correlation(distance_mm, axis, width_deg):
    return abs(correlation(distance_mm, axis, width_deg)) ** 2


@pytest.mark.parametrize(
    ("distance_mm", "axis", "least", "most"),
    [(26, "along", 0.3, 0.75), (SPOT_DISTANCE_MM, "sideways", 0.92, 0.97)],
)
@pytest.mark.parametrize("width_deg", [37, 75])
def test_an_interval_over_three_spots_holds_only_where_they_are_independent(
    distance_mm, axis, least, most, width_deg
):
    # Rayleigh fading; its mean in dB is 10 lg(e) times minus Euler's constant below the mean power.
    near, far = (correlation(k * distance_mm, axis, width_deg) for k in (1, 2))
    joint = np.array(
        [[1, near.conj(), far.conj()], [near, 1, near.conj()], [far, near, 1]], complex
    )
    values, vectors = np.linalg.eigh(joint)
    drawn = np.random.default_rng(5).standard_normal((2, 3, 20_000)) / math.sqrt(2)
    field = vectors * np.sqrt(np.clip(values, 0, None)) @ (drawn[0] + 1j * drawn[1])
    level_db = 20 * np.log10(abs(field))
    half_db = 4.303 * level_db.std(axis=0, ddof=1) / math.sqrt(3)  # t table, 2 degrees of freedom
    off_db = level_db.mean(axis=0) + 10 * math.log10(math.e) * np.euler_gamma
    assert least < (abs(off_db) < half_db).mean() < most


@pytest.mark.parametrize("width_deg", [37, 48, 75])
def test_spots_are_independent_sideways_and_up_but_not_along_the_path(width_deg):
    assert SPOT_DISTANCE_MM >= 2 * WAVELENGTH_MM
    for axis in ("sideways", "up"):
        assert power_correlation(SPOT_DISTANCE_MM, axis, width_deg) < 0.01
    assert power_correlation(SPOT_DISTANCE_MM, "along", width_deg) > 0.2
    # Half a wavelength is too little in every direction, least of all along the path.
    assert power_correlation(26, "along", width_deg) > 0.8
    assert power_correlation(26, "up", width_deg) > 0.4


def test_a_slide_is_forty_wavelengths_long():
    # Lee 1985 (from memory).
    assert pytest.approx(2.07, abs=0.005) == SLIDE_M


def test_what_is_told():
    text = " ".join(spots_told(2, None, 1))
    for word in (
        "33 spots",
        "20 spots",
        "11 spots",
        "104 mm",
        "never along",
        "2.07 m",
        "orders of",
    ):
        assert word in text
    assert "10 MHz" not in " ".join(spots_told(2, 20, 1))
    assert "5 spots" in " ".join(spots_told(2, 20, 4))
    with pytest.raises(UsageError, match="or more"):
        spots_told(0, 20, 1)


def test_the_command_takes_the_channel_of_the_session_and_the_ports(tmp_path):
    assert "11 spots" in run("plan", "--spots", 2)[1]
    (tmp_path / "session.toml").write_text("width_mhz = 20\n")
    code, told, _ = run("plan", tmp_path, "--spots", 2, "--ports", "P,Q,R,S")
    assert code == 0
    assert told.splitlines()[0].startswith("Behind walls, equal antennas on 4 ports")
    assert "  20 MHz: spots differ by 1.5 dB (sd); 5 spots" in told
    assert "10 MHz" not in told
    assert run("plan", "--spots", 0)[0] == 2
