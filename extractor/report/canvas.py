"""Drawing for cards and films: type, shapes and marks on a picture with opacity.

Matplotlib takes a tenth of a second for what changes from one picture of a film to the next; here
each word and number is drawn once and pasted after that.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import cached_property, lru_cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from extractor.report import theme
from extractor.video.encoding import Picture, planes

Mask = npt.NDArray[np.uint8]
Points = Sequence[tuple[float, float]]
#: Shapes are placed to a sixteenth of a pixel.
_SHIFT = 4
_ELLIPSIS = "…"


class Canvas:
    """A picture to draw on; colours are those of light paper, and `dark` turns them over.

    Attributes
    ----------
    pixels : array of uint8, shape (height, width, 4)
        As `video.encoding.Picture`: colours times opacity.
    """

    def __init__(self, width: int, height: int, *, dark: bool = False) -> None:
        self.width, self.height, self.dark = width, height, dark
        self.pixels: Picture = np.zeros((height, width, 4), np.uint8)

    def tone(self, color: str) -> str:
        """Return what a colour is on this paper."""
        return theme.DARK.get(color, color) if self.dark else color

    def box(
        self, x: float, y: float, width: float, height: float, color: str,
        opacity: float = 1.0, radius: float = 0.0,
    ) -> None:  # fmt: skip
        """Fill a rectangle, pixels, with round corners if wanted."""
        if width <= 0 or height <= 0:
            return
        r = min(radius, width / 2, height / 2)
        if not r:
            for top, bottom, over in _pixels(y, y + height, self.height):
                for left, right, along in _pixels(x, x + width, self.width):
                    self._tint(top, bottom, left, right, color, opacity * over * along)
            return
        corners = ((x, y, 180), (x + width, y, 270), (x + width, y + height, 0),
                   (x, y + height, 90))  # fmt: skip
        points = []
        for (cx, cy, start), (sx, sy) in zip(
            corners, ((1, 1), (-1, 1), (-1, -1), (1, -1)), strict=True
        ):
            for degrees in range(start, start + 91, 15):
                turn = math.radians(degrees)
                points.append((cx + sx * r + r * math.cos(turn), cy + sy * r + r * math.sin(turn)))
        self.fill(points, color, opacity)

    def _tint(
        self, top: int, bottom: int, left: int, right: int, color: str, opacity: float
    ) -> None:
        room = self.pixels[top:bottom, left:right]
        ink = np.array([*rgb(self.tone(color)), 255], np.uint8)
        if opacity > 0.999:
            room[:] = ink
        elif room.size:
            steps = np.arange(256)[:, None] * (1 - opacity) + ink * opacity
            room[:] = cv2.LUT(room, steps.round().astype(np.uint8).reshape(256, 1, 4))

    def fill(self, points: Points, color: str, opacity: float = 1.0) -> None:
        """Fill a polygon."""
        self._shape([points], color, opacity, None)

    def line(self, points: Points, color: str, width: float, opacity: float = 1.0) -> None:
        """Draw a line; an end that is not a number breaks it."""
        parts: list[list[tuple[float, float]]] = [[]]
        for point in points:
            if math.isfinite(point[1]):
                parts[-1].append(point)
            elif parts[-1]:
                parts.append([])
        self._shape([p for p in parts if len(p) > 1], color, opacity, max(1, round(width)))

    def mark(self, x: float, y: float, size: float, look: theme.Look) -> None:
        """Draw an antenna's mark, `size` across, with a rim of paper."""
        for grown, color in ((0.18, theme.PAPER), (0.0, look.color)):
            half = size * (0.5 + grown)
            self.fill([(x + half * a, y + half * b) for a, b in _outline(look.mark)], color)

    def text(
        self, x: float, y: float, text: str, size: float, color: str = theme.INK, *,
        bold: bool = False, right: bool = False, middle: bool = False,
    ) -> float:  # fmt: skip
        """Write one line with its baseline at `y`; return its width, pixels.

        `right`: it ends at `x`; `middle`: half of it lies left of `x`.
        """
        mask, rise, width = _written(text, round(size), bold)
        left = x - (width if right else width / 2 if middle else 0)
        self.blend(mask, round(left), round(y) - rise, color)
        return width

    def blend(self, mask: Mask, x: int, y: int, color: str, opacity: float = 1.0) -> None:
        """Put a colour on where a mask says how much; what lies outside is cut off."""
        top, left = max(0, y), max(0, x)
        room = self.pixels[top : max(0, y + mask.shape[0]), left : max(0, x + mask.shape[1])]
        if not room.size:
            return
        cut = mask[top - y :, left - x :][: room.shape[0], : room.shape[1]].astype(np.uint16)
        if opacity < 1:
            cut = cut * np.uint16(round(255 * opacity)) // np.uint16(255)
        ink = np.array([*rgb(self.tone(color)), 255], np.uint16)
        share = cut[..., None]
        room[:] = (room * (255 - share) + share * ink + 127) // 255

    def _shape(
        self, parts: Sequence[Points], color: str, opacity: float, width: int | None
    ) -> None:
        every = np.array([p for part in parts for p in part], float)
        if not every.size:
            return
        grown = 2 + (width or 0)
        x, y = (np.floor(every.min(axis=0)) - grown).astype(int)
        far = (np.ceil(every.max(axis=0)) + grown).astype(int)
        x, y = max(0, int(x)), max(0, int(y))
        right, bottom = min(self.width, int(far[0])), min(self.height, int(far[1]))
        if right <= x or bottom <= y:
            return
        mask = np.zeros((bottom - y, right - x), np.uint8)
        # The middle of a pixel is at half.
        moved = [
            np.round((np.array(p, float) - [x + 0.5, y + 0.5]) * 2**_SHIFT).astype(np.int32)
            for p in parts
        ]
        if width is None:
            cv2.fillPoly(mask, moved, 255, cv2.LINE_AA, _SHIFT)
        else:
            cv2.polylines(mask, moved, False, 255, width, cv2.LINE_AA, _SHIFT)
        self.blend(mask, x, y, color, opacity)


class Layer:
    """A finished part of a picture, to be laid over planes of footage again and again."""

    def __init__(self, pixels: Picture, matrix: int) -> None:
        self._pixels, self._matrix = pixels, matrix
        self.height, self.width = pixels.shape[:2]
        self._clear = pixels[..., 3].min() < 255

    @cached_property
    def _parts(self) -> list[tuple[Any, Any]]:
        height, width = self._pixels.shape[:2]
        flat = planes(self._pixels, self._matrix).reshape(-1)
        alpha = self._pixels[..., 3]
        half = cv2.resize(alpha, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
        found = []
        for part, opacity, offset in zip(split(flat, width, height), (alpha, half, half),
                                         (16, 128, 128), strict=True):  # fmt: skip
            # Black is 16, 128, 128: what is clear must add nothing.
            rest = (255 - opacity.astype(np.int16)) * offset // 255
            found.append(((part - rest).clip(0, 255).astype(np.uint8), cv2.bitwise_not(opacity)))
        return found

    def onto(self, pixels: Picture, x: int, y: int, start: int = 0, end: int = 99_999) -> None:
        """Lay the same over a picture with opacity."""
        own = self._pixels[:, start:end]
        room = pixels[y : y + own.shape[0], x + start : x + start + own.shape[1]]
        rest = 255 - own[..., 3:].astype(np.uint16)
        room[:] = own + ((room * rest + 127) // 255).astype(np.uint8)

    def over(self, onto: Sequence[Mask], x: int, y: int, start: int = 0, end: int = 99_999) -> None:
        """Lay its columns from `start` to `end`, even numbers, over planes at an even place."""
        for step, plane, (part, rest) in zip((1, 2, 2), onto, self._parts, strict=True):
            own = slice(start // step, min(end // step, part.shape[1]))
            top, left = y // step, x // step + own.start
            width = max(0, own.stop - own.start)
            room = plane[top : top + part.shape[0], left : left + width]
            if not room.size:
                continue
            if self._clear:
                cv2.add(cv2.multiply(room, rest[:, own], scale=1 / 255), part[:, own], dst=room)
            else:
                room[:] = part[:, own]


def _pixels(start: float, end: float, most: int) -> list[tuple[int, int, float]]:
    """Return the pixels from `start` to `end`, and how much of them lies between."""
    start, end = max(0.0, start), min(float(most), end)
    first, last = math.ceil(start), math.floor(end)
    if start >= end:
        return []
    if first > last:
        return [(last, first, end - start)]
    parts = [(first - 1, first, first - start), (first, last, 1.0), (last, last + 1, end - last)]
    return [part for part in parts if part[1] > part[0] and part[2] > 0]


class Screen:
    """A picture of a film of which only some lines change from one to the next."""

    def __init__(self, base: Canvas, alpha: bool) -> None:
        self._canvas, self._base = base, base.pixels.copy()
        self._flat = None if alpha else planes(base.pixels)

    @property
    def still(self) -> Picture:
        """The picture as it stands, as the encoder takes it."""
        return self._canvas.pixels.copy() if self._flat is None else self._flat

    def keep(self, draw: Callable[[Canvas], None]) -> None:
        """Draw something that stays; it is seen from the next `redrawn` on."""
        self._canvas.pixels[:] = self._base
        draw(self._canvas)
        self._base[:] = self._canvas.pixels

    def redrawn(self, top: float, bottom: float, draw: Callable[[Canvas], None]) -> Picture:
        """Return the picture with the lines between drawn anew, as the encoder takes it."""
        canvas, rows = self._canvas, slice(int(top) // 2 * 2, math.ceil(bottom / 2) * 2)
        canvas.pixels[rows] = self._base[rows]
        draw(canvas)
        if self._flat is None:
            return canvas.pixels.copy()
        width, height = canvas.width, canvas.height
        fresh = planes(canvas.pixels[rows])
        parts = split(fresh.reshape(-1), width, canvas.pixels[rows].shape[0])
        for step, whole, part in zip(
            (1, 2, 2), split(self._flat.reshape(-1), width, height), parts, strict=True
        ):
            whole[rows.start // step : rows.start // step + part.shape[0]] = part
        return self._flat.copy()


def split(flat: Mask, width: int, height: int) -> tuple[Mask, Mask, Mask]:
    """Return the planes Y, U, V that lie one after the other, as views."""
    count, half = width * height, (height // 2, width // 2)
    luma = flat[:count].reshape(height, width)
    first, second = (part.reshape(half) for part in np.split(flat[count:], 2))
    return luma, first, second


def rgb(color: str) -> tuple[int, int, int]:
    """Return red, green, blue of ``#rrggbb``."""
    return int(color[1:3], 16), int(color[3:5], 16), int(color[5:7], 16)


def width_of(text: str, size: float, *, bold: bool = False) -> float:
    """Return how wide a line is, pixels."""
    return sum(_font(path, round(size)).getlength(part) for part, path in _runs(text, bold))


def fitted(text: str, size: float, width: float, *, bold: bool = False) -> str:
    """Return the text, its end cut off where it is wider than `width`."""
    if width_of(text, size, bold=bold) <= width:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        fits = width_of(text[:middle].rstrip() + _ELLIPSIS, size, bold=bold) <= width
        low, high = (middle, high) if fits else (low, middle - 1)
    return text[:low].rstrip() + _ELLIPSIS


def wrapped(
    text: str, size: float, width: float, most: int = 99, *, bold: bool = False
) -> list[str]:
    """Return the text in lines of at most that width; what exceeds `most` lines is cut off."""
    lines: list[str] = []
    words = text.split()
    for i, word in enumerate(words):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_of(longer, size, bold=bold) <= width:
            lines[-1] = longer
        elif len(lines) < most:
            lines.append(word)
        else:
            lines[-1] = fitted(
                f"{lines[-1]} {' '.join(words[i:])}{_ELLIPSIS}", size, width, bold=bold
            )
            break
    return [fitted(line, size, width, bold=bold) for line in lines]


@lru_cache(maxsize=4096)
def _written(text: str, size: int, bold: bool) -> tuple[Mask, int, float]:
    """Draw a line; return it, how far its top lies above the baseline, and its width."""
    width, rise = width_of(text, size, bold=bold), math.ceil(1.2 * size)
    image = Image.new("L", (math.ceil(width) + 2, rise + math.ceil(0.45 * size)))
    draw, at = ImageDraw.Draw(image), 0.0
    for part, path in _runs(text, bold):
        font = _font(path, size)
        draw.text((at, rise), part, fill=255, font=font, anchor="ls")
        at += font.getlength(part)
    return np.asarray(image), rise, width


@lru_cache(maxsize=512)
def _font(path: str, size: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(path, max(4, size))


@lru_cache(maxsize=4096)
def _runs(text: str, bold: bool) -> tuple[tuple[str, str], ...]:
    """Return the stretches of a line that one font holds, each with its font's file."""
    if text.isascii():
        return ((text, theme.font_file(bold=bold)),)
    found: list[tuple[str, str]] = []
    for sign, path in theme.fonts_by_sign(theme.drawable(text), bold=bold):
        if found and found[-1][1] == path:
            found[-1] = (found[-1][0] + sign, path)
        else:
            found.append((sign, path))
    return tuple(found)


@lru_cache
def _outline(mark: str) -> tuple[tuple[float, float], ...]:
    """Return a mark's outline, from -1 to 1."""
    corners = {"square": 4, "diamond": 4, "triangle": 3, "wedge": 3, "left": 3, "right": 3,
               "pentagon": 5, "hexagon": 6}.get(mark, 40)  # fmt: skip
    turn = {"square": 45, "wedge": 90, "left": 180, "right": 0}.get(mark, -90)
    if mark in ("plus", "cross"):
        arm = [(-0.36, -1), (0.36, -1), (0.36, -0.36), (1, -0.36), (1, 0.36), (0.36, 0.36)]
        points = [*arm, (0.36, 1), (-0.36, 1), (-0.36, 0.36), (-1, 0.36), (-1, -0.36),
                  (-0.36, -0.36)]  # fmt: skip
        spin = math.radians(45 if mark == "cross" else 0)
        return tuple(
            (a * math.cos(spin) - b * math.sin(spin), a * math.sin(spin) + b * math.cos(spin))
            for a, b in points
        )
    reach = {"square": 1.25, "triangle": 1.15, "wedge": 1.15, "star": 1.2}.get(mark, 1.05)
    inner = 0.45 if mark == "star" else 1.0
    count = 10 if mark == "star" else corners
    points = []
    for i in range(count):
        angle, far = math.radians(turn + 360 * i / count), reach * (inner if i % 2 else 1.0)
        points.append((far * math.cos(angle), far * math.sin(angle)))
    return tuple(points)
