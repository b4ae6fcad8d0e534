"""How every chart looks: colours, names, fonts, and how a figure becomes a file.

Colours say which antenna, and never alone: each has a marker of its own and a label beside it.
"""

from __future__ import annotations

import io
import logging
import re
import warnings
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

import matplotlib
from matplotlib import font_manager
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import FontEntry
from matplotlib.ft2font import FT2Font
from matplotlib.layout_engine import ConstrainedLayoutEngine
from PIL import Image

INK = "#1d2a33"
SOFT = "#5d6b75"
GRID = "#dfe5e9"
PAPER = "#ffffff"
SHADE = "#f3d9d2"
"""Behind stretches without link."""
WARN = "#a8331f"
LINE = "#8a98a3"

#: Light paper, dark paper, marker. Searched for: the smallest difference between any two, as
#: seen with full colour vision and without the first, second or third cone (Machado, Oliveira
#: and Fernandes 2009), is as large as six colours allow that also differ in lightness, for grey
#: print, and stand out from the paper by 3 to 1 (WCAG 2.2, 1.4.11).
PALETTE: tuple[tuple[str, str, str], ...] = (
    ("#07517f", "#8dc0fd", "o"),
    ("#75871d", "#91be23", "s"),
    ("#9c3e47", "#f87d87", "^"),
    ("#07a38d", "#3ae0d2", "D"),
    ("#8951cc", "#878df0", "v"),
    ("#503a00", "#fad286", "P"),
)
#: Beyond six antennas colours come again, with other markers.
_MORE_MARKERS = ("X", "*", "p", "h", "<", ">", "d", "8")

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
    *((light, dark, f"--antenna-{i}") for i, (light, dark, _) in enumerate(PALETTE)),
)
DARK: Mapping[str, str] = {light: dark for light, dark, _ in _THEMES}
VARIABLES: Mapping[str, str] = {light: name for light, _, name in _THEMES}
LONGEST_NAME = 24
_FONT = "DejaVu Sans"
#: So many characters without a font are named in one line.
_MOST_SHOWN = 20
_TOLD: set[str] = set()


@dataclass(frozen=True)
class Look:
    """How one antenna is drawn, the same in every picture."""

    color: str
    marker: str
    label: str
    """Its name, cut where it is too long for a picture, and still unlike the others."""


def looks(names: Sequence[str]) -> dict[str, Look]:
    """Give each antenna its colour, marker and label, in alphabetical order."""
    unique = sorted(set(names))
    labels = short_names(unique)
    found = {}
    for i, name in enumerate(unique):
        color, _, marker = PALETTE[i % len(PALETTE)]
        if i >= len(PALETTE):
            marker = _MORE_MARKERS[(i - len(PALETTE)) % len(_MORE_MARKERS)]
        found[name] = Look(color, marker, labels[name])
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


@contextmanager
def drawing(texts: Sequence[str] = (), *, tell: bool = True) -> Iterator[None]:
    """Set fonts and text for the figures made inside; `texts` are the user's own words.

    Text is taken as it stands (a ``$`` in a name is no formula), and characters that the usual
    font lacks are taken from another installed one where there is one. What none holds becomes a
    box; a line on the log says so, once a character, unless not to `tell`.
    """
    fonts = fonts_for("".join(texts))
    if tell:
        _tell_lacking("".join(texts))
    settings: Any = {
        "backend": "agg",
        "font.family": fonts,
        "font.size": 10.5,
        "text.parse_math": False,
        "text.color": INK,
        "axes.labelcolor": INK,
        "axes.edgecolor": LINE,
        "axes.titlesize": 11,
        "axes.titlelocation": "left",
        "axes.formatter.use_mathtext": False,
        "xtick.color": LINE,
        "ytick.color": LINE,
        "xtick.labelcolor": INK,
        "ytick.labelcolor": INK,
        "figure.facecolor": PAPER,
        "axes.facecolor": "none",
        "svg.fonttype": "path",
        # Ids in the file must not change from one drawing to the next.
        "svg.hashsalt": "extractor",
    }
    with matplotlib.rc_context(settings), warnings.catch_warnings(), _fonts_unremarked():
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        yield


@contextmanager
def _fonts_unremarked() -> Iterator[None]:
    """Keep to itself what Matplotlib says of a font that has no bold."""
    speaker = logging.getLogger("matplotlib.font_manager")
    before = speaker.level
    speaker.setLevel(logging.ERROR)
    try:
        yield
    finally:
        speaker.setLevel(before)


def _tell_lacking(text: str) -> None:
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
    return [_FONT, *_further(lacking)] if lacking else [_FONT]


def _lacking(text: str) -> frozenset[str]:
    """Return the characters of `text` that the usual font does not hold."""
    usual = _coverage(_font_path(_FONT))
    return frozenset(c for c in text if not c.isspace() and ord(c) not in usual)


def _without_font(text: str) -> set[str]:
    """Return the characters of `text` that no installed font holds."""
    lacking = _lacking(text)
    held = frozenset[int]().union(*(_coverage(_font_path(f)) for f in _further(lacking)))
    return {c for c in lacking if ord(c) not in held}


@cache
def _further(lacking: frozenset[str]) -> tuple[str, ...]:
    found: list[str] = []
    left = {ord(c) for c in lacking}
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
    return str(font_manager.findfont(font_manager.FontProperties(family=[family])))


@cache
def _coverage(path: str) -> frozenset[int]:
    return frozenset(FT2Font(path).get_charmap())


def drawable(text: str) -> str:
    """Return `text` with characters that no installed font holds as ``□``."""
    boxed = _without_font(text)
    return "".join("□" if c in boxed else c for c in text)


def new_figure(width_in: float, height_in: float, *, arranged: bool = True) -> Figure:
    """Make an empty figure of a size in inches; `arranged` keeps labels inside it."""
    engine = ConstrainedLayoutEngine(w_pad=0.1, h_pad=0.08) if arranged else None
    return Figure(figsize=(width_in, height_in), layout=engine)


def plain(axes: Axes, *, grid: Literal["x", "y"] = "x") -> Axes:
    """Take away what carries no information, keep a faint grid across the value axis."""
    axes.grid(True, axis=grid, color=GRID, linewidth=0.8)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    if grid == "x":
        axes.spines["left"].set_visible(False)
        axes.tick_params(axis="y", length=0)
    return axes


def with_unit(what: str, unit: str) -> str:
    """Return an axis title such as ``bitrate, Mbit/s``."""
    title = what[:1].upper() + what[1:]
    return f"{title}, {unit}" if unit else title


def pixels(figure: Figure, dpi: float = 144) -> Image.Image:
    """Draw a figure: red, green, blue and opacity of each pixel."""
    stream = io.BytesIO()
    figure.savefig(stream, format="rgba", dpi=dpi)
    size = (int(figure.get_figwidth() * dpi), int(figure.get_figheight() * dpi))
    return Image.frombuffer("RGBA", size, stream.getvalue(), "raw", "RGBA", 0, 1)


def packed(picture: Image.Image, dpi: float = 144) -> bytes:
    """Return a PNG file's content; other threads run meanwhile."""
    stream = io.BytesIO()
    picture.save(stream, format="png", dpi=(dpi, dpi))
    return stream.getvalue()


def png(figure: Figure, dpi: float = 144) -> bytes:
    """Return a figure as a PNG file's content."""
    return packed(pixels(figure, dpi), dpi)


def svg(figure: Figure) -> str:
    """Return a figure as an SVG file's content; text is drawn as outlines."""
    stream = io.StringIO()
    figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    return stream.getvalue()


_PROLOG = re.compile(r"^.*?(?=<svg)", re.DOTALL)
_METADATA = re.compile(r"<metadata>.*?</metadata>\s*", re.DOTALL)
_COMMENT = re.compile(r"<!--.*?-->\s*", re.DOTALL)
_ID = re.compile(r'\bid="([^"]*)"')
_REFERENCE = re.compile(r'(url\(#|href="#)')
_SIZE = re.compile(r'(<svg\b[^>]*?) (?:width|height)="[^"]*"')


def inline(picture: str, name: str) -> str:
    """Turn an SVG file into an element for a page: own ids, colours from the page's variables.

    Parameters
    ----------
    picture : str
        As from `svg`.
    name : str
        Put before every id, so that several pictures can stand in one page; letters, digits, -.
    """
    text = _COMMENT.sub("", _METADATA.sub("", _PROLOG.sub("", picture, count=1)))
    text = _ID.sub(rf'id="{name}-\1"', text)
    text = _REFERENCE.sub(rf"\g<1>{name}-", text)
    text = _SIZE.sub(r"\1", _SIZE.sub(r"\1", text, count=1), count=1)
    for color, variable in VARIABLES.items():
        text = text.replace(color, f"var({variable})")
    return text.replace("<svg ", '<svg aria-hidden="true" focusable="false" ', 1)
