"""Whether an antenna can have the gain it is sold with."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from extractor.radio import antenna_gain as gain
from extractor.radio.link_budget import DIPOLE_GAIN_DBI
from extractor.radio.propagation import NotValid
from extractor.session.antennas import Antenna

Verdict = Literal["plausible", "optimistic", "not credible", "can't be judged"]

#: From harmless to bad: of several checks the worst verdict stands.
_ORDER: tuple[Verdict, ...] = ("can't be judged", "plausible", "optimistic", "not credible")

LONGEST_DIPOLE_DBI = 5.2
"""A straight dipole of 1.25 wavelengths, the most one gives (from memory of Balanis)."""

BEAM_SLACK_DB = 1.0
"""Spread of the beamwidth formulas; rated gain above Kraus' figure by more is optimistic."""

BEAM_LIMIT_DB = 3.0
"""Above Kraus' figure by more: not credible (our threshold: twice what a sphere has room for)."""

PANEL_EFFICIENCY = 0.6
"""Usual share of a panel's area that works (common practice, no source)."""


@dataclass(frozen=True)
class Rating:
    """Verdict on a rated gain.

    Attributes
    ----------
    verdict
        ``plausible``, ``optimistic``, ``not credible`` or ``can't be judged``.
    reason, source
        Why, and what the arithmetic rests on.
    believable_dbi
        Gain that the same arithmetic expects; None where it gives no figure.
    """

    verdict: Verdict
    reason: str
    source: str
    believable_dbi: float | None = None


def rate(antenna: Antenna, frequency_hz: float) -> Rating:
    """Judge the rated gain of one antenna by its turns, its size and its beamwidth.

    Only what ``antennas.csv`` says is judged: this is arithmetic about a rating, not a
    measurement, and a result from a room never enters.
    """
    asked = [_by_turns(antenna), _by_area(antenna, frequency_hz), _by_beamwidth(antenna)]
    asked += [_by_dipole(antenna), _by_radius(antenna, frequency_hz)]
    checks = [check for check in asked if check is not None]
    if not checks:
        return Rating("can't be judged", _what_is_missing(antenna), "")
    worst = max(checks, key=lambda check: _ORDER.index(check.verdict))
    figures = [check.believable_dbi for check in checks if check.believable_dbi is not None]
    return replace(worst, believable_dbi=figures[0] if figures else None)


def _what_is_missing(antenna: Antenna) -> str:
    if antenna.gain_dbi is None:
        return "no rated gain is given"
    if antenna.kind == "helix":
        return "the number of turns is not given"
    if antenna.is_omnidirectional:
        return "nothing in its row bounds the gain of an omnidirectional antenna of this kind"
    return "neither beamwidth nor size is given"


def _judged(antenna: Antenna, plausible_dbi: float, optimistic_dbi: float) -> Verdict:
    if antenna.gain_dbi is None:
        return "can't be judged"
    if antenna.gain_dbi <= plausible_dbi:
        return "plausible"
    return "optimistic" if antenna.gain_dbi <= optimistic_dbi else "not credible"


def _by_turns(antenna: Antenna) -> Rating | None:
    if antenna.kind != "helix" or antenna.turns is None:
        return None
    circumference = antenna.circumference_wl or gain.BEST_CIRCUMFERENCE_WL
    pitch_deg = antenna.pitch_deg or gain.DEFAULT_PITCH_DEG
    ceiling = gain.kraus_helix_gain_dbi(antenna.turns, circumference, pitch_deg)
    if isinstance(ceiling, NotValid):
        return Rating("can't be judged", ceiling.reason, "Kraus")
    believable = gain.believable_helix_gain_dbi(antenna.turns, circumference, pitch_deg)
    if antenna.turns < 5:
        return _short_helix(antenna, ceiling)
    if isinstance(believable, NotValid):
        if antenna.gain_dbi is not None and antenna.gain_dbi > ceiling:
            return Rating("not credible", f"above Kraus' {ceiling:.1f} dBi", "Kraus")
        return Rating("can't be judged", believable.reason, "King and Wong 1980; Emerson 1995")
    plausible = min(believable + gain.MODEL_SPREAD_DB, ceiling)
    reason = (
        f"{antenna.turns:g} turns of circumference {circumference:.2f} wavelengths: about "
        f"{believable:.1f} dBi, up to {plausible:.1f} when well made; the optimistic textbook "
        f"formula gives {ceiling:.1f}"
    )
    verdict = _judged(antenna, plausible, ceiling)
    source = "King and Wong 1980, Emerson 1995 (both from memory); Kraus as upper bound"
    return Rating(verdict, reason, source, believable)


def _short_helix(antenna: Antenna, ceiling_dbi: float) -> Rating:
    limit_dbi = ceiling_dbi + 1
    verdict = _judged(antenna, limit_dbi, limit_dbi)
    reason = f"{antenna.turns:g} turns: under 5 the ground plane decides; up to {limit_dbi:.1f} dBi"
    return Rating(verdict, reason, "Kraus, plus 1 dB for the ground plane")


def _by_area(antenna: Antenna, frequency_hz: float) -> Rating | None:
    if not antenna.is_broadside or antenna.width_mm is None or antenna.height_mm is None:
        return None
    sides_m = antenna.width_mm / 1000, antenna.height_mm / 1000
    full = gain.aperture_gain_dbi(*sides_m, frequency_hz)
    if isinstance(full, NotValid):
        return None
    usual = full + 10 * math.log10(PANEL_EFFICIENCY)
    reason = (
        f"an area of {antenna.width_mm:g} x {antenna.height_mm:g} mm gives {usual:.1f} dBi at "
        f"60 % efficiency and {full:.1f} dBi at most"
    )
    source = "aperture formula (Balanis; IEEE Std 145); 60 %: common practice, no source"
    # Fringing fields make a small area a little larger than its rim.
    return Rating(_judged(antenna, usual + 1, full + 1), reason, source, usual)


def _by_beamwidth(antenna: Antenna) -> Rating | None:
    width_deg = antenna.beamwidth_deg
    if width_deg is None or width_deg > 90 or antenna.is_omnidirectional:
        return None
    ceiling = gain.kraus_directivity_dbi(width_deg, width_deg)
    usual = gain.practical_directivity_dbi(width_deg, width_deg)
    reason = f"a beam {width_deg:g} deg wide both ways gives {usual:.1f} to {ceiling:.1f} dBi"
    verdict = _judged(antenna, ceiling + BEAM_SLACK_DB, ceiling + BEAM_LIMIT_DB)
    return Rating(verdict, reason, "Kraus (41 253 square degrees), 32 400 from memory", usual)


def _by_dipole(antenna: Antenna) -> Rating | None:
    if antenna.kind != "dipole":
        return None
    reason = f"a half-wave dipole has {DIPOLE_GAIN_DBI:.2f} dBi, the longest useful one 5.2"
    verdict = _judged(antenna, DIPOLE_GAIN_DBI + 0.5, LONGEST_DIPOLE_DBI)
    return Rating(verdict, reason, "dipole pattern integral; Balanis", DIPOLE_GAIN_DBI)


def _by_radius(antenna: Antenna, frequency_hz: float) -> Rating | None:
    size_m = antenna.size_m
    if size_m is None or antenna.gain_dbi is None:
        return None
    limit_dbi = gain.normal_gain_dbi(size_m / 2, frequency_hz)
    if antenna.gain_dbi <= limit_dbi:
        # A practical limit that is kept proves nothing.
        return None
    reason = f"more than the {limit_dbi:.1f} dBi that {size_m * 1000:.0f} mm usually can hold"
    return Rating("optimistic", reason, "Harrington's normal gain (from memory; practical)")
