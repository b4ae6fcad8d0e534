"""From the text that a reader saw to a number, or to the reason why there is none."""

from __future__ import annotations

import functools
import math
import re
from dataclasses import dataclass

from extractor.reading.readers.base import OTHER
from extractor.session.csv_tables import parse_number
from extractor.statistics.flags import Flag

_NUMBER = re.compile(r"[-+]?\d+(?:[.,]\d+)?")
_NEGATIVE = re.compile(r"-\d+(?:[.,]\d+)?")
_DASH = re.compile(r"[-\u2013\u2014]+(?:[.,:][-\u2013\u2014]+)?")


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
        Verbatim. Exactly one number must stand in it; letters may stand beside it, set off by
        a space. A sign that touches the number may be a digit that the crop's edge has cut.
    confidence, gate : float
        0 to 1; below `gate` the reading is `unreadable`.
    """
    return Reading(math.nan, Flag.UNREADABLE) if confidence < gate else _interpreted(text)


@functools.lru_cache(maxsize=1 << 14)  # a display shows few different numbers
def _interpreted(text: str) -> Reading:
    if not text.strip():
        return Reading(math.nan, Flag.HIDDEN)
    words = shown(text)
    if len(words) == 1 and _DASH.fullmatch(words[0]):
        return Reading(math.nan, Flag.NO_LINK)
    numbers = [p for p in words if _NUMBER.fullmatch(p)]
    digits = [p for p in words if any(c.isdigit() for c in p)]
    value = parse_number(numbers[0]) if len(numbers) == len(digits) == 1 else None
    if value is None:
        return Reading(math.nan, Flag.UNREADABLE)
    return Reading(value, Flag.OK)


def is_spoilt(text: str, confidence: float) -> bool:
    """Tell whether nothing was read because damage makes the picture show something else.

    Looking at that picture cannot help either: it may still show an older number.
    """
    return confidence == 0 and not text


def is_negative(text: str) -> bool:
    """Tell whether a number with a minus stands in a text."""
    return any(_NEGATIVE.fullmatch(part) for part in shown(text))
