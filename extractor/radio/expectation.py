"""What an antenna's row says of its level in dB, term by term, each with its range."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from extractor.radio import link_budget
from extractor.radio.antenna_gain import implied_beamwidth_deg
from extractor.radio.link_budget import Span, exactly
from extractor.radio.propagation import NotValid
from extractor.radio.ratings import Rating, rate
from extractor.session.antennas import CIRCULAR, Antenna
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

FAR_BESIDE_DB = 20.0
"""Most that aiming wide of the main lobe is taken to cost (common practice, no source)."""

UNKNOWN = Span(None, -math.inf, math.inf)
CABLE_BAND_HZ = (5.6e9, 6.0e9)


@dataclass(frozen=True)
class Transmitter:
    """What is known of the transmitting antenna: polarisation as in `Antenna`, axial ratio."""

    polarisation: str = ""
    axial_ratio_db: float | None = None


# --- gain ---------------------------------------------------------------------------------


def gain_span(antenna: Antenna, frequency_hz: float, tolerance_db: float, notes: list[str]) -> Span:
    """Gain with its range: the rating where plausible, else what the arithmetic believes."""
    rating = rate(antenna, frequency_hz)
    rated, believable = antenna.gain_dbi, rating.believable_dbi
    if rated is None:
        if believable is None:
            notes.append(f"{antenna.antenna}: no gain given and nothing to estimate it from")
            return UNKNOWN
        notes.append(f"{antenna.antenna}: no rating; {believable:.1f} dBi from its build")
        return Span(believable, believable - 1.5, believable + 1.5)
    if rating.verdict in ("optimistic", "not credible"):
        return _doubted_gain(antenna, rated, rating, notes)
    if rating.verdict == "can't be judged":
        below, above = UNJUDGED_DB
        notes.append(f"{antenna.antenna}: rated {rated:g} dBi can't be judged: {rating.reason}")
        return Span(rated, rated - below, rated + above)
    return Span(rated, rated - tolerance_db, rated + tolerance_db)


def _doubted_gain(antenna: Antenna, rated: float, rating: Rating, notes: list[str]) -> Span:
    if rating.believable_dbi is None:
        notes.append(f"{antenna.antenna}: rating {rated:g} dBi is {rating.verdict}; no better one")
        return Span(None, -math.inf, rated)
    believable = rating.believable_dbi
    notes.append(
        f"{antenna.antenna}: rated {rated:g} dBi, taken as {believable:.1f} ({rating.verdict})"
    )
    # A rating that can't be so sets no upper end; well made, the build gives 1.5 dB more.
    high = rated if rating.verdict == "optimistic" else believable + 1.5
    return Span(believable, believable - 1.5, max(believable, high))


# --- cable --------------------------------------------------------------------------------


def cable_span(antenna: Antenna, frequency_hz: float, notes: list[str]) -> Span:
    """Loss of one antenna's cable with its range, connectors not counted."""
    measured = _measured(antenna.cable, "dB")
    if measured is not None:
        return exactly(measured)
    if antenna.cable_m is None:
        notes.append(f"{antenna.antenna}: no cable length given, taken as none")
        return exactly(0.0)
    if antenna.cable_m == 0:
        return exactly(0.0)
    per_metre = cable_loss_per_m(antenna.cable, frequency_hz, notes)
    value = None if per_metre.value_db is None else per_metre.value_db * antenna.cable_m
    return Span(value, per_metre.low_db * antenna.cable_m, per_metre.high_db * antenna.cable_m)


def _measured(cable: str, unit: str) -> float | None:
    found = re.fullmatch(rf"([\d.,]+)\s*{unit}", cable.strip(), re.IGNORECASE)
    return parse_number(found[1]) if found else None


def cable_loss_per_m(cable: str, frequency_hz: float, notes: list[str]) -> Span:
    """Loss per metre of a type of `link.CABLES`, or as measured (``2.5 dB/m``)."""
    measured = _measured(cable, r"dB\s*/\s*m")
    if measured is not None:
        return exactly(measured)
    known = link_budget.CABLES.get(cable_key(cable))
    if known is None:
        notes.append(f"cable {cable or 'of unknown type'}: 1.0 to 3.7 dB/m assumed; measure it")
        return Span(None, 1.0, 3.7)
    if not CABLE_BAND_HZ[0] <= frequency_hz <= CABLE_BAND_HZ[1]:
        notes.append(f"cable {cable}: the table holds at 5.6 to 6.0 GHz only; measure it")
        return Span(None, 0.0, known.high_db_per_m)
    notes.append(f"cable {cable}: {known.loss_db_per_m:g} dB/m ({known.basis})")
    return Span(known.loss_db_per_m, known.low_db_per_m, known.high_db_per_m)


def cable_key(cable: str) -> str:
    """Name of its type in the table, else what is written without spaces and signs."""
    key = re.sub(r"[^a-z0-9]", "", cable.casefold())
    return next((name for name in link_budget.CABLES if key.startswith(name)), key)


# --- polarisation -------------------------------------------------------------------------


def polarisation_notes(a: Antenna, b: Antenna, transmitter: Transmitter) -> list[str]:
    """Ask for each polarisation that is not or only half given; nothing where it can't matter."""
    sides = (a.antenna, a.polarisation), (b.antenna, b.polarisation)
    if a.polarisation == b.polarisation in _DEFINITE:
        return []
    return [
        f"polarisation of {name}: {f'only {said!r}' if said else 'not'} given, which may hide 3 to "
        "20 dB; write it into antennas.csv (rhcp, lhcp, vertical or horizontal)"
        for name, said in (*sides, ("the transmitter", transmitter.polarisation))
        if said not in _DEFINITE
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
    return spans[0] if len(spans) == 1 else _union(spans)


def _possible(polarisation: str) -> tuple[str, ...]:
    open_ = {"circular": _DEFINITE[:2], "linear": _DEFINITE[2:], "": _DEFINITE}
    return open_.get(polarisation, (polarisation,))


def _union(spans: Sequence[Span]) -> Span:
    return Span(None, min(one.low_db for one in spans), max(one.high_db for one in spans))


def _pair_loss(mine: str, mine_ar: float | None, theirs: str, theirs_ar: float | None) -> Span:
    circular = [one in CIRCULAR for one in (mine, theirs)]
    if not any(circular):
        # Nobody holds two antennas parallel to better than about 15 degrees by eye.
        tilted = Span(0.0, 0.0, link_budget.polarisation_loss_db(math.inf, math.inf, 15))
        return tilted if mine == theirs else OPPOSITE_HAND_DB
    ratios_db = [
        (ASSUMED_AXIAL_RATIO_DB if ratio is None else ratio) if is_circular else math.inf
        for ratio, is_circular in zip((mine_ar, theirs_ar), circular, strict=True)
    ]
    if all(circular) and mine != theirs:
        least, _ = link_budget.polarisation_loss_range_db(
            ratios_db[0], ratios_db[1], same_hand=False
        )
        low = min(OPPOSITE_HAND_DB.low_db, least)
        return Span(OPPOSITE_HAND_DB.value_db, low, OPPOSITE_HAND_DB.high_db)
    low, high = link_budget.polarisation_loss_range_db(ratios_db[0], ratios_db[1])
    unknown = None in (mine_ar if circular[0] else 0.0, theirs_ar if circular[1] else 0.0)
    middle = link_budget.polarisation_loss_db(ratios_db[0], ratios_db[1], 45)
    return Span(middle, 0.0 if all(circular) and unknown else low, high)


# --- pointing and mismatch ----------------------------------------------------------------


def beamwidth_deg(antenna: Antenna, frequency_hz: float) -> float | None:
    """Half-power width: as given, else as the gain that is believed implies, up to 90 deg."""
    if antenna.beamwidth_deg is not None:
        return antenna.beamwidth_deg
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
    if error_deg is not None and antenna.kind == "dish" and antenna.beamwidth_deg is None:
        return _dish_pointing(antenna, error_deg, frequency_hz, notes)
    width_deg = beamwidth_deg(antenna, frequency_hz)
    if width_deg is None:
        notes.append(f"{antenna.antenna}: beamwidth unknown, aim left out")
        return exactly(0.0)
    loss = link_budget.pointing_loss_db(
        ASSUMED_AIM_DEG if error_deg is None else error_deg, width_deg
    )
    if isinstance(loss, NotValid):
        notes.append(f"{antenna.antenna}: aim {loss.reason}")
        edge = 12 * link_budget.MAIN_LOBE_REACH**2
        return Span(None, 0.0 if error_deg is None else edge, FAR_BESIDE_DB)
    if error_deg is None:
        notes.append(f"{antenna.antenna}: aim not given, up to {ASSUMED_AIM_DEG:g} deg assumed")
        return Span(0.0, 0.0, loss)
    return exactly(loss)


def _dish_pointing(antenna: Antenna, error_deg: float, f_hz: float, notes: list[str]) -> Span:
    if antenna.gain_dbi is None or antenna.width_mm is None:
        notes.append(f"{antenna.antenna}: dish without gain or width, aim left out")
        return exactly(0.0)
    beside = link_budget.dish_envelope_gain_dbi(
        error_deg, antenna.gain_dbi, antenna.width_mm / 1000, f_hz
    )
    if isinstance(beside, NotValid):
        notes.append(f"{antenna.antenna}: {beside.reason}")
        return Span(None, 0.0, FAR_BESIDE_DB)
    return exactly(antenna.gain_dbi - beside)


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
