"""Expected against measured: when it is a surprise, and a budget of what explains it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from extractor.comparison.findings import listed
from extractor.radio.causes import LEAST_DB, Cause, Measured, Suspects
from extractor.radio.combining import own_difference
from extractor.radio.link_budget import Span, exactly
from extractor.radio.situation import Circumstances, ExpectedDifference
from extractor.session.antennas import Antenna
from extractor.session.spelling import folded

Agreement = Literal["agrees", "explained", "measured lower", "measured higher", "can't be told"]

RATED_APART_DB = 0.5
"""Ratings nearer to each other than this put no antenna before the other."""


@dataclass(frozen=True)
class Judgement:
    """One antenna against another: expected, measured, and what explains the difference.

    Attributes
    ----------
    agreement
        ``explained`` is a surprise to who reads the ratings, and none to who counts ports, walls
        and cables; the measurements that are ``lower`` or ``higher`` leave something over.
    rated_db
        Difference of the two ratings; None where one is missing.
    causes
        Of a surprise: the largest first; those that are counted add from the ratings to
        ``expected.here``.
    own
        Measured difference with the ports undone, where a clip gave the port's weight.
    """

    antenna: str
    reference: str
    expected: ExpectedDifference
    measured: Measured
    agreement: Agreement
    rated_db: float | None
    causes: tuple[Cause, ...] = ()
    own: Span | None = None

    @property
    def left_over_db(self) -> float:
        """What the measured interval lies beyond the expected range, in dB; 0 inside it."""
        low, high = self.measured.in_db
        if self.agreement == "can't be told":
            return math.nan
        here = self.expected.here
        return min(0.0, high - here.low_db) or max(0.0, low - here.high_db)

    @property
    def sentence(self) -> str:
        """The judgement in words, and what it asks for."""
        pair, ask = f"{self.antenna} against {self.reference}", ""
        if self.expected.polarisation.value_db is None:
            ask = " Polarisation isn't given for all and may hide 3 to 20 dB: fill antennas.csv."
        if self.agreement == "can't be told":
            return f"{pair}: expectation and measurement can't be compared.{ask}"
        if self.agreement == "agrees":
            return f"{pair}: measured as physics expects here.{ask}"
        return f"{self._surprise()}{ask}"

    def _surprise(self) -> str:
        here = self.expected.here
        start = self.expected.middle["gain"] if self.rated_db is None else self.rated_db
        word = "expected" if self.rated_db is None else "rated"
        said = (
            f"{self.antenna}, {word} {_against(start, self.reference)}, measures {self._measured()}"
        )
        steps = [
            f"{one.title} ({one.size.at(0):+.1f} dB)"
            for one in self.causes
            if one.counted and abs(one.size.at(0)) >= LEAST_DB
        ]
        turned = (
            f"{f'with {listed(steps)} ' if steps else ''}the lead of {start:+.1f} becomes "
            f"{self.expected.middle['here']:+.1f} dB ({here.low_db:+.1f} to {here.high_db:+.1f})"
        )
        if self.agreement == "explained":
            return f"{said}, which physics allows here: {turned}."
        first = next((one for one in self.causes if not (one.counted or one.excluded)), None)
        look = "" if first is None else f" Look first at {first.title}: {first.clip}."
        over = abs(self.left_over_db)
        return f"{said}: {over:.1f} dB at least are left over, though {turned}.{look}"

    def _measured(self) -> str:
        one = self.measured
        ends = f"{one.low:+.1f} to {one.high:+.1f}"
        if math.isnan(one.value):
            return f"{ends} {one.unit} against it"
        if one.low <= 0 <= one.high:
            return f"like it here ({round(one.value, 1) + 0.0:+.1f} {one.unit}, {ends})"
        word = "above" if one.value > 0 else "below"
        return f"{abs(one.value):.1f} {one.unit} {word} it ({ends})"


def _against(value: float, reference: str) -> str:
    if abs(value) < RATED_APART_DB:
        return f"like {reference}"
    return f"{abs(value):.1f} dB {'above' if value > 0 else 'below'} {reference}"


def suspect_sign(measured: Measured, expected_db: float) -> int:
    """Return -1 where the first antenna did worse than expected, else +1."""
    low, high = measured.in_db
    middle = measured.value if measured.unit == "dB" else (low + high) / 2
    if not math.isfinite(middle):
        middle = high if math.isfinite(high) else low
    return -1 if middle < expected_db else 1


def judge(
    expected: ExpectedDifference,
    measured: Measured,
    antenna: Antenna,
    reference: Antenna,
    about: Circumstances,
    told: Mapping[tuple[str, str], Measured] | None = None,
) -> Judgement:
    """Hold one measured difference against what is expected.

    Parameters
    ----------
    told
        Results of the clips that tell, as from `causes.told_results`.
    """
    told = told or {}
    gains = antenna.gain_dbi, reference.gain_dbi
    rated = None if gains[0] is None or gains[1] is None else gains[0] - gains[1]
    names = (antenna.antenna, reference.antenna)
    own = _undone(measured, *(told.get((folded(name), "ports")) for name in names))
    agreement = _agreement(expected, measured, rated)
    judgement = Judgement(*names, expected, measured, agreement, rated, (), own)
    if agreement in ("agrees", "can't be told"):
        return judgement
    start = expected.middle["gain"] if rated is None else rated
    suspects = Suspects(antenna, reference, expected, about, suspect_sign(measured, start))
    causes = suspects.counted(rated)
    more = suspects.open({one.name for one in causes})
    # A surprise always asks for the swap; the rest only where something is left over.
    causes += more if agreement != "explained" else [c for c in more if c.name == "connector"]
    causes = [one.told(told.get((folded(one.subject), one.name))) for one in causes]
    causes.sort(key=lambda one: -abs(one.size.at(0)))
    return replace(judgement, causes=tuple(causes))


def _undone(measured: Measured, first: Measured | None, second: Measured | None) -> Span | None:
    """Undo the ports by the clip of a load on either antenna's port."""
    if measured.unit != "dB" or math.isnan(measured.low):
        return None
    if second is not None:
        return own_difference(measured.span, second.span)
    zero = exactly(0.0)
    turned = None if first is None else own_difference(zero - measured.span, first.span)
    return turned and zero - turned


def _agreement(
    expected: ExpectedDifference, measured: Measured, rated_db: float | None
) -> Agreement:
    here, plain = expected.here, expected.total
    if math.isnan(measured.low) or (math.isinf(here.low_db) and math.isinf(here.high_db)):
        return "can't be told"
    low, high = measured.in_db
    if high < here.low_db:
        return "measured lower"
    if low > here.high_db:
        return "measured higher"
    # Whether it surprises whoever knows the ratings and terms, but not ports and walls.
    surprises = high < plain.low_db or low > plain.high_db
    if measured.low <= 0 <= measured.high:
        apart = plain.low_db > 0 or plain.high_db < 0
        surprises |= apart and not (measured.unit == "dB" and low <= plain.at(0) <= high)
    elif rated_db is not None and abs(rated_db) >= RATED_APART_DB:
        surprises |= rated_db * measured.low < 0
    return "explained" if surprises else "agrees"
