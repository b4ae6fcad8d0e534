"""How every chart is drawn with Matplotlib, and how a figure becomes a file."""

from __future__ import annotations

import io
import logging
import re
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Literal

import matplotlib
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine
from PIL import Image

from extractor.report.theme import GRID, INK, LINE, PAPER, VARIABLES, fonts_for, tell_lacking


@contextmanager
def drawing(texts: Sequence[str] = (), *, tell: bool = True) -> Iterator[None]:
    """Set fonts and text for the figures made inside; `texts` are the user's own words.

    Text is taken as it stands (a ``$`` in a name is no formula), and characters that the usual
    font lacks are taken from another installed one where there is one. What none holds becomes a
    box; a line on the log says so, once a character, unless not to `tell`.
    """
    fonts = fonts_for("".join(texts))
    if tell:
        tell_lacking("".join(texts))
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


def new_figure(width_in: float, height_in: float, *, arranged: bool = True) -> Figure:
    """Make an empty figure of a size in inches; `arranged` keeps labels inside it."""
    engine = ConstrainedLayoutEngine(w_pad=0.1, h_pad=0.08) if arranged else None
    return Figure(figsize=(width_in, height_in), layout=engine)


def plain(axes: Axes, *, grid: Literal["x", "y", "both"] = "x") -> Axes:
    """Take away what carries no information, keep a faint grid across the value axis."""
    axes.grid(True, axis=grid, color=GRID, linewidth=0.8)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    if grid == "x":
        axes.spines["left"].set_visible(False)
        axes.tick_params(axis="y", length=0)
    return axes


def lay_out(figure: Figure) -> None:
    """Find everything's place once, as for an SVG file, before the figure is saved several ways.

    Saving a figure with a layout engine draws it twice.
    """
    engine = figure.get_layout_engine()
    if engine is not None:
        FigureCanvasSVG(figure)
        engine.execute(figure)
        figure.set_layout_engine(None)


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
