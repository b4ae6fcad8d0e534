"""From the text that a reader saw to a number, or to the reason why there is none."""

from __future__ import annotations

import functools
import math
import re
from dataclasses import dataclass

from extractor.reading.readers.base import OTHER
from extractor.session.numerals import numeral_in
from extractor.statistics.flags import Flag, parse_value

_WHOLE = re.compile(r"[-+\u2212]?\d+(?:[.,]\d+)?")


def shown(text: str) -> tuple[str, ...]:
    """Return what matters of a text: a unit beside the number may be seen in one frame only."""
    return tuple(part for part in text.split() if set(part) != {OTHER})


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading after the gate: a number or the reason why there is none."""

    value: float
    """NaN unless `flag` is ok."""
    flag: Flag


def interpret(text: str, confidence: float, gate: float) -> Reading:
    """Turn what a reader saw into a number or a flag; never guesses.

    Parameters
    ----------
    text : str
        Verbatim. Exactly one number must stand in it, see `numerals.numeral_in`; letters may stand
        beside it. A sign that touches the number may be a digit that the crop's edge has cut.
    confidence, gate : float
        0 to 1; below `gate` the reading is `unreadable`.
    """
    return Reading(math.nan, Flag.UNREADABLE) if confidence < gate else _interpreted(text)


@functools.lru_cache(maxsize=1 << 14)  # a display shows few different numbers
def _interpreted(text: str) -> Reading:
    value, flag = parse_value(text)
    # A reader may have lost the digit before or behind a point; a person who writes has not.
    if flag == Flag.OK and not _WHOLE.fullmatch(numeral_in(text) or ""):
        return Reading(math.nan, Flag.UNREADABLE)
    return Reading(value, flag)


def is_spoilt(text: str, confidence: float) -> bool:
    """Tell whether nothing was read because damage makes the picture show something else.

    Looking at that picture cannot help either: it may still show an older number.
    """
    return confidence == 0 and not text


def is_negative(text: str) -> bool:
    """Tell whether a number with a minus stands in a text."""
    return (numeral_in(text) or "").startswith(("-", "\u2212"))
