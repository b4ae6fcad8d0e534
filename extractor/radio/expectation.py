"""What an antenna's row says of its level in dB, term by term, each with its range."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from extractor.radio import link_budget
from extractor.radio.antenna_gain import implied_beamwidth_deg
from extractor.radio.link_budget import Span, exactly
from extractor.radio.propagation import NotValid
from extractor.radio.ratings import rate
from extractor.session.antennas import CIRCULAR, Antenna

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
