"""What an antenna's row says of its level in dB, term by term, each with its range.

Losses are positive decibels at the link's frequency. A measured loss of a cable always comes
before the table: `4.9 dB` stands for the whole line, `2.5 dB/m` for it without its connectors.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from pathlib import Path

from extractor.radio import link_budget
from extractor.radio.antenna_gain import implied_beamwidth_deg, rate
from extractor.radio.link_budget import NotValid, Span, exactly, wavelength_m
from extractor.radio.wording import said
from extractor.session.antennas import CIRCULAR, Antenna
from extractor.session.csv_tables import read_table
from extractor.session.numerals import parse_number

RATING_TOLERANCE_DB = 1.0
"""How far a plausible rated gain may be off (common practice, no source)."""

UNJUDGED_DB = (3.0, 1.0)
"""How far below and above it one may lie that can't be judged (common practice, no source)."""

OPPOSITE_HAND_DB = Span(15.0, 10.0, 20.0)
"""Loss between opposite hands on the direct wave: one odd reflection turns the hand, so it is
never the infinite loss of the formula (common practice, no source). Scattered: `scatter`."""

ASSUMED_AXIAL_RATIO_DB = 3.0
"""Worst axial ratio assumed where a circular antenna's is not given (common practice)."""

ASSUMED_AIM_DEG = 10.0
"""Worst aim assumed where it is not given (common practice, no source)."""

DISH_WIDTH_DEG = math.sqrt(12 / 2.5e-3)
"""Half-power width of a dish times its diameter in wavelengths: the main lobe of Recommendation
ITU-R F.699-7, ``2.5e-3 (D angle / wavelength)^2``."""

FAR_BESIDE_DB = 20.0
"""Most that aiming wide of the main lobe is taken to cost (common practice, no source)."""

UNKNOWN = Span(None, -math.inf, math.inf)


@dataclass(frozen=True)
class Transmitter:
    """What is known of the transmitting antenna: polarisation as in `Antenna`, axial ratio."""

    polarisation: str = ""
    axial_ratio_db: float | None = None


# --- gain ---------------------------------------------------------------------------------


def gain_span(antenna: Antenna, frequency_hz: float, tolerance_db: float, notes: list[str]) -> Span:
    """Gain with its range: the rating where plausible, else what the arithmetic believes."""
    rating, name = rate(antenna, frequency_hz), antenna.antenna
    rated, believed = antenna.gain_dbi, rating.believed
    if rated is None:
        if believed is None:
            notes.append(f"{name}: no gain given and nothing to estimate it from")
            return UNKNOWN
        notes.append(f"{name}: no rating; its build gives {rating.reason}")
        return believed
    if rating.verdict == "plausible":
        return Span(rated, rated - tolerance_db, rated + tolerance_db)
    if rating.verdict == "can't be judged":
        below, above = UNJUDGED_DB
        notes.append(f"{name}: rated {rated:g} dBi can't be judged: {rating.reason}")
        return Span(rated, rated - below, rated + above)
    if believed is None:
        notes.append(f"{name}: rating {rated:g} dBi is {rating.verdict}; no better one")
        return Span(None, -math.inf, rated)
    notes.append(f"{name}: rated {rated:g} dBi, not taken ({rating.verdict}): {rating.reason}")
    # A rating that can't be so sets no upper end.
    high = max(rated, believed.high_db) if rating.verdict == "optimistic" else believed.high_db
    return Span(believed.value_db, believed.low_db, high)


# --- polarisation -------------------------------------------------------------------------


def polarisation_notes(a: Antenna, b: Antenna, transmitter: Transmitter) -> list[str]:
    """Ask for each polarisation that is not or only half given; nothing where it can't matter."""
    if a.polarisation == b.polarisation in _DEFINITE:
        return []
    sides = (a.antenna, a.polarisation), (b.antenna, b.polarisation)
    return [
        said("assumed", "polarisation", name=name, given=f"only {one!r}" if one else "not")
        for name, one in (*sides, ("the transmitter", transmitter.polarisation))
        if one not in _DEFINITE
    ]


_DEFINITE = ("rhcp", "lhcp", "vertical", "horizontal")


def possible_transmitters(transmitter: Transmitter) -> tuple[Transmitter, ...]:
    """Return the transmitters of definite polarisation that this one may be."""
    ratio = transmitter.axial_ratio_db
    return tuple(Transmitter(one, ratio) for one in _possible(transmitter.polarisation))


def polarisation_span(antenna: Antenna, transmitter: Transmitter) -> Span:
    """Loss between one antenna and the transmitter, over the tilts and hands left open."""
    spans = [
        _pair_loss(mine, antenna.axial_ratio_db, theirs.polarisation, theirs.axial_ratio_db)
        for mine in _possible(antenna.polarisation)
        for theirs in possible_transmitters(transmitter)
    ]
    if len(spans) == 1:
        return spans[0]
    return Span(None, min(one.low_db for one in spans), max(one.high_db for one in spans))


def _possible(polarisation: str) -> tuple[str, ...]:
    open_ = {"circular": _DEFINITE[:2], "linear": _DEFINITE[2:], "": _DEFINITE}
    return open_.get(polarisation, (polarisation,))


def _pair_loss(mine: str, mine_ar: float | None, theirs: str, theirs_ar: float | None) -> Span:
    circular = [one in CIRCULAR for one in (mine, theirs)]
    if not any(circular):
        # Nobody holds two antennas parallel to better than about 15 degrees by eye.
        tilted = Span(0.0, 0.0, link_budget.polarisation_loss_db(math.inf, math.inf, 15))
        return tilted if mine == theirs else OPPOSITE_HAND_DB
    first_db, second_db = (
        (ASSUMED_AXIAL_RATIO_DB if ratio is None else ratio) if is_circular else math.inf
        for ratio, is_circular in zip((mine_ar, theirs_ar), circular, strict=True)
    )
    if all(circular) and mine != theirs:
        least, _ = link_budget.polarisation_loss_range_db(first_db, second_db, same_hand=False)
        return replace(OPPOSITE_HAND_DB, low_db=min(OPPOSITE_HAND_DB.low_db, least))
    low, high = link_budget.polarisation_loss_range_db(first_db, second_db)
    unknown = None in (mine_ar if circular[0] else 0.0, theirs_ar if circular[1] else 0.0)
    middle = link_budget.polarisation_loss_db(first_db, second_db, 45)
    return Span(middle, 0.0 if all(circular) and unknown else low, high)


# --- pointing and mismatch ----------------------------------------------------------------


def beamwidth_deg(antenna: Antenna, frequency_hz: float) -> float | None:
    """Half-power width: as given or by a dish's size, else by its believed gain, up to 90 deg."""
    if antenna.beamwidth_deg is not None:
        return antenna.beamwidth_deg
    if antenna.kind == "dish" and antenna.width_mm is not None:
        return DISH_WIDTH_DEG * wavelength_m(frequency_hz) / (antenna.width_mm / 1000)
    believed = gain_span(antenna, frequency_hz, 0.0, []).value_db
    if believed is None or antenna.is_omnidirectional:
        return None
    width = implied_beamwidth_deg(believed)
    return 90.0 if isinstance(width, NotValid) else width


def pointing_span(antenna: Antenna, frequency_hz: float, notes: list[str]) -> Span:
    """Loss by aiming beside; an aim not given counts from none to `ASSUMED_AIM_DEG`."""
    error_deg = antenna.pointing_error_deg
    if antenna.is_omnidirectional or error_deg == 0:
        return exactly(0.0)
    width_deg = beamwidth_deg(antenna, frequency_hz)
    if width_deg is None:
        notes.append(f"{antenna.antenna}: beamwidth unknown, aim left out")
        return exactly(0.0)
    aim_deg = ASSUMED_AIM_DEG if error_deg is None else error_deg
    loss = link_budget.pointing_loss_db(aim_deg, width_deg)
    if isinstance(loss, NotValid):
        notes.append(f"{antenna.antenna}: aim {loss.reason}")
        edge = 12 * link_budget.MAIN_LOBE_REACH**2
        return Span(None, 0.0 if error_deg is None else edge, FAR_BESIDE_DB)
    if error_deg is None:
        notes.append(f"{antenna.antenna}: aim not given, up to {ASSUMED_AIM_DEG:g} deg assumed")
        return Span(0.0, 0.0, loss)
    return exactly(loss)


RECEIVER_VSWR = 2.0
"""Standing wave ratio assumed of a receiver's input (common practice, no source)."""


def mismatch_span(antenna: Antenna, _frequency_hz: float, notes: list[str]) -> Span:
    """Loss by the antenna's mismatch, with what a receiver of VSWR 2 adds or takes."""
    if antenna.vswr is None:
        notes.append("mismatch: no vswr given, left out (0.5 dB at a vswr of 2)")
        return exactly(0.0)
    reflection = link_budget.reflection_coefficient(antenna.vswr)
    loss = link_budget.mismatch_loss_db(reflection)
    receiver = link_budget.reflection_coefficient(RECEIVER_VSWR)
    low, high = link_budget.mismatch_uncertainty_db(reflection, receiver)
    return Span(loss, loss - high, loss - low)


# --- cable and connectors ------------------------------------------------------------------

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

    basis: str
    k1: float
    k2: float
    low: float
    high: float

    def loss_db_per_m(self, frequency_hz: float) -> Span:
        """Loss per metre with its range."""
        frequency_mhz = frequency_hz / 1e6
        value = (self.k1 * math.sqrt(frequency_mhz) + self.k2 * frequency_mhz) / 100
        return Span(value, self.low * value, self.high * value)


#: Fits of at most 2 % to published sheets, as found in public copies; foil cables are named by
#: their outside diameter.
CABLES = {
    row["type"]: CableType(row["basis"], *(float(row[key]) for key in ("k1", "k2", "low", "high")))
    for row in read_table(Path(__file__).with_name("cables.csv")).rows
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
        coax = _per_metre(antenna.cable, frequency_hz, notes).times(length_m)
    # Where they are not counted: one at each end of a cable, and one without a cable.
    usual = 2 if antenna.cable or length_m else 1
    joints = usual if antenna.connectors is None else antenna.connectors
    return coax, CONNECTOR_DB.times(joints)


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
    notes.append(said("assumed", "cable", cable=cable, loss=loss, basis=known.basis))
    return loss


def cable_key(cable: str) -> str:
    """Name of its type in `CABLES`, else what is written without spaces and signs."""
    key = re.sub(r"[^a-z0-9]", "", cable.casefold())
    return next((name for name in CABLES if key.startswith(name)), key)
