"""From text to number: the one rule for what was read, what tables hold and what people wrote."""

from __future__ import annotations

import re

#: No number of any table is larger; the square of one beyond it could be none at all.
LARGEST_NUMBER = 1e15
_NUMERAL = re.compile(
    r"[-+\u2212]?(?:\d+(?:[.,](?P<decimals>\d*))?|[.,](?P<alone>\d+))(?:[eE][-+]?\d+)?", re.ASCII
)
#: A unit or a name; ``~`` stands for letters that a reader does not tell apart.
_WORD = re.compile(r"(?:[^\W\d_]|[~%\u00b0])[^\d?<>]*")
#: What may stand beside a number: nothing that says "about", "at least" or "perhaps".
_BESIDE = re.compile(r"[^\d?<>\u2264\u2265\u2248\u00b1]+")
#: What touches a number and looks like one of these may be a digit that was misread.
_LIKE_DIGITS = frozenset("OoDQIlSsBZ~")
#: Spreadsheets that take 3.5 and 1.25 for dates leave ``03. Mai`` and ``Jan 25``.
_MONTH = re.compile(r"(jan|feb|mrz|m\u00e4r|apr|mai|juni?|juli?|aug|sept?|okt|nov|dez)\.?", re.I)
_LONE_SIGNS = frozenset("-+\u2212")
_DASHES = re.compile(r"[-\u2010-\u2015\u2212_]+(?:[.,:][-\u2010-\u2015\u2212_]+)*")


def parse_number(text: str) -> float | None:
    """Return a number written with a point or a decimal comma; None if it is none.

    A thousands separator is not guessed at: ``1,234`` is 1.234. A number beyond
    `LARGEST_NUMBER` is none.
    """
    text = text.strip()
    if not is_numeral(text):
        return None
    value = float(text.replace("\u2212", "-").replace(",", "."))
    return value if abs(value) <= LARGEST_NUMBER else None


def is_numeral(text: str) -> bool:
    """Tell whether a text is a number and nothing else, however large."""
    return _NUMERAL.fullmatch(text) is not None


def numeral_in(text: str) -> str | None:
    """Return the one numeral in a text; None if there is none, or doubt which or what it is.

    A unit may touch it (``38.4Mb/s``), words may stand beside it. A sign that stands off may be
    the number's or a mark for no value, so it makes the number doubtful.
    """
    words = text.split()
    places = [i for i, word in enumerate(words) if any(c.isdigit() for c in word)]
    if len(places) != 1:
        return None
    place = places[0]
    found = _NUMERAL.match(words[place])
    beside = words[:place] + words[place + 1 :]
    if found is None or not all(_BESIDE.fullmatch(word) for word in beside):
        return None
    unit = words[place][found.end() :]
    if unit and (unit[0] in _LIKE_DIGITS or unit[0].isnumeric() or not _WORD.fullmatch(unit)):
        return None
    if found[0].endswith((".", ",")) and (unit or words[place + 1 :]):
        return None  # a day, or a digit was lost
    before = words[place - 1] if place else ""
    return None if before in _LONE_SIGNS or _MONTH.fullmatch(before) else found[0]


def decimals_in(text: str) -> int | None:
    """Return how many digits follow the point or comma of `numeral_in`; None without one."""
    found = _NUMERAL.fullmatch(numeral_in(text) or "")
    return None if found is None else len(found["decimals"] or found["alone"] or "")


def is_dash(text: str) -> bool:
    """Tell whether a text shows what stands where there is no value: dashes of any kind.

    ``--``, ``-.-``, ``- -``; a unit or a name may stand beside them.
    """
    words = text.split()
    dashes = [word for word in words if _DASHES.fullmatch(word)]
    return bool(dashes) and all(_DASHES.fullmatch(w) or _WORD.fullmatch(w) for w in words)
