"""Varies a drawn line: weight, width, slant, marked zeros, and few rows scaled up hard."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from extractor.reading.training.lettering import Lettering, Mask, font_of, resized

#: Steepest lean of an upright face, 15 degrees.
STEEPEST = 0.268
WIDTHS = (0.7, 1.4)
ROWS = (8, 14)
#: A change of weight must leave this share of the ink, and ink in less than this share of the
#: signs' places.
_LEAST_LEFT, _MOST_FILLED = 0.45, 0.55
#: Two digits on few rows must differ by so many pixels to be told apart.
_LEAST_DIFFERENCE = 2


@dataclass(frozen=True, slots=True)
class Variation:
    """What is done to a line.

    Attributes
    ----------
    weight : float
        Share of the height by which each edge of a stroke moves out; below 0 in.
    width, slant : float
        Factor; columns to the right a row up.
    zero : str
        How zeros are marked: ``slash``, ``dot``, or empty.
    """

    weight: float = 0.0
    width: float = 1.0
    slant: float = 0.0
    zero: str = ""


def sample_variation(zeros: bool, rng: np.random.Generator) -> Variation:
    """Draw a variation, of zeros too if asked; two lines in five have none."""
    if rng.random() < 0.4:
        return Variation()
    weight = float(rng.uniform(-0.03, 0.05)) if rng.random() < 0.35 else 0.0
    width = float(np.exp(rng.uniform(*np.log(WIDTHS)))) if rng.random() < 0.5 else 1.0
    slant = 0.0
    if rng.random() < 0.3:
        slant = float(rng.uniform(0.04, STEEPEST)) * (1 if rng.random() < 0.85 else -1)
    zero = str(rng.choice(["slash", "dot"])) if zeros and rng.random() < 0.2 else ""
    return Variation(weight, width, slant, zero)


def varied(line: Lettering, how: Variation) -> Lettering:
    """Return the line with a variation applied; what would make it illegible is left out."""
    if how.zero:
        line = _with_marked_zeros(line, how.zero)
    if how.weight:
        line = _weighted(line, how.weight * line.ink.shape[0])
    if how.width != 1.0:
        line = resized(line, how.width, 1.0, smooth=True)
    return _slanted(line, how.slant) if how.slant else line


def _weighted(line: Lettering, reach_px: float) -> Lettering:
    margin = int(abs(reach_px)) + 2
    ink = np.pad(line.ink, margin)
    kernel = np.ones((3, 3), np.uint8)
    change = cv2.dilate if reach_px > 0 else cv2.erode
    left = abs(reach_px)
    while left > 0:
        moved = change(ink, kernel)
        ink = np.asarray(cv2.addWeighted(moved, min(left, 1.0), ink, 1 - min(left, 1.0), 0))
        left -= 1.0
    grown = max(reach_px, 0.0)
    shift = margin if reach_px > 0 else 0
    ink = ink if reach_px > 0 else ink[margin:-margin, margin:-margin]
    signs = tuple(
        replace(sign, left=sign.left + shift - grown, right=sign.right + shift + grown,
                top=sign.top + shift - grown, bottom=sign.bottom + shift + grown)
        for sign in line.signs
    )  # fmt: skip
    room = sum((s.right - s.left) * (s.bottom - s.top) for s in signs)
    whole = float(ink.sum()) / 255
    if whole < _LEAST_LEFT * line.ink.sum() / 255 or whole > _MOST_FILLED * room:
        return line
    ghost = None if line.ghost is None else np.pad(line.ghost, shift)
    return Lettering(np.asarray(ink, np.uint8), ghost, signs, line.number)


def _slanted(line: Lettering, slant: float) -> Lettering:
    height, width = line.ink.shape
    room = int(np.ceil(abs(slant) * height))
    start = room if slant < 0 else 0
    # Columns move by their distance from the foot of the line.
    turn = np.array([[1.0, -slant, slant * (height - 1) + start], [0.0, 1.0, 0.0]])
    size = width + room, height
    ink = np.asarray(cv2.warpAffine(line.ink, turn, size), np.uint8)
    ghost = line.ghost
    if ghost is not None:
        ghost = np.asarray(cv2.warpAffine(ghost, turn, size), np.uint8)
    signs = []
    for sign in line.signs:
        ends = [turn[0, 1] * y + turn[0, 2] for y in (sign.top, sign.bottom)]
        signs.append(replace(sign, left=sign.left + min(ends), right=sign.right + max(ends)))
    return Lettering(ink, ghost, tuple(signs), line.number)


def _with_marked_zeros(line: Lettering, how: str) -> Lettering:
    ink = line.ink.copy()
    for sign in line.signs[slice(*line.number)]:
        if sign.text[-1] == "0":
            top, left = max(0, int(sign.top)), max(0, int(sign.left))
            _mark(ink[top : int(np.ceil(sign.bottom)), left : int(np.ceil(sign.right))], how)
    return replace(line, ink=ink)


def _mark(zero: Mask, how: str) -> None:
    """Draw into a zero's rectangle, if it has an empty counter that is wide enough."""
    height, width = zero.shape
    if height < 9 or width < 6:
        return
    band = zero[height * 2 // 5 : max(height * 3 // 5, height * 2 // 5 + 1)].max(axis=0) > 60
    middle = width // 2
    if band[middle]:
        return
    filled = np.flatnonzero(band)
    before, after = filled[filled < middle], filled[filled > middle]
    if not before.size or not after.size:
        return
    first, last = int(before[-1]) + 1, int(after[0])
    counter = last - first
    if counter < max(3, 0.25 * width):
        return
    centre = np.array([(first + last - 1) / 2, (height - 1) / 2])
    if how == "dot":
        radius = max(0.27 * counter, 0.7)
        corners = centre + radius * np.array([[-1, -1.3], [1, -1.3], [1, 1.3], [-1, 1.3]])
    else:
        thick = max(0.3 * (width - counter), 0.8) / 2
        reach = np.array([counter / 2 + thick, -0.27 * height])
        across = np.array([thick, thick])
        corners = np.array(
            [centre - reach - across, centre - reach + across, centre + reach + across,
             centre + reach - across]
        )  # fmt: skip
    cv2.fillPoly(zero, [np.round(corners * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)


@lru_cache(maxsize=4096)
def size_for_rows(path: str, rows: int) -> int | None:
    """Return the em size at which a face's digits are `rows` high, None if they look alike there.

    Drawn without smoothing, each pair of digits must differ by `_LEAST_DIFFERENCE` pixels.
    """
    height = -font_of(path, 100).getbbox("0", anchor="ls")[1]
    if height <= 0:
        return None
    size = max(6, round(rows * 100 / height))
    digits = [_sharp(path, size, digit) for digit in "0123456789"]
    for one, other in combinations(digits, 2):
        if (one != other).sum() < _LEAST_DIFFERENCE:
            return None
    return size


def _sharp(path: str, size_px: int, character: str) -> npt.NDArray[np.bool_]:
    image = Image.new("L", (3 * size_px, 3 * size_px), 0)
    pen = ImageDraw.Draw(image)
    pen.fontmode = "1"
    font = font_of(path, size_px)
    left = font.getbbox(character, anchor="ls")[0]
    pen.text((size_px - left, 2 * size_px), character, font=font, fill=255, anchor="ls")
    return np.array(image) > 127
