"""The cautions, in one place: run sheet, report, page and `docs/cautions.md` show these.

The text stands here because an installed package carries no `docs/`; a test compares the
two.
"""

from __future__ import annotations

from dataclasses import dataclass

from extractor.radio.propagation import eirp_dbm, exposure_distance_m

NOT_A_COMPLIANCE_TOOL = (
    "Not a compliance tool. Local law, the maker's instructions and licensed practice come "
    "before anything written here."
)

CLOSEST_DISTANCE_CM = 20.0
"""Kept even where the arithmetic gives less (common practice, no source)."""


@dataclass(frozen=True)
class Caution:
    """One caution: a short `title` and one paragraph of plain `text`."""

    title: str
    text: str


_CAUTIONS = (
    Caution("Not a compliance tool", NOT_A_COMPLIANCE_TOOL),
    Caution(
        "Keep away from an antenna that transmits",
        "Nobody stands within 20 cm of a transmitting antenna, and nobody stands in its beam. "
        "At the limit for the general public of 10 W/m2 the main beam reaches 1.4 cm at 25 mW "
        "EIRP, 9 cm at 1 W, 16 cm at 200 mW into 12 dBi and 36 cm at 1 W into 12 dBi; 1.6 "
        "times as far where ground or metal reflects. These are far-field figures: an "
        "orientation, not a clearance.",
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
        "are switched on. A pad or attenuator in a line that transmits must be rated for that "
        "power.",
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
    """Cautions in the order in which to show them.

    Parameters
    ----------
    power_mw
        Transmitter power in milliwatts, above 0. With `gain_dbi` it adds a caution with the
        distance for just this EIRP.
    gain_dbi
        Gain of the transmitting antenna in dBi; 2.15 (a dipole) when only the power is known.
    """
    if power_mw is None or power_mw <= 0:
        return _CAUTIONS
    first, *rest = _CAUTIONS
    return (first, _own_exposure(power_mw, 2.15 if gain_dbi is None else gain_dbi), *rest)


def _own_exposure(power_mw: float, gain_dbi: float) -> Caution:
    eirp = eirp_dbm(power_mw, gain_dbi)
    plain_cm = 100 * exposure_distance_m(eirp)
    cautious_cm = 100 * exposure_distance_m(eirp, with_reflection=True)
    keep_cm = max(CLOSEST_DISTANCE_CM, cautious_cm)
    return Caution(
        "This session's radiated power",
        f"{power_mw:g} mW into {gain_dbi:g} dBi is {eirp:.1f} dBm EIRP. The main beam falls to "
        f"10 W/m2 at {plain_cm:.1f} cm, with reflection at {cautious_cm:.1f} cm: keep at least "
        f"{keep_cm:.0f} cm. Far field only: not a clearance.",
    )
