"""One look for everything shown: colours on light and dark, marks, names, type.

Colours say which antenna, and never alone: each has a mark of its own and a label beside it.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from extractor.session.antennas import COLOURS, MARKS

if TYPE_CHECKING:
    from matplotlib.font_manager import FontEntry

INK = "#1d2a33"
SOFT = "#5d6b75"
GRID = "#dfe5e9"
PAPER = "#ffffff"
SHADE = "#f3d9d2"
"""Behind stretches without link."""
WARN = "#a8331f"
LINE = "#8a98a3"

#: Light paper, dark paper, by the name in ``antennas.csv``. Searched for: the smallest difference
#: between any two, as seen with full colour vision and without the first, second or third cone
#: (Machado, Oliveira and Fernandes 2009), is as large as six colours near these allow that also
#: differ in lightness, for grey print, and can be read as text: 4.5 to 1 (WCAG 2.2, 1.4.3).
PALETTE: Mapping[str, tuple[str, str]] = dict(
    zip(
        COLOURS,
        (
            ("#022864", "#b3dbff"),
            ("#7f6d02", "#41ad00"),
            ("#940a48", "#ff7379"),
            ("#0c808a", "#69ffd1"),
            ("#9725c5", "#b993ff"),
            ("#592c00", "#fcf797"),
        ),
        strict=True,
    )
)

#: What a colour becomes on dark paper,
#: and the name of its variable in a page's style sheet.
_THEMES = (
    (INK, "#e6edf2", "--ink"),
    (SOFT, "#a9b6c0", "--soft"),
    (GRID, "#2e3a44", "--grid"),
    (PAPER, "#182028", "--paper"),
    (SHADE, "#4b2a24", "--shade"),
    (WARN, "#ff9c86", "--warn"),
    (LINE, "#8796a2", "--line"),
    *((*pair, f"--antenna-{name}") for name, pair in PALETTE.items()),
)
DARK: Mapping[str, str] = {light: dark for light, dark, _ in _THEMES}
VARIABLES: Mapping[str, str] = {light: name for light, _, name in _THEMES}
LONGEST_NAME = 24
FONT = "DejaVu Sans"
"""Comes with Matplotlib, of open licence; its figures are all of one width."""
#: So many characters without a font are named in one line.
_MOST_SHOWN = 20
#: Held by the usual font, thin and bold: for these its file need not be asked, which loads
#: Matplotlib.
HELD = frozenset(map(chr, (*range(0x20, 0x7F), *range(0xA0, 0x180)))) | set("–—…≥≤−•□")
_TOLD: set[str] = set()


@dataclass(frozen=True)
class Look:
    """How one antenna is drawn, the same in every picture."""

    colour: str
    """Name in `PALETTE`."""
    mark: str
    """Name in `MARKS`."""
    label: str
    """Its name, cut where it is too long for a picture, and still unlike the others."""

    @property
    def color(self) -> str:
        """Return ``#rrggbb`` for light paper."""
        return PALETTE[self.colour][0]

    @property
    def marker(self) -> str:
        """Return Matplotlib's sign of the mark."""
        return MARKS[self.mark]


def looks(
    names: Iterable[str], kept: Mapping[str, tuple[str, str]] | None = None
) -> dict[str, Look]:
    """Give each antenna its colour, mark and label.

    Parameters
    ----------
    names : iterable of str
        In the order in which they were first recorded: who comes later changes nobody's look.
    kept : mapping, optional
        Colours and marks chosen before, by name; either may be empty.
    """
    kept, unique = kept or {}, list(dict.fromkeys(names))
    labels = short_names(sorted(unique))
    taken = [kept[name] for name in unique if name in kept]
    found = {}
    for name in unique:
        colour, mark = kept.get(name, ("", ""))
        # Least used first; beyond six antennas colours come again, with other marks.
        colour = colour or min(COLOURS, key=lambda c: sum(c == t[0] for t in taken))
        usual = list(MARKS)[COLOURS.index(colour)]
        mark = mark or min((usual, *MARKS), key=lambda m: sum(m == t[1] for t in taken))
        taken.append((colour, mark))
        found[name] = Look(colour, mark, labels[name])
    return found


def short_names(names: Sequence[str], longest: int = LONGEST_NAME) -> dict[str, str]:
    """Cut names in the middle to at most `longest` characters; cut ones stay distinct."""
    found: dict[str, str] = {}
    taken: set[str] = set()
    for name in dict.fromkeys(names):
        flat = " ".join("".join(c if c.isprintable() else " " for c in name).split())
        label, count = _cut(flat, longest), 1
        while label in taken:
            count += 1
            label = f"{_cut(flat, longest - len(str(count)) - 1)}~{count}"
        taken.add(label)
        found[name] = label
    return found


def _cut(text: str, longest: int) -> str:
    if len(text) <= longest:
        return text
    tail = (longest - 1) // 3
    return f"{text[: longest - 1 - tail]}…{text[-tail:]}"


def counts(runs: int, mountings: int) -> str:
    """Say of how many runs and mountings something is made."""
    return f"n = {runs} run{'s' * (runs != 1)}, {mountings} mounting{'s' * (mountings != 1)}"


def tell_lacking(text: str) -> None:
    """Say on the log, once a character, what no installed font holds."""
    without = _without_font(text) - _TOLD
    boxed = [c for c in dict.fromkeys(text) if c in without]
    if not boxed:
        return
    _TOLD.update(boxed)
    shown = "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in boxed[:_MOST_SHOWN])
    more = "…" if len(boxed) > _MOST_SHOWN else ""
    logging.getLogger(__name__).warning(
        "warning: no installed font holds %s%s: boxes stand for them in pictures; install one that "
        "does, such as a Noto font, and make the pictures again", shown, more,
    )  # fmt: skip


def fonts_for(text: str) -> list[str]:
    """Return the fonts that together hold the characters of `text`, the usual one first."""
    lacking = _lacking(text)
    return [FONT, *_further(lacking)] if lacking else [FONT]


def fonts_by_sign(text: str, *, bold: bool) -> list[tuple[str, str]]:
    """Return each character with the file of the font that draws it."""
    own = font_file(bold=bold)
    if set(text) <= HELD:
        return [(sign, own) for sign in text]
    further = [_font_path(family) for family in fonts_for(text)[1:]]
    found = []
    for sign in text:
        files = (f for f in (own, *further) if ord(sign) in _coverage(f))
        found.append((sign, next(files, own)))
    return found


def _lacking(text: str) -> frozenset[str]:
    """Return the characters of `text` that the usual font does not hold."""
    rare = {c for c in text if not (c.isspace() or c in HELD)}
    usual = _coverage(_font_path(FONT)) if rare else frozenset()
    return frozenset(c for c in rare if ord(c) not in usual)


def _without_font(text: str) -> set[str]:
    """Return the characters of `text` that no installed font holds."""
    lacking = _lacking(text)
    if not lacking:
        return set()
    held = frozenset[int]().union(*(_coverage(_font_path(f)) for f in _further(lacking)))
    return {c for c in lacking if ord(c) not in held}


@cache
def _further(lacking: frozenset[str]) -> tuple[str, ...]:
    found: list[str] = []
    left = {ord(c) for c in lacking}
    from matplotlib import font_manager

    known = font_manager.fontManager.ttflist
    _search(known[:], left, found)
    if left:
        # The list is kept from one start to the next: fonts installed since are not in it.
        count = len(known)
        for path in set(font_manager.findSystemFonts()) - {entry.fname for entry in known}:
            with suppress(OSError, RuntimeError, NotImplementedError):
                font_manager.fontManager.addfont(path)
        _search(known[count:], left, found)
    return tuple(found)


def _search(entries: Iterable[FontEntry], left: set[int], found: list[str]) -> None:
    """Take the characters that these fonts hold out of `left`, and add the fonts to `found`."""
    for entry in entries:
        if not left:
            return
        if entry.name.startswith("Last Resort"):
            continue  # holds every character, as a picture of its kind
        try:
            covered = left & _coverage(entry.fname)
        except (OSError, RuntimeError):
            continue
        if covered and entry.style == "normal":
            found.append(entry.name)
            left -= covered


@cache
def _font_path(family: str) -> str:
    if family == FONT:
        return font_file(bold=False)
    from matplotlib import font_manager

    return str(font_manager.findfont(font_manager.FontProperties(family=[family])))


@cache
def font_file(*, bold: bool) -> str:
    """Return the usual font's file; found without loading Matplotlib, which takes its time."""
    spec = find_spec("matplotlib")
    assert spec is not None and spec.submodule_search_locations
    folder = Path(spec.submodule_search_locations[0], "mpl-data", "fonts", "ttf")
    return str(folder / f"DejaVuSans{'-Bold' * bold}.ttf")


@cache
def _coverage(path: str) -> frozenset[int]:
    from matplotlib.ft2font import FT2Font

    return frozenset(FT2Font(path).get_charmap())


def drawable(text: str) -> str:
    """Return `text` with characters that no installed font holds as ``□``."""
    boxed = _without_font(text)
    return "".join("□" if c in boxed else c for c in text)


def with_unit(what: str, unit: str) -> str:
    """Return an axis title such as ``bitrate, Mbit/s``."""
    title = what[:1].upper() + what[1:]
    return f"{title}, {unit}" if unit else title
