"""What a reading may be: the one word in the ``<name>_flag`` column.

The reader gives ``ok``, ``no_link``, ``hidden`` or ``unreadable``; cleaning may turn ``ok`` into
``range``, ``spike``, ``format`` or ``frozen``; a correction by hand turns any of them into
``corrected``. A flag never removes a row and never changes a number or a text.
"""

from __future__ import annotations

import math
from enum import StrEnum

from extractor.session.numerals import is_dash, numeral_in, parse_number


class Flag(StrEnum):
    """The state of one reading; equal to its plain text, so tables hold ordinary strings."""

    OK = "ok"
    """A number was shown and read; statistics use it."""

    NO_LINK = "no_link"
    """The overlay shows a dash or another mark for "no value": the link was out."""

    HIDDEN = "hidden"
    """No overlay where it should be; says nothing about the link."""

    UNREADABLE = "unreadable"
    """Something is shown, but it is not sure what."""

    RANGE = "range"
    """A number outside the field's ``minimum`` or ``maximum``."""

    SPIKE = "spike"
    """A number shown too briefly and too far from its neighbours to have been shown at all."""

    FORMAT = "format"
    """A number in a form that this display does not use, such as a lost decimal point."""

    FROZEN = "frozen"
    """The whole picture stood still: an old number, not a new one."""

    CORRECTED = "corrected"
    """A number typed by a person; statistics use it."""


#: Flags whose value enters the statistics.
COUNTED: frozenset[str] = frozenset({Flag.OK, Flag.CORRECTED})

#: Flags whose value cell is empty.
WITHOUT_VALUE: frozenset[str] = frozenset({Flag.NO_LINK, Flag.HIDDEN, Flag.UNREADABLE})


def parse_value(text: str) -> tuple[float, Flag]:
    """Return the number in a reading or a cell (NaN where none) and the flag that goes with it."""
    if not text.strip():
        return math.nan, Flag.HIDDEN
    if is_dash(text):
        return math.nan, Flag.NO_LINK
    value = parse_number(numeral_in(text) or "")
    return (math.nan, Flag.UNREADABLE) if value is None else (value, Flag.OK)
