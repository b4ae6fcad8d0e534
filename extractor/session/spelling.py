"""Names that are likely one, written in two ways: named before they count as two."""

from __future__ import annotations

import itertools
import re
import unicodedata
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping

from extractor.session.numerals import parse_number

#: Columns whose cells are names, besides antenna, port, mounting and others.
COLUMNS = (
    *("rate_mode", "power_mw", "channel_mhz", "width_mhz", "position", "battery", "port_role"),
    *("transmitter_antenna", "companion", "session"),
)


def folded(name: str) -> str:
    """Return what is left of a name without what is easily mistyped or looks alike on screen.

    Capitals, spaces and hyphens, composed or decomposed accents, characters without width, and
    the ways to write a number (1, 1.0, 01).
    """
    text = unicodedata.normalize("NFKC", name).casefold()
    text = unicodedata.normalize("NFKC", text)
    text = "".join(c for c in text if unicodedata.category(c) != "Cf").strip()
    number = parse_number(text)
    if number is not None:
        return f"{number:.12g}"
    return re.sub(r"[\s_\-\u2010-\u2015]+", " ", text).strip()


def twins(names: Iterable[str]) -> list[tuple[str, ...]]:
    """Return groups of different names that `folded` makes one, each sorted."""
    groups: dict[str, set[str]] = defaultdict(set)
    for name in names:
        if name:
            groups[folded(name)].add(name)
    return [tuple(sorted(group)) for group in groups.values() if len(group) > 1]


def numbered(base: str, is_taken: Callable[[str], bool], first: int = 2) -> str:
    """Return `base` with the first number behind it, from `first` on, that is not taken."""
    return next(name for i in itertools.count(first) if not is_taken(name := f"{base}{i}"))


def hung(others: str) -> list[tuple[str, str]]:
    """Return port and antenna of each part of a cell ``Port=Antenna;Port=Antenna``."""
    parts = [part.partition("=") for part in others.split(";") if part.strip()]
    return [(port.strip(), antenna.strip()) for port, _, antenna in parts]


def objections(rows: Iterable[Mapping[str, object]], factor: str = "antenna") -> list[str]:
    """Return a sentence for each name of a table of runs that is written in several ways.

    Parameters
    ----------
    rows : iterable of mapping
        Cells by column; what is no text counts as empty.
    factor : str
        What the column ``antenna`` holds, for the sentence.
    """
    names: dict[tuple[str, str], list[str]] = defaultdict(list)
    for row in rows:
        cells = {k: v for k, v in row.items() if isinstance(v, str)}
        antenna = cells.get("antenna", "")
        names[factor, ""].append(antenna)
        names["port", ""].append(cells.get("port", ""))
        for port, other in hung(cells.get("others", "")):
            names["port", ""].append(port)
            names["antenna", ""].append(other)
        # A mounting is one within its antenna and session only.
        names[f"mounting of {antenna}", cells.get("session", "")].append(cells.get("mounting", ""))
        for column in COLUMNS:
            names[column, ""].append(cells.get(column, ""))
    return [_sentence(what, group) for (what, _), own in names.items() for group in twins(own)]


def _sentence(what: str, group: tuple[str, ...]) -> str:
    shown = {unicodedata.normalize("NFC", name) for name in group}
    quoted = " and ".join(f"'{name}'" for name in group)
    alike = " (they look alike, but are stored differently)" if len(shown) == 1 else ""
    return (
        f"{what} is written {quoted}{alike}: if that is one, write it alike in every row; if they "
        "are two, give them names that differ by more than capitals, spaces, accents or zeros"
    )
