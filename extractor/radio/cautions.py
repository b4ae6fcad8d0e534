"""The cautions, in one place: run sheet, report, page and `docs/cautions.md` show these.

The text stands here because an installed package carries no `docs/`; a test compares the
two.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from extractor.radio.propagation import eirp_dbm, exposure_distance_m

NOT_A_COMPLIANCE_TOOL = (
    "Not a compliance tool. Local law, the maker's instructions and licensed practice come "
    "before anything written here."
)

CLOSEST_DISTANCE_CM = 20.0
"""Kept even where the arithmetic gives less (common practice, no source)."""

UNKNOWN_POWER_MW, UNKNOWN_GAIN_DBI = 1000.0, 12.0
"""Reckoned with where the transmitter's power, or its antenna's gain, is not given."""


@dataclass(frozen=True)
class Caution:
    """One caution: a short `title` and one paragraph of plain `text`."""

    title: str
    text: str


_CAUTIONS = (
    Caution(
        "Licence and place",
        "Whether this band, this power and this antenna are allowed, with or without a licence, "
        "outdoors or indoors only, is local law, for a test too. Look it up before switching on.",
    ),
    Caution(
        "Ports may also transmit",
        "A receiver's port may also transmit. A high-gain antenna on it raises the radiated "
        "power (EIRP): 12 dBi in place of 2.15 dBi by 9.85 dB, nearly ten times, and that may be "
        "unlawful. Put the antenna under test on a port that only receives, or find out what "
        "local rules allow and set the power accordingly.",
    ),
    Caution(
        "Never transmit into nothing",
        "Never power a transmitter whose port has no antenna and no load rated for it. Goggles "
        "and receiver off before an antenna is unscrewed, and every antenna back before they "
        "are switched on. Look into both connectors before power: SMA and RP-SMA screw "
        "together, but hole meets hole, or pin meets pin, and the centre has no contact. A pad or "
        "attenuator in a line that transmits must be rated for that power.",
    ),
    Caution(
        "The channel may change by itself",
        "Some links leave their channel when they hear a radar or a neighbour. Clips before and "
        "after cannot be compared: fix the channel, outside the radar channels where the law lets "
        "you choose, and note it for every clip. Where avoiding radar is demanded, switching that "
        "off breaks the law.",
    ),
    Caution(
        "Heat",
        "Video transmitters on a bench get hot enough to burn skin and to fail. Give them moving "
        "air, use the lowest power that does the job, keep runs short and let them cool. Heat "
        "also makes the bitrate drift: same cooling, same pause before every run.",
    ),
    Caution(
        "Propellers off",
        "Take the propellers off, or the drive out of gear, before anything with a motor is "
        "powered on a bench.",
    ),
    Caution(
        "Lithium batteries",
        "Look at every lithium battery before use. Charge with the right charger, attended, in "
        "a place that cannot burn. A swollen, dented or wet pack is out of service: discard it "
        "as local rules say.",
    ),
)


def cautions(power_mw: float | None = None, gain_dbi: float | None = None) -> tuple[Caution, ...]:
    """Cautions in the order in which to show them, with one distance to keep.

    Parameters
    ----------
    power_mw
        Transmitter power in milliwatts, above 0; 1 W is reckoned with when unknown.
    gain_dbi
        Gain of the transmitting antenna in dBi; 12 is reckoned with when unknown.
    """
    known = power_mw if power_mw is not None and power_mw > 0 else None
    first = Caution("Not a compliance tool", NOT_A_COMPLIANCE_TOOL)
    return (first, _keep_off(known, gain_dbi), *_CAUTIONS)


def _keep_off(power_mw: float | None, gain_dbi: float | None) -> Caution:
    assumed = "" if power_mw and gain_dbi is not None else " (what is not given is reckoned high)"
    power_mw = power_mw or UNKNOWN_POWER_MW
    gain_dbi = UNKNOWN_GAIN_DBI if gain_dbi is None else gain_dbi
    eirp = eirp_dbm(power_mw, gain_dbi)
    plain_cm = 100 * exposure_distance_m(eirp)
    reflected_cm = 100 * exposure_distance_m(eirp, with_reflection=True)
    keep_cm = max(CLOSEST_DISTANCE_CM, 10 * math.ceil(reflected_cm / 10))
    return Caution(
        "Keep away from an antenna that transmits",
        f"Nobody comes within {keep_cm:.0f} cm of a transmitting antenna, and nobody stands in its "
        f"beam. {power_mw:g} mW into {gain_dbi:g} dBi{assumed} is {eirp:.1f} dBm EIRP: its main "
        f"beam falls to the limit for the general public of 10 W/m2 at {plain_cm:.1f} cm, at "
        f"{reflected_cm:.1f} cm where ground or metal reflects. Far field only: an orientation, "
        "not a clearance. More power or gain, more distance.",
    )
