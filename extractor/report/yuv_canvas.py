"""Pictures for films, in brightness and colour, and the little that is drawn on them."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from extractor.report import theme
from extractor.report.charts import clips as clip_charts
from extractor.report.charts.clips import RunSeries, Scale, common_scale
from extractor.session.overlay import Box
from extractor.video.encoding import yuv420

Picture = npt.NDArray[np.uint8]
"""Y', Cb, Cr of each pixel, shape (height, width, 3). Of each 2 x 2 pixels the first one's colour
counts, so places are even numbers."""
_DPI = 100
_MONO = "DejaVu Sans Mono"
_GREY = 128


def blank(width: int, height: int, color: str) -> Picture:
    """Make a picture of one colour, ``#rrggbb``."""
    rgb = [int(color[i : i + 2], 16) for i in (1, 3, 5)]
    return of_rgb(np.full((height, width, 3), rgb, np.uint8))


def of_rgb(rgb: npt.NDArray[np.uint8]) -> Picture:
    """Make a picture of an RGB one; sides are cut to even numbers."""
    height, width = rgb.shape[0] // 2 * 2, rgb.shape[1] // 2 * 2
    flat = yuv420(rgb[:height, :width]).reshape(-1)
    made = np.empty((height, width, 3), np.uint8)
    made[..., 0] = flat[: height * width].reshape(height, width)
    colors = flat[height * width :].reshape(2, height // 2, width // 2)
    made[..., 1:] = colors.repeat(2, axis=1).repeat(2, axis=2).transpose(1, 2, 0)
    return made


def paste(onto: Picture, other: Picture, x: int, y: int) -> None:
    """Put a picture at an even place; what lies outside is cut off."""
    room = onto[y // 2 * 2 :, x // 2 * 2 :][: other.shape[0], : other.shape[1]]
    room[:] = other[: room.shape[0], : room.shape[1]]


def draw_frame(picture: Picture, box: Box, thickness: int) -> None:
    """Draw a frame just outside a box: light, with a dark rim, to stand out anywhere."""
    for grown, level in ((2 * thickness, 16), (thickness, 235)):
        left, top = box.x - grown, box.y - grown
        right, bottom = box.x + box.width + grown, box.y + box.height + grown
        for x0, x1, y0, y1 in (
            (left, right, top, top + thickness),
            (left, right, bottom - thickness, bottom),
            (left, left + thickness, top, bottom),
            (right - thickness, right, top, bottom),
        ):
            # A side that falls outside the picture is not drawn: the box itself stays clear.
            x0, x1, y0, y1 = (max(0, at) for at in (x0, x1, y0, y1))
            picture[y0:y1, x0:x1, 0] = level
            picture[y0 // 2 * 2 : y1, x0 // 2 * 2 : x1, 1:] = _GREY


def dimmed(picture: Picture) -> Picture:
    """Return the picture much paler."""
    return picture // 4 + np.array([150, 96, 96], np.uint8)


def packed(picture: Picture) -> npt.NDArray[np.uint8]:
    """Return it as the encoder takes it, shape (height * 3 // 2, width)."""
    y, u, v = (picture[::step, ::step, i].reshape(-1) for i, step in enumerate((1, 2, 2)))
    return np.concatenate([y, u, v]).reshape(-1, picture.shape[1])


def scaled(crop: Picture, width: int, height: int) -> Picture:
    """Return a crop as a picture of even size, scaled where it must be."""
    import cv2

    if crop.shape[:2] == (height, width):
        return crop
    # Every second pixel is plenty for a picture that shrinks to less than a third.
    step = 2 if crop.shape[0] > 3 * height else 1
    crop = np.ascontiguousarray(crop[::step, ::step])
    return np.asarray(cv2.resize(crop, (width, height), interpolation=cv2.INTER_AREA), np.uint8)


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
        self._paper = theme.PAPER if plain else theme.INK
        self._ink = theme.INK if plain else theme.PAPER
        self._share = 0.56 if plain else 0.68
        self._advance = 2 * int(np.ceil(0.3 * self._share * height))

    def width(self, count: int) -> int:
        """Return how wide so many letters are, pixels."""
        return self._advance * count

    def picture(self, text: str, *, bad: bool = False) -> Picture:
        """Return a text as a picture; `bad` puts it on the colour of a warning."""
        paper = theme.WARN if bad else self._paper
        look = (self.height, self._advance, self._share, self._ink, paper)
        return np.hstack([_letter(c, *look) for c in text or " "])

    def line(self, text: str, width: int, color: str) -> Picture:
        """Return a line of running text after a patch of a colour, on paper."""
        figure = _figure(width, self.height, theme.PAPER)
        patch = 0.55 * self.height / width
        figure.add_artist(Rectangle((0.3 * patch, 0.22), patch, 0.56, color=color, linewidth=0))
        size = 0.62 * self.height * 72 / _DPI
        figure.text(1.8 * patch, 0.5, theme.drawable(text), fontsize=size, va="center_baseline")
        return of_rgb(_drawn(figure))


def _figure(width: int, height: int, paper: str) -> Figure:
    return Figure(figsize=(width / _DPI, height / _DPI), dpi=_DPI, facecolor=paper)


def _drawn(figure: Figure) -> npt.NDArray[np.uint8]:
    """Draw a figure; return red, green and blue of each pixel."""
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())[..., :3]


@lru_cache(maxsize=2048)
def _letter(letter: str, height: int, width: int, share: float, ink: str, paper: str) -> Picture:
    figure = _figure(width, height, paper)
    figure.text(
        0.5, 0.24, theme.drawable(letter), color=ink, ha="center", va="baseline",
        fontsize=share * height * 72 / _DPI, fontfamily=_MONO,
    )  # fmt: skip
    return of_rgb(_drawn(figure))


class Strip:
    """A run's chart whose curve is drawn up to now; the rest of it is faint.

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

    def __init__(
        self, run: RunSeries, width: int, height: int, title: str, scale: Scale | None = None
    ) -> None:
        self.height = height
        figure = _figure(width, height, theme.PAPER)
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
            figure.text(0.99, 0.97, "s", fontsize=text, va="top", ha="right", color=theme.SOFT)
        rgb = _drawn(figure)
        box = axes.get_window_extent()
        # Where the time axis begins and ends, pixels.
        self.left, self.right = round(box.x0), round(box.x1)
        faint = rgb.copy()
        faint[:, self.left :] = 255 - (255 - rgb[:, self.left :].astype(np.int16)) * 0.3
        times = run.series["time_s"]
        self._start_s = float(times.iloc[0]) if len(times) else 0.0
        self._length_s = chosen.longest_s
        self._done, self._ahead = of_rgb(rgb), of_rgb(faint)

    def at(self, time_s: float) -> Picture:
        """Return the strip at a time."""
        share = min(1.0, max(0.0, (time_s - self._start_s) / self._length_s))
        x = round(self.left + share * (self.right - self.left)) // 2 * 2
        picture = np.hstack([self._done[:, :x], self._ahead[:, x:]])
        picture[:, x : x + 2] = (60, _GREY, _GREY)
        return picture
