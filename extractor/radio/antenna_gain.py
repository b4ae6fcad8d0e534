"""What gain an antenna can have, by beamwidth, turns and size; whether a rating can be true.

Gains are in dBi (a circularly polarised antenna's in dBic, the same figure against a matched
wave), lengths inside the helix formulas in wavelengths. A formula asked outside the range it
holds for answers `NotValid`. *From memory*: the source's own text was not at hand.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from extractor.radio.link_budget import DIPOLE_GAIN_DBI, NotValid, Span, wavelength_m
from extractor.session.antennas import Antenna

FULL_SPHERE_DEG2 = 4 * math.pi * math.degrees(1) ** 2
"""4 pi sr = 41 253 square degrees."""

DEFAULT_PITCH_DEG = 12.8
"""Taken where a helix's pitch angle is not given: middle of the usual 12 to 14 degrees."""


# --- beamwidth ----------------------------------------------------------------------------


def kraus_directivity_dbi(width_1_deg: float, width_2_deg: float) -> float:
    """Directivity from the half-power widths in two planes, ``41 253 / (w1 w2)``, in dBi.

    Source: Kraus, *Antennas*. A ceiling for narrow beams (about 1 dB); wide one-sided patterns
    exceed it (cos^2, 90 deg: 7.78 against 7.07 dBi). Not for omnidirectional antennas.
    """
    return 10 * math.log10(FULL_SPHERE_DEG2 / (width_1_deg * width_2_deg))


def practical_directivity_dbi(width_1_deg: float, width_2_deg: float) -> float:
    """Give the same with 32 400 instead of 41 253: allows for side lobes (from memory)."""
    return 10 * math.log10(32_400 / (width_1_deg * width_2_deg))


def implied_beamwidth_deg(gain_dbi: float) -> float | NotValid:
    """Half-power width of a round beam with this directivity, in degrees (Kraus inverted).

    The greatest width that the gain allows within about 1 dB (12 % of the width); holds for
    beams up to 90 degrees, so from about 7 dBi.
    """
    width_deg = math.sqrt(FULL_SPHERE_DEG2 / 10 ** (gain_dbi / 10))
    if width_deg > 90:
        return NotValid(f"{gain_dbi:g} dBi is too little to imply one beam (from 7 dBi)")
    return width_deg


# --- helix in axial mode ------------------------------------------------------------------


def helix_length_wl(turns: float, circumference_wl: float, pitch_deg: float) -> float:
    """Axial length in wavelengths: turns times spacing, spacing = circumference * tan(pitch)."""
    return turns * circumference_wl * math.tan(math.radians(pitch_deg))


def kraus_helix_gain_dbi(
    turns: float, circumference_wl: float, pitch_deg: float, *, constant: float = 15.0
) -> float | NotValid:
    """Gain after Kraus, ``15 C^2 N S`` (later 12), in dBi.

    Source: Kraus, *Antennas*: 0.75 < C < 1.33, pitch 12 to 15 deg, 3 turns and more. It
    overstates a dozen turns by 2 to 3.5 dB (15) or 1 to 2.5 dB (12) against the moment method;
    Djordjevic et al. 2006 found the classical data in disagreement with experiment too.
    """
    if turns < 3:
        return NotValid(f"{turns:g} turns: the axial-mode formulas need 3 and more")
    if not 0.75 < circumference_wl < 1.33:
        return NotValid(f"circumference {circumference_wl:g} wavelengths: not in axial mode")
    if not 12 <= pitch_deg <= 15:
        return NotValid(f"pitch {pitch_deg:g} deg: the formulas hold from 12 to 15 deg")
    length_wl = helix_length_wl(turns, circumference_wl, pitch_deg)
    return 10 * math.log10(constant * circumference_wl**2 * length_wl)


HELIX_TABLE = Path(__file__).with_name("helix_gain.csv")
"""Gain on the axis in dBi from ``tests/benchmarks/helix_gain.py`` (NEC-2): a lossless wire of
radius 0.01 wavelengths over an infinite plane; a row a pitch and turns."""

HELIX_PITCHES_DEG = (12.0, 12.8, 14.0, 15.0)
HELIX_TURNS = (3, 4, 5, 6, 7, 8, 9, 10, 12, 15, 20, 25, 35)
HELIX_CIRCUMFERENCES_WL = tuple((75 + 5 * step) / 100 for step in range(14))

USUAL_CIRCUMFERENCES_WL = (0.8, 0.85, 0.9, 0.95, 1.0, 1.05, 1.1, 1.15, 1.2)
"""Allowed for where a helix's circumference is not given (common practice, no source)."""

USUAL_PITCHES_DEG = (12.0, 12.8, 14.0)
"""Allowed for where its pitch angle is not given (common practice, no source)."""

HELIX_SPREAD_DB = 1.5
"""What ground plates of 0.75 to 1.5 wavelengths (-0.8 to +1.3 dB) and wires of 0.005 to 0.015
(-1.0 to +1.3 dB) change in the runs; the interpolation errs by 0.25 dB."""

STEEP_FROM_WL, STEEP_SPREAD_DB = 1.2, 3.0
"""Above this circumference the gain breaks down within a few percent of it, a long helix's first,
and the interpolation alone errs by 1.5 dB."""


def helix_gain_dbi(
    turns: float, circumference_wl: float | None = None, pitch_deg: float | None = None
) -> Span | NotValid:
    """Gain on the axis of a helix over a plate in dBi, by the moment method, with its range.

    Parameters
    ----------
    turns
        3 to 35.
    circumference_wl
        In wavelengths, 0.75 to 1.4. Unknown: the range over 0.8 to 1.2 and no single value.
    pitch_deg
        12 to 15 degrees. Unknown: the range over 12 to 14, the value at 12.8.
    """
    around = USUAL_CIRCUMFERENCES_WL if circumference_wl is None else (circumference_wl,)
    pitches = USUAL_PITCHES_DEG if pitch_deg is None else (pitch_deg,)
    try:
        gains = [helix_table_dbi(turns, c, pitch) for c in around for pitch in pitches]
    except ValueError:
        return NotValid(
            "outside 3 to 35 turns, circumferences of 0.75 to 1.4, pitches of 12 to 15 deg"
        )
    # Of pitches not given the middle one stands for all; of circumferences none does.
    value = gains[len(gains) // 2] if circumference_wl is not None else None
    spread = HELIX_SPREAD_DB if around[-1] <= STEEP_FROM_WL else STEEP_SPREAD_DB
    return Span(value, min(gains) - spread, max(gains) + spread)


def helix_table_dbi(turns: float, circumference_wl: float, pitch_deg: float) -> float:
    """Gain in dBi off `HELIX_TABLE`, linear in pitch, circumference and the turns' logarithm.

    Raises
    ------
    ValueError
        Outside the table.
    """
    axes = map(np.asarray, (HELIX_PITCHES_DEG, np.log(HELIX_TURNS), HELIX_CIRCUMFERENCES_WL))
    gains, point = _helix_table(), (pitch_deg, math.log(turns), circumference_wl)
    # Axis by axis, the last first: `scipy.interpolate` takes long to load.
    for at, axis in reversed(list(zip(point, axes, strict=True))):
        if not axis[0] <= at <= axis[-1]:
            raise ValueError(f"{at:g} is outside {axis[0]:g} to {axis[-1]:g}")
        gains = np.apply_along_axis(partial(np.interp, at, axis), -1, gains)
    return float(gains)


@functools.cache
def _helix_table() -> npt.NDArray[np.float64]:
    """Return the gains by pitch, turns and circumference."""
    axes = (HELIX_PITCHES_DEG, HELIX_TURNS, HELIX_CIRCUMFERENCES_WL)
    return np.loadtxt(HELIX_TABLE, delimiter=",").reshape([len(axis) for axis in axes])


# --- size ---------------------------------------------------------------------------------


def effective_area_m2(gain_dbi: float, frequency_hz: float) -> float:
    """Area from which an antenna of this gain takes power, ``G wavelength^2 / 4 pi``, in m2."""
    return 10 ** (gain_dbi / 10) * wavelength_m(frequency_hz) ** 2 / (4 * math.pi)


def aperture_gain_dbi(
    width_m: float, height_m: float, frequency_hz: float, *, efficiency: float = 1.0
) -> float | NotValid:
    """Gain of a broadside area, ``4 pi A efficiency / wavelength^2``, in dBi.

    Source: Balanis; IEEE Std 145. A bound for panels and patches with sides of a wavelength and
    more; not for end-fire antennas (helix, Yagi) or wires.
    """
    if min(width_m, height_m) < wavelength_m(frequency_hz):
        return NotValid("a side is under one wavelength: the area no longer bounds the gain")
    unit = effective_area_m2(0, frequency_hz)
    return 10 * math.log10(width_m * height_m * efficiency / unit)


def normal_gain_dbi(enclosing_radius_m: float, frequency_hz: float) -> float:
    """Harrington's normal gain ``(ka)^2 + 2 ka`` in dBi (from memory).

    The most that an antenna inside a sphere of this radius reaches without becoming
    impractically narrow-banded: a practical limit, not an absolute one.
    """
    ka = 2 * math.pi * enclosing_radius_m / wavelength_m(frequency_hz)
    return 10 * math.log10(ka**2 + 2 * ka)


# --- whether an antenna can have the gain it is sold with ----------------------------------

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
    widest = around or max(USUAL_CIRCUMFERENCES_WL)
    textbook = kraus_helix_gain_dbi(turns, widest, pitch_deg or DEFAULT_PITCH_DEG)
    believed = helix_gain_dbi(turns, around, pitch_deg)
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
    full = aperture_gain_dbi(width_mm / 1e3, height_mm / 1e3, frequency_hz, efficiency=round_)
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
    ceiling = kraus_directivity_dbi(width_deg, width_deg)
    usual = practical_directivity_dbi(width_deg, width_deg)
    reason = f"a beam {width_deg:g} deg wide both ways gives {usual:.1f} to {ceiling:.1f} dBi"
    verdict = _judged(antenna, ceiling + BEAM_SLACK_DB, ceiling + BEAM_LIMIT_DB)
    source = "Kraus (41 253 square degrees), 32 400 from memory"
    return Rating(verdict, reason, source, _usual(usual))


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
    limit_dbi = normal_gain_dbi(size_m / 2, frequency_hz)
    if antenna.gain_dbi <= limit_dbi:
        # A practical limit that is kept proves nothing.
        return None
    reason = f"more than the {limit_dbi:.1f} dBi that {size_m * 1000:.0f} mm usually can hold"
    return Rating("optimistic", reason, "Harrington's normal gain (from memory; practical)")
