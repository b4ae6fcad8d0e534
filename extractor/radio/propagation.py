"""What the way through the air does: path loss, noise, exposure.

Losses are positive decibels. Every formula names its source; one marked *from memory* has
not been compared with the text of that source. A formula asked outside the range it holds
for answers `NotValid` with the reason instead of a number.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

SPEED_OF_LIGHT_M_S = 299_792_458.0
BOLTZMANN_J_K = 1.380_649e-23
REFERENCE_TEMPERATURE_K = 290.0

PUBLIC_LIMIT_W_M2 = 10.0
"""General public, whole body, 30 min: 47 CFR 1.1310 (1 mW/cm2); ICNIRP 2020 from memory."""

REFLECTION_POWER_FACTOR = 2.56
"""Field raised 1.6 times by reflection from the ground: FCC OET Bulletin 65."""


@dataclass(frozen=True)
class NotValid:
    """Stands where a number would stand if the formula held: `reason` says why it doesn't."""

    reason: str


def wavelength_m(frequency_hz: float) -> float:
    """Wavelength in vacuum, in metres; 0.0517 m at 5.8 GHz."""
    return SPEED_OF_LIGHT_M_S / frequency_hz


def free_space_loss_db(distance_m: float, frequency_hz: float) -> float | NotValid:
    """Loss between isotropic antennas in free space, in dB.

    ``20 log10(4 pi d f / c)``. Source: Recommendation ITU-R P.525. Holds without obstacles
    and in the far field of both antennas.
    """
    ratio = 4 * math.pi * distance_m / wavelength_m(frequency_hz)
    if ratio <= 1:
        return NotValid(f"{distance_m:g} m is closer than the free-space formula reaches")
    return 20 * math.log10(ratio)


def far_field_distance_m(size_m: float, frequency_hz: float) -> float:
    """Distance from which gain means anything: ``2 D^2 / wavelength``, in metres.

    `size_m` is the antenna's largest dimension D. Source: IEEE Std 149 (from memory).
    """
    return 2 * size_m**2 / wavelength_m(frequency_hz)


def thermal_noise_dbm(bandwidth_hz: float, noise_figure_db: float = 0.0) -> float:
    """Noise power ``k T B`` at 290 K in dBm, raised by the receiver's noise figure.

    A lossy cable before the receiver adds its loss to the noise figure, dB for dB, when it
    is at 290 K (Friis' formula for the noise figure of a cascade).
    """
    noise_w = BOLTZMANN_J_K * REFERENCE_TEMPERATURE_K * bandwidth_hz
    return 10 * math.log10(noise_w / 1e-3) + noise_figure_db


def steepest_slope_mbit_s_per_db(bandwidth_hz: float) -> float:
    """Slope that Shannon's bound never exceeds, ``B log2(10) / 10``, one stream.

    A curve of bitrate over attenuation that falls faster shows a rate step or averaging,
    not the channel.
    """
    return bandwidth_hz * math.log2(10) / 10 / 1e6


def eirp_dbm(power_mw: float, gain_dbi: float) -> float:
    """Equivalent isotropically radiated power: transmitter power plus gain."""
    return 10 * math.log10(power_mw) + gain_dbi


def exposure_distance_m(eirp: float, *, with_reflection: bool = False) -> float:
    """Distance at which the main beam's power density falls to `PUBLIC_LIMIT_W_M2`, in metres.

    ``sqrt(EIRP / (4 pi S))``. Far field only: an orientation, not a clearance.

    Parameters
    ----------
    eirp
        Radiated power in **dBm**.
    with_reflection
        Multiply the power by 2.56 (1.6 times the distance), as FCC OET 65 does for a
        reflecting ground.
    """
    eirp_w = 10 ** (eirp / 10) * 1e-3
    factor = REFLECTION_POWER_FACTOR if with_reflection else 1.0
    return math.sqrt(factor * eirp_w / (4 * math.pi * PUBLIC_LIMIT_W_M2))
