"""Pictures for films, as planes of brightness and colour, and the little that is drawn on them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from extractor.report.charts import clips as clip_charts
from extractor.report.charts import style
from extractor.report.charts.clips import RunSeries, Scale, common_scale
from extractor.session.overlay import Box
from extractor.video.encoding import yuv420

Plane = npt.NDArray[np.uint8]
_DPI = 100
_MONO = "DejaVu Sans Mono"


@dataclass
class Planes:
    """A picture as Y, U and V; the colours at half resolution. Places are even numbers."""

    y: Plane
    u: Plane
    v: Plane

    @classmethod
    def blank(cls, width: int, height: int, color: str) -> Planes:
        """Make a picture of one colour, ``#rrggbb``."""
        return cls.of_rgb(np.full((height, width, 3), _rgb(color), np.uint8))

    @classmethod
    def of_rgb(cls, rgb: Plane) -> Planes:
        """Make a picture of an RGB one; sides are cut to even numbers."""
        height, width = rgb.shape[0] // 2 * 2, rgb.shape[1] // 2 * 2
        flat = yuv420(rgb[:height, :width]).reshape(-1)
        luma, chroma = height * width, height * width // 4
        half = (height // 2, width // 2)
        return cls(
            flat[:luma].reshape(height, width).copy(),
            flat[luma : luma + chroma].reshape(half).copy(),
            flat[luma + chroma :].reshape(half).copy(),
        )

    @property
    def width(self) -> int:
        """Pixels."""
        return int(self.y.shape[1])

    @property
    def height(self) -> int:
        """Pixels."""
        return int(self.y.shape[0])

    def paste(self, other: Planes, x: int, y: int) -> None:
        """Put a picture at an even place; what lies outside is cut off."""
        x, y = x // 2 * 2, y // 2 * 2
        height = min(other.height, self.height - y)
        width = min(other.width, self.width - x)
        self.y[y : y + height, x : x + width] = other.y[:height, :width]
        down, right = y // 2, x // 2
        half = height // 2, width // 2
        self.u[down : down + half[0], right : right + half[1]] = other.u[: half[0], : half[1]]
        self.v[down : down + half[0], right : right + half[1]] = other.v[: half[0], : half[1]]

    def frame(self, box: Box, thickness: int) -> None:
        """Draw a frame just outside a box: light, with a dark rim, to stand out anywhere."""
        for grown, level in ((2 * thickness, 16), (thickness, 235)):
            left, top = box.x - grown, box.y - grown
            right, bottom = box.x + box.width + grown, box.y + box.height + grown
            for rows, columns in (
                (_inside(top, top + thickness), _inside(left, right)),
                (_inside(bottom - thickness, bottom), _inside(left, right)),
                (_inside(top, bottom), _inside(left, left + thickness)),
                (_inside(top, bottom), _inside(right - thickness, right)),
            ):
                self.y[rows, columns] = level
                half = _half(rows), _half(columns)
                self.u[half] = 128
                self.v[half] = 128

    def dimmed(self) -> Planes:
        """Return the picture much paler."""
        return Planes(
            (self.y // 4 + 150).astype(np.uint8),
            (self.u // 4 + 96).astype(np.uint8),
            (self.v // 4 + 96).astype(np.uint8),
        )

    def packed(self) -> Plane:
        """Return it as the encoder takes it, shape (height * 3 // 2, width)."""
        flat = np.concatenate([self.y.reshape(-1), self.u.reshape(-1), self.v.reshape(-1)])
        return flat.reshape(self.height * 3 // 2, self.width)


def _inside(start: int, stop: int) -> slice:
    # A side that falls outside the picture is not drawn: the box itself stays clear.
    return slice(max(0, start), max(0, stop))


def _half(part: slice) -> slice:
    return slice(part.start // 2, -(-part.stop // 2))


def planes_of(crop: Plane, width: int, height: int) -> Planes:
    """Return a crop (Y, Cb, Cr) as a picture of even size, scaled where it must be."""
    import cv2

    if crop.shape[:2] == (height, width):
        return Planes(
            np.ascontiguousarray(crop[..., 0]), crop[::2, ::2, 1].copy(), crop[::2, ::2, 2].copy()
        )
    # Every second pixel is plenty for a picture that shrinks to less than a third.
    step = 2 if crop.shape[0] > 3 * height else 1
    crop = np.ascontiguousarray(crop[::step, ::step])
    small: Plane = np.asarray(
        cv2.resize(crop, (width, height), interpolation=cv2.INTER_AREA), np.uint8
    )
    return Planes(small[..., 0].copy(), small[::2, ::2, 1].copy(), small[::2, ::2, 2].copy())


class Letters:
    """Text in one size, letter by letter, so that a new number costs next to nothing.

    Parameters
    ----------
    height : int
        Of a line, pixels, even.
    plain : bool
        Dark on paper; else light on dark, as a tag.
    """

    def __init__(self, height: int, *, plain: bool = False) -> None:
        self.height = height
        self._paper = style.PAPER if plain else style.INK
        self._ink = style.INK if plain else style.PAPER
        self._share = 0.56 if plain else 0.68
        self._advance = even_width(0.6 * self._share * height)

    def width(self, count: int) -> int:
        """Return how wide so many letters are, pixels."""
        return self._advance * count

    def picture(self, text: str, *, bad: bool = False) -> Planes:
        """Return a text as a picture; `bad` puts it on the colour of a warning."""
        paper = style.WARN if bad else self._paper
        look = (self.height, self._advance, self._share, self._ink, paper)
        shown = [_letter(c, *look) for c in text or " "]
        return Planes(
            np.hstack([s.y for s in shown]),
            np.hstack([s.u for s in shown]),
            np.hstack([s.v for s in shown]),
        )

    def line(self, text: str, width: int, color: str) -> Planes:
        """Return a line of running text after a patch of a colour, on paper."""
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        figure = Figure(figsize=(width / _DPI, self.height / _DPI), dpi=_DPI, facecolor=style.PAPER)
        patch = 0.55 * self.height / width
        figure.add_artist(_patch(0.3 * patch, 0.22, patch, 0.56, color))
        size = 0.62 * self.height * 72 / _DPI
        figure.text(1.8 * patch, 0.5, style.drawable(text), fontsize=size, va="center_baseline")
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        return Planes.of_rgb(np.asarray(canvas.buffer_rgba())[..., :3])


def even_width(value: float) -> int:
    """Return the next even number that is not smaller."""
    return -(-int(np.ceil(value)) // 2) * 2


def _patch(x: float, y: float, width: float, height: float, color: str) -> Any:
    from matplotlib.patches import Rectangle

    return Rectangle((x, y), width, height, color=color, linewidth=0)


@lru_cache(maxsize=2048)
def _letter(letter: str, height: int, width: int, share: float, ink: str, paper: str) -> Planes:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width / _DPI, height / _DPI), dpi=_DPI, facecolor=paper)
    figure.text(
        0.5, 0.24, style.drawable(letter), color=ink, ha="center", va="baseline",
        fontsize=share * height * 72 / _DPI, fontfamily=_MONO,
    )  # fmt: skip
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    return Planes.of_rgb(np.asarray(canvas.buffer_rgba())[..., :3])


@dataclass
class Strip:
    """A chart whose curve is drawn up to now; the rest of it is faint."""

    done: Planes
    ahead: Planes
    left: int
    right: int
    """Pixels where the time axis begins and ends."""
    start_s: float
    length_s: float

    @property
    def height(self) -> int:
        """Pixels."""
        return self.done.height

    def at(self, time_s: float) -> Planes:
        """Return the strip at a time."""
        share = min(1.0, max(0.0, (time_s - self.start_s) / self.length_s))
        x = round(self.left + share * (self.right - self.left)) // 2 * 2
        half = x // 2
        picture = Planes(
            np.hstack([self.done.y[:, :x], self.ahead.y[:, x:]]),
            np.hstack([self.done.u[:, :half], self.ahead.u[:, half:]]),
            np.hstack([self.done.v[:, :half], self.ahead.v[:, half:]]),
        )
        picture.y[:, x : x + 2] = 60
        picture.u[:, half : half + 1] = 128
        picture.v[:, half : half + 1] = 128
        return picture


def chart_strip(
    run: RunSeries, width: int, height: int, title: str, scale: Scale | None = None
) -> Strip:
    """Draw a run's chart for a film.

    Parameters
    ----------
    run : RunSeries
        What to draw.
    width, height : int
        Pixels, even.
    title : str
        Of the value axis; without one, no numbers stand at the axes.
    scale : Scale, optional
        A scale shared with others; the run's own by default.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width / _DPI, height / _DPI), dpi=_DPI, facecolor=style.PAPER)
    chosen = scale or common_scale([run])
    named = bool(title)
    text = min(10.0, 0.09 * height)
    room = 5.2 * text / width if named else 0.02
    low = 2.6 * text / height if named else 0.06
    axes = figure.add_axes((room, low, 0.985 - room, (0.84 if named else 0.92) - low))
    clip_charts.draw_strip(axes, run, chosen)
    axes.tick_params(labelsize=text, labelleft=named, labelbottom=named, pad=2)
    if named:
        figure.text(0.006, 0.97, title, fontsize=1.1 * text, va="top")
        figure.text(0.99, 0.97, "s", fontsize=text, va="top", ha="right", color=style.SOFT)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    rgb = np.asarray(canvas.buffer_rgba())[..., :3].copy()
    box = axes.get_window_extent()
    left, right = round(box.x0), round(box.x1)
    faint = rgb.copy()
    plot = faint[:, left:]
    plot[:] = (255 - (255 - plot.astype(np.int16)) * 0.3).astype(np.uint8)
    times = run.series["time_s"]
    start = float(times.iloc[0]) if len(times) else 0.0
    return Strip(Planes.of_rgb(rgb), Planes.of_rgb(faint), left, right, start, chosen.longest_s)


def _rgb(color: str) -> tuple[int, int, int]:
    return int(color[1:3], 16), int(color[3:5], 16), int(color[5:7], 16)
