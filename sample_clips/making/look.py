"""The overlay: two numbers at the top centre, in a plain look of the project's own.

Drawn in DejaVu Sans Bold, which ships inside matplotlib, so that every machine draws the
same shapes.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import matplotlib
import numpy as np
from PIL import Image, ImageDraw, ImageFilter, ImageFont

from .series import Shown

AREA = (640, 8, 320, 116)
"""x, y, width, height of the part of the frame that the overlay may touch, pixels."""
NUMBER_RIGHT = 806
UNIT_LEFT = 820
BITRATE_BASE = 66
"""Line on which the digits of the bitrate stand, y in pixels."""
LATENCY_BASE = 106
BITRATE_SIZE = 52
"""Font size, pixels; digits are 0.73 of it high: 38."""
LATENCY_SIZE = 33
"""Font size, pixels; digits 24 high."""

TEXT_COLOURS = {"box": (240, 244, 240), "outline": (255, 240, 200), "shadow": (255, 255, 250)}
BOX_COLOUR = (18, 26, 32, 150)


@cache
def _font(size: int) -> ImageFont.FreeTypeFont:
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    return ImageFont.truetype(str(folder / "DejaVuSans-Bold.ttf"), size)


def _write(draw: ImageDraw.ImageDraw, shown: Shown, fill: tuple, stroke: int = 0) -> None:
    """Write both numbers and their units at their place, relative to `AREA`."""
    lines = (
        (shown.bitrate, "Mbit/s", BITRATE_BASE, BITRATE_SIZE, 24),
        (shown.latency, "ms", LATENCY_BASE, LATENCY_SIZE, 22),
    )
    for number, unit, base, size, unit_size in lines:
        y = base - AREA[1]
        style = {"fill": fill, "stroke_width": stroke, "stroke_fill": fill}
        draw.text((NUMBER_RIGHT - AREA[0], y), number, font=_font(size), anchor="rs", **style)
        draw.text((UNIT_LEFT - AREA[0], y), unit, font=_font(unit_size), anchor="ls", **style)


@cache
def overlay(shown: Shown, backing: str) -> tuple[np.ndarray, np.ndarray]:
    """Draw the overlay.

    Returns
    -------
    colour : array of float32, shape (height, width, 3), RGB, 0 to 255, times its opacity
    clear : array of float32, shape (height, width, 1), share of the picture that shines through
    """
    layer = Image.new("RGBA", AREA[2:], (0, 0, 0, 0))
    if shown.bitrate and backing == "box":
        ImageDraw.Draw(layer).rounded_rectangle((12, 4, 307, 111), 12, fill=BOX_COLOUR)
    if shown.bitrate and backing == "outline":
        _write(ImageDraw.Draw(layer), shown, (0, 0, 0, 235), stroke=3)
    if shown.bitrate and backing == "shadow":
        under = Image.new("RGBA", AREA[2:], (0, 0, 0, 0))
        _write(ImageDraw.Draw(under), shown, (0, 0, 0, 255), stroke=2)
        under = under.transform(under.size, Image.Transform.AFFINE, (1, 0, -3, 0, 1, -3))
        layer = Image.alpha_composite(layer, under.filter(ImageFilter.GaussianBlur(2.2)))
    if shown.bitrate:
        text = Image.new("RGBA", AREA[2:], (0, 0, 0, 0))
        _write(ImageDraw.Draw(text), shown, (*TEXT_COLOURS[backing], 255))
        layer = Image.alpha_composite(layer, text)
    pixels = np.asarray(layer, dtype=np.float32)
    opacity = pixels[:, :, 3:] / 255
    return pixels[:, :, :3] * opacity, 1 - opacity


def stamp(frame: np.ndarray, shown: Shown, backing: str) -> None:
    """Draw the overlay into an RGB frame, in place."""
    x, y, width, height = AREA
    colour, clear = overlay(shown, backing)
    part = frame[y : y + height, x : x + width]
    part[:] = np.rint(part * clear + colour).astype(np.uint8)
