"""Radio arithmetic between two antennas: polarisation, pointing, mismatch.

Knows nothing of clips, series or comparisons. Losses are positive decibels. Every formula
names its source; *from memory* means that the text of the source was not at hand. A formula
asked outside the range it holds for answers `NotValid` with the reason, never a number.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from extractor.radio.propagation import NotValid, wavelength_m

DIPOLE_GAIN_DBI = 2.151
"""Half-wave dipole: dBd = dBi - 2.15 (pattern integral)."""


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

    def __add__(self, other: Span) -> Span:
        known = self.value_db is not None and other.value_db is not None
        value = self.value_db + other.value_db if known else None  # type: ignore[operator]
        return Span(value, self.low_db + other.low_db, self.high_db + other.high_db)


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
    if abs(error_deg) > MAIN_LOBE_REACH * beamwidth_deg:
        reach_deg = MAIN_LOBE_REACH * beamwidth_deg
        return NotValid(
            f"{error_deg:g} deg is outside the main lobe (holds to {reach_deg:.0f} deg)"
        )
    return 12 * (error_deg / beamwidth_deg) ** 2


def dish_envelope_gain_dbi(
    off_axis_deg: float, peak_dbi: float, diameter_m: float, frequency_hz: float
) -> float | NotValid:
    """Gain of a dish away from its axis, in dBi (envelope of its side lobes).

    Source: Recommendation ITU-R F.699-7 for a diameter of at most 100 wavelengths. It does
    not describe patches or helices.
    """
    ratio = diameter_m / wavelength_m(frequency_hz)
    angle = abs(off_axis_deg)
    if ratio > 100 or angle >= 48:
        return NotValid("F.699 is used here for up to 100 wavelengths and 48 deg")
    first_lobe_dbi = 2 + 15 * math.log10(ratio)
    if peak_dbi < first_lobe_dbi:
        return NotValid(f"a dish this size has more than {peak_dbi:g} dBi in F.699")
    main_lobe_end_deg = 20 / ratio * math.sqrt(peak_dbi - first_lobe_dbi)
    if angle < main_lobe_end_deg:
        return peak_dbi - 2.5e-3 * (ratio * angle) ** 2
    if angle < 100 / ratio:
        return first_lobe_dbi
    return 52 - 10 * math.log10(ratio) - 25 * math.log10(angle)
