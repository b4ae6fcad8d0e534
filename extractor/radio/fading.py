"""How a level changes over centimetres, and how many spots average that out.

Rayleigh fading behind walls, with the delay spread of an office: an order of magnitude for a
building that nobody measured. In plain view levels change less.
"""

from __future__ import annotations

import math

from extractor.errors import UsageError
from extractor.radio.link_budget import wavelength_m
from extractor.radio.wording import said

OFFICE_DELAY_SPREAD_S = 39e-9
"""Median rms delay spread of an indoor office without line of sight at 6 GHz:
``lg DS = -7.173 - 0.28 lg(1 + f)``, 3GPP TR 38.901, table 7.5-6 (from memory; a public
implementation's own fit gives 37 ns)."""

SPOT_DISTANCE_MM = 104
"""Two wavelengths at 5.8 GHz, sideways or up: closer spots, and spots behind one another, fade
together where a directional antenna looks one way."""

SLIDE_M = 40 * wavelength_m(5.8e9)
"""Path over which a moving antenna's mean leaves the fading out: 40 wavelengths, Lee 1985 (from
memory); 2.07 m."""


def independent_fades(bandwidth_hz: float, delay_spread_s: float) -> float:
    """How many independent fades the mean over a channel's width holds, 1 and more.

    One over the mean of the squared frequency correlation ``1 / (1 + (2 pi df DS)^2)`` over all
    pairs of frequencies in the channel: Rayleigh fading, exponential power delay profile.
    """
    a = 2 * math.pi * bandwidth_hz * delay_spread_s
    return 1 / (2 * math.atan(a) / a - math.log1p(a**2) / a**2)


def fading_sd_db(fades: float) -> float:
    """Return the standard deviation in dB of a level that is the mean of so many fades.

    ``4.343 sqrt(psi'(M))``, the logarithm of a gamma distribution; 5.57 dB for one (Rayleigh).
    On the safe side: simulated channels of 10, 20, 40 MHz scatter by 3.5, 2.8, 2.1 dB and not
    by 4.1, 3.2, 2.3.
    """
    from scipy.special import polygamma

    return 10 / math.log(10) * math.sqrt(float(polygamma(1, fades)))


def spots_needed(half_width_db: float, sd_db: float, *, estimated: bool = False) -> int:
    """How many independent spots for each antenna tell a difference of two to +- `half_width_db`.

    95 %, by the normal distribution; with `estimated` by Student's t, for a spread that is taken
    from these spots.
    """
    from scipy.special import ndtri, stdtrit

    spots = max(2, math.ceil(2 * (float(ndtri(0.975)) * sd_db / half_width_db) ** 2))
    while (
        estimated and stdtrit(2 * spots - 2, 0.975) * sd_db * math.sqrt(2 / spots) > half_width_db
    ):
        spots += 1
    return spots


def spots_told(half_width_db: float, width_mhz: float | None, ports: int) -> list[str]:
    """Say how many spots a difference known to +- `half_width_db` needs.

    Parameters
    ----------
    half_width_db
        Of the 95 % interval, 0.1 and more.
    width_mhz
        The channel's; some typical ones when None.
    ports
        Ports with equal antennas that the receiver adds, each fading by itself.

    Raises
    ------
    UsageError
        If `half_width_db` is less than 0.1.
    """
    if not half_width_db >= 0.1:
        raise UsageError(f"--spots {half_width_db:g}: must be 0.1 dB or more")
    on = f"equal antennas on {ports} ports" if ports > 1 else "one antenna"
    lines = [said("spots", "first", on=on, half_width=half_width_db)]
    for width in (10.0, 20.0, 40.0) if width_mhz is None else (width_mhz,):
        sd_db = fading_sd_db(ports * independent_fades(width * 1e6, OFFICE_DELAY_SPREAD_S))
        known, estimated = (spots_needed(half_width_db, sd_db, estimated=e) for e in (False, True))
        figures = {"width": width, "sd": sd_db, "known": known, "estimated": estimated}
        lines.append(f"  {said('spots', 'needed', **figures)}")
    apart = said("spots", "apart", mm=SPOT_DISTANCE_MM, slide=SLIDE_M)
    return [*lines, apart, said("spots", "last")]
