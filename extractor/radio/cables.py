"""What is lost between an antenna and its port: cable, connectors, adaptors.

Losses are positive decibels at the link's frequency. A measured loss always comes before the
table: `4.9 dB` stands for the whole line, `2.5 dB/m` for the cable without its connectors.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from extractor.radio.link_budget import Span, exactly
from extractor.session.antennas import Antenna
from extractor.session.numerals import parse_number

CONNECTOR_DB = Span(0.275, 0.15, 0.4)
"""Each mated pair and each adaptor (common practice, no source). A poor one costs several dB."""

UNKNOWN_CABLE_DB_PER_M = Span(None, 0.3, 5.7)
"""From the thickest to the thinnest cable of the table, where the type is not known."""


@dataclass(frozen=True)
class CableType:
    """A coaxial cable: ``k1 sqrt(f) + k2 f`` in dB per 100 m, f in MHz, and where it is from.

    The skin effect gives the first term, the dielectric the second. `low` and `high` multiply
    the loss: 15 % either way, more where sheets disagree or end far below the link's frequency.
    """

    k1: float
    k2: float
    basis: str
    low: float = 0.85
    high: float = 1.15

    def loss_db_per_m(self, frequency_hz: float) -> Span:
        """Loss per metre with its range."""
        frequency_mhz = frequency_hz / 1e6
        value = (self.k1 * math.sqrt(frequency_mhz) + self.k2 * frequency_mhz) / 100
        return Span(value, self.low * value, self.high * value)


#: Fits of at most 2 % to published sheets, as found in public copies; foil cables are named by
#: their outside diameter.
CABLES = {
    "rg174": CableType(2.8079, 0.00339, "sheet to 1 GHz; others lose half as much again", high=1.6),
    "rg178": CableType(4.4704, 0.01732, "sheet to 3 GHz", high=1.3),
    "rg316": CableType(2.4448, 0.00969, "sheet to 3 GHz", high=1.3),
    "rg58": CableType(1.0825, 0.02388, "sheet to 1 GHz; others differ", low=0.65, high=1.25),
    "rg402": CableType(1.1355, 0.00344, "sheet to 20 GHz"),
    "rg405": CableType(2.1413, 0.00464, "sheet to 20 GHz"),
    "foil28mm": CableType(2.3266, 0.00571, "sheet to 5.8 GHz"),
    "foil5mm": CableType(1.0528, 0.00108, "sheet to 5.8 GHz"),
    "foil6mm": CableType(0.7942, 0.00108, "sheet to 5.8 GHz"),
    "foil10mm": CableType(0.4012, 0.00085, "sheet to 6 GHz", high=1.2),
}


def line_spans(antenna: Antenna, frequency_hz: float, notes: list[str]) -> tuple[Span, Span]:
    """Loss of one antenna's cable and of its connectors, each with its range."""
    measured = _measured(antenna.cable, "dB")
    if measured is not None:
        return exactly(measured), exactly(0.0)
    if antenna.cable_m is None and antenna.cable:
        notes.append(f"{antenna.antenna}: no cable length given, its connectors alone counted")
    length_m, coax = antenna.cable_m or 0.0, exactly(0.0)
    if length_m:
        coax = _times(_per_metre(antenna.cable, frequency_hz, notes), length_m)
    # Where they are not counted: one at each end of a cable, and one without a cable.
    usual = 2 if antenna.cable or length_m else 1
    joints = usual if antenna.connectors is None else antenna.connectors
    return coax, _times(CONNECTOR_DB, joints)


def _times(span: Span, factor: float) -> Span:
    ends = sorted((factor * span.low_db, factor * span.high_db))
    return Span(None if span.value_db is None else factor * span.value_db, *ends)


def _measured(cable: str, unit: str) -> float | None:
    found = re.fullmatch(rf"([\d.,]+)\s*{unit}", cable.strip(), re.IGNORECASE)
    return parse_number(found[1]) if found else None


def _per_metre(cable: str, frequency_hz: float, notes: list[str]) -> Span:
    measured = _measured(cable, r"dB\s*/\s*m")
    if measured is not None:
        return exactly(measured)
    known = CABLES.get(cable_key(cable))
    if known is None:
        notes.append(f"cable {cable or 'of no type'}: 0.3 to 5.7 dB/m assumed; measure it")
        return UNKNOWN_CABLE_DB_PER_M
    loss = known.loss_db_per_m(frequency_hz)
    notes.append(
        f"cable {cable}: {loss.low_db:.2f} to {loss.high_db:.2f} dB/m ({known.basis}); a poor "
        "assembly can cost several dB more: swap it"
    )
    return loss


def cable_key(cable: str) -> str:
    """Name of its type in `CABLES`, else what is written without spaces and signs."""
    key = re.sub(r"[^a-z0-9]", "", cable.casefold())
    return next((name for name in CABLES if key.startswith(name)), key)
