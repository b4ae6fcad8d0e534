"""Whether an antenna can have the gain it is sold with."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from extractor.radio import antenna_gain as gain
from extractor.radio.link_budget import DIPOLE_GAIN_DBI, Span
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

BUILD_SPREAD_DB = 1.5
"""How far a well or badly made one may be off the usual (common practice, no source)."""

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
    believed
        Gain in dBi that the same arithmetic expects, with its range; None where it gives none.
    """

    verdict: Verdict
    reason: str
    source: str
    believed: Span | None = None


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
    figures = [check.believed for check in checks if check.believed is not None]
    return replace(worst, believed=figures[0] if figures else None)


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
    turns, around, pitch_deg = antenna.turns, antenna.circumference_wl, antenna.pitch_deg
    textbook = gain.kraus_helix_gain_dbi(
        turns, around or max(gain.USUAL_CIRCUMFERENCES_WL), pitch_deg or gain.DEFAULT_PITCH_DEG
    )
    believed = gain.helix_gain_dbi(turns, around, pitch_deg)
    source = "moment method (NEC-2, docs/benchmarks.md); Kraus as upper bound"
    if isinstance(believed, NotValid):
        rated = antenna.gain_dbi
        if rated is not None and isinstance(textbook, float) and rated > textbook:
            return Rating("not credible", f"above Kraus' {textbook:.1f} dBi", "Kraus")
        return Rating("can't be judged", believed.reason, source)
    size = "an unknown circumference" if around is None else f"circumference {around:.2f}"
    reason = f"{turns:g} turns of {size} give {_said(believed)} dBi by the moment method"
    limit = believed.high_db
    if isinstance(textbook, float):
        limit = max(limit, textbook)
        reason += f"; the optimistic textbook formula {textbook:.1f}"
    return Rating(_judged(antenna, believed.high_db, limit), reason, source, believed)


def _said(span: Span) -> str:
    ends = f"{span.low_db:.1f} to {span.high_db:.1f}"
    return ends if span.value_db is None else f"about {span.value_db:.1f} ({ends})"


def _usual(value_dbi: float) -> Span:
    return Span(value_dbi, value_dbi - BUILD_SPREAD_DB, value_dbi + BUILD_SPREAD_DB)


def _by_area(antenna: Antenna, frequency_hz: float) -> Rating | None:
    width_mm = antenna.width_mm
    height_mm = width_mm if antenna.kind == "dish" else antenna.height_mm
    if not antenna.is_broadside or width_mm is None or height_mm is None:
        return None
    round_ = math.pi / 4 if antenna.kind == "dish" else 1.0
    full = gain.aperture_gain_dbi(width_mm / 1e3, height_mm / 1e3, frequency_hz, efficiency=round_)
    if isinstance(full, NotValid):
        return None
    usual = full + 10 * math.log10(PANEL_EFFICIENCY)
    reason = (
        f"an area of {width_mm:g} x {height_mm:g} mm gives {usual:.1f} dBi at "
        f"60 % efficiency and {full:.1f} dBi at most"
    )
    source = "aperture formula (Balanis; IEEE Std 145); 60 %: common practice, no source"
    # Fringing fields make a small area a little larger than its rim.
    return Rating(_judged(antenna, usual + 1, full + 1), reason, source, _usual(usual))


def _by_beamwidth(antenna: Antenna) -> Rating | None:
    width_deg = antenna.beamwidth_deg
    if width_deg is None or width_deg > 90 or antenna.is_omnidirectional:
        return None
    ceiling = gain.kraus_directivity_dbi(width_deg, width_deg)
    usual = gain.practical_directivity_dbi(width_deg, width_deg)
    reason = f"a beam {width_deg:g} deg wide both ways gives {usual:.1f} to {ceiling:.1f} dBi"
    verdict = _judged(antenna, ceiling + BEAM_SLACK_DB, ceiling + BEAM_LIMIT_DB)
    return Rating(
        verdict, reason, "Kraus (41 253 square degrees), 32 400 from memory", _usual(usual)
    )


def _by_dipole(antenna: Antenna) -> Rating | None:
    if antenna.kind != "dipole":
        return None
    reason = f"a half-wave dipole has {DIPOLE_GAIN_DBI:.2f} dBi, the longest useful one 5.2"
    verdict = _judged(antenna, DIPOLE_GAIN_DBI + 0.5, LONGEST_DIPOLE_DBI)
    return Rating(verdict, reason, "dipole pattern integral; Balanis", _usual(DIPOLE_GAIN_DBI))


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
