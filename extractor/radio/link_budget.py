"""Radio arithmetic between two antennas: mismatch, polarisation, pointing, path, exposure.

Knows nothing of clips, series or comparisons. Losses are positive decibels. Every formula
names its source; *from memory* means that the text of the source was not at hand. A formula
asked outside the range it holds for answers `NotValid` with the reason, never a number.
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

DIPOLE_GAIN_DBI = 2.151
"""Half-wave dipole: dBd = dBi - 2.15 (pattern integral)."""


@dataclass(frozen=True)
class NotValid:
    """Stands where a number would stand if the formula held: `reason` says why it doesn't."""

    reason: str


@dataclass(frozen=True)
class Span:
    """A quantity in dB with the range that unknowns leave.

    Attributes
    ----------
    value_db
        Best single figure; None where only the range can be stated.
    low_db, high_db
        Ends of the range, ``low_db <= high_db``; infinite where there is no end.
    """

    value_db: float | None
    low_db: float
    high_db: float

    def __sub__(self, other: Span) -> Span:
        """Difference with every unknown at its worst at once (linear, not root-sum-square)."""
        known = self.value_db is not None and other.value_db is not None
        value = self.value_db - other.value_db if known else None  # type: ignore[operator]
        return Span(value, self.low_db - other.high_db, self.high_db - other.low_db)

    def times(self, factor: float) -> Span:
        """Multiply value and range by a factor of 0 and more."""
        value = None if self.value_db is None else factor * self.value_db
        return Span(value, factor * self.low_db, factor * self.high_db)

    def at(self, sign: int) -> float:
        """Low end (-1), high end (+1) or best figure; NaN where there is none."""
        if sign:
            return self.low_db if sign < 0 else self.high_db
        middle = (self.low_db + self.high_db) / 2 if self.value_db is None else self.value_db
        return middle if math.isfinite(middle) else math.nan


def exactly(value_db: float) -> Span:
    """Span without width."""
    return Span(value_db, value_db, value_db)


# --- mismatch -----------------------------------------------------------------------------


def reflection_coefficient(vswr: float) -> float:
    """Magnitude of the reflection coefficient, 0 to 1, of a standing wave ratio (>= 1)."""
    return (vswr - 1) / (vswr + 1)


def mismatch_loss_db(reflection: float) -> float:
    """Power that a mismatch turns back, ``-10 log10(1 - |Gamma|^2)``, in dB."""
    return -10 * math.log10(1 - reflection**2)


def mismatch_uncertainty_db(reflection_1: float, reflection_2: float) -> tuple[float, float]:
    """Lowest and highest change in dB when two mismatches meet over a line of unknown length.

    ``20 log10(1 -+ |Gamma_1 Gamma_2|)``: the usual formula of power measurement.
    """
    product = reflection_1 * reflection_2
    return 20 * math.log10(1 - product), 20 * math.log10(1 + product)


# --- polarisation -------------------------------------------------------------------------


def polarisation_factor(
    axial_ratio_1: float, axial_ratio_2: float, tilt_deg: float, *, same_hand: bool = True
) -> float:
    """Share of the power that passes between two polarisations, 0 to 1.

    Squared product of the polarisation vectors, written with axial ratios (Balanis; Stutzman;
    IEEE Std 145).

    Parameters
    ----------
    axial_ratio_1, axial_ratio_2
        Voltage ratios >= 1; 1 is circular, infinite is linear.
    tilt_deg
        Angle between the long axes of the two ellipses.
    same_hand
        Whether both turn the same way; of no matter when one is linear.
    """
    inverse_1, inverse_2 = 1 / axial_ratio_1, 1 / axial_ratio_2
    sign = 1 if same_hand else -1
    # Divided through by r1^2 r2^2, so that a linear antenna (infinite r) needs no special case.
    a1, a2 = inverse_1**2, inverse_2**2
    turning = 4 * inverse_1 * inverse_2
    tilting = (a1 - 1) * (a2 - 1) * math.cos(math.radians(2 * tilt_deg))
    product = (a1 + 1) * (a2 + 1)
    return max(0.0, (product + sign * turning + tilting) / (2 * product))


def polarisation_loss_db(
    axial_ratio_1_db: float, axial_ratio_2_db: float, tilt_deg: float, *, same_hand: bool = True
) -> float:
    """Polarisation loss in dB from axial ratios in dB (infinite: linear); may be infinite."""
    factor = polarisation_factor(
        10 ** (axial_ratio_1_db / 20), 10 ** (axial_ratio_2_db / 20), tilt_deg, same_hand=same_hand
    )
    return -10 * math.log10(factor) if factor > 1e-15 else math.inf


def polarisation_loss_range_db(
    axial_ratio_1_db: float, axial_ratio_2_db: float, *, same_hand: bool = True
) -> tuple[float, float]:
    """Least and greatest loss over all tilts of the two ellipses, in dB."""
    aligned = polarisation_loss_db(axial_ratio_1_db, axial_ratio_2_db, 0, same_hand=same_hand)
    crossed = polarisation_loss_db(axial_ratio_1_db, axial_ratio_2_db, 90, same_hand=same_hand)
    return min(aligned, crossed), max(aligned, crossed)


# --- pointing -----------------------------------------------------------------------------

MAIN_LOBE_REACH = 0.6
"""Share of the half-power width up to which the parabola holds, within about 0.3 dB."""


def pointing_loss_db(error_deg: float, beamwidth_deg: float) -> float | NotValid:
    """Loss from aiming beside, ``12 (error / width)^2``, in dB; main lobe only.

    Source: the form of Recommendation ITU-R F.1336. `beamwidth_deg` is the full half-power
    width; holds up to 0.6 of it.
    """
    reach_deg = MAIN_LOBE_REACH * beamwidth_deg
    if abs(error_deg) > reach_deg:
        return NotValid(
            f"{error_deg:g} deg is outside the main lobe (holds to {reach_deg:.0f} deg)"
        )
    return 12 * (error_deg / beamwidth_deg) ** 2


# --- path, noise, exposure -----------------------------------------------------------------


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


def line_pad_change_db(pad_db: float, interference_db: float) -> float:
    """Return what a pad in the receive lines takes off signal over noise and interference, in dB.

    ``pad - 10 log10((1 + i) / (1 + i / pad))``, i the interference over the noise: the pad
    weakens both. At the transmitter the same pad takes off all of itself.

    Parameters
    ----------
    pad_db
        Of the pad, 0 and more.
    interference_db
        Interference over the receiver's own noise, without the pad.
    """
    interference, pad = 10 ** (interference_db / 10), 10 ** (pad_db / 10)
    return pad_db - 10 * math.log10((1 + interference) / (1 + interference / pad))
