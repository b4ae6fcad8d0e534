"""Draws one line of lettering and says where each of its signs stands."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from extractor.reading.training.fonts import Face

Mask = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Sign:
    """One drawn sign and its ink: left, top, right, bottom in pixels of the line's mask.

    `spaced` says that a space stands before it.
    """

    text: str
    left: float
    top: float
    right: float
    bottom: float
    spaced: bool = False

    def moved(self, x: float, y: float, scale_x: float = 1.0, scale_y: float = 1.0) -> Sign:
        """Return the sign shifted, then scaled."""
        return replace(
            self,
            left=(self.left + x) * scale_x,
            top=(self.top + y) * scale_y,
            right=(self.right + x) * scale_x,
            bottom=(self.bottom + y) * scale_y,
        )


@dataclass(frozen=True, slots=True)
class Lettering:
    """A drawn line.

    Attributes
    ----------
    ink : uint8 array (height, width)
        255 where the lettering stands.
    ghost : uint8 array of the same shape, or None
        Segments that are off, as some displays show them faintly.
    signs : tuple of Sign
        In reading order, spaces left out.
    number : tuple of int
        First and one past the last index in `signs` that belong to the number.
    """

    ink: Mask
    ghost: Mask | None
    signs: tuple[Sign, ...]
    number: tuple[int, int]


@dataclass(frozen=True, slots=True)
class Piece:
    """A run of text in one face. `size_px` is the em size, or the digit height of segments."""

    text: str
    face: Face | None
    size_px: int
    tracking_px: float = 0.0
    segments: Segments | None = None


@dataclass(frozen=True, slots=True)
class Segments:
    """How a seven-segment digit is drawn, all lengths as shares of the digit's height."""

    width: float
    thickness: float
    gap: float
    slant: float
    advance: float
    pointed: float
    dot_between: bool
    tails: bool
    hooked_seven: bool


def sample_segments(rng: np.random.Generator) -> Segments:
    """Draw a seven-segment style."""
    width = float(rng.uniform(0.42, 0.7))
    return Segments(
        width=width,
        thickness=float(rng.uniform(0.07, 0.19)),
        gap=float(rng.choice([0.0, rng.uniform(0.0, 0.03)])),
        slant=float(rng.choice([0.0, rng.uniform(0.0, 0.2)])),
        advance=width + float(rng.uniform(0.12, 0.34)),
        pointed=float(rng.choice([0.0, 0.5, 1.0])),
        dot_between=bool(rng.random() < 0.6),
        tails=bool(rng.random() < 0.85),
        hooked_seven=bool(rng.random() < 0.2),
    )


@lru_cache(maxsize=512)
def font_of(path: str, size_px: int) -> ImageFont.FreeTypeFont:
    """Return a face at an em size."""
    return ImageFont.truetype(path, size_px)


@lru_cache(maxsize=8192)
def _lacks(path: str, size_px: int, character: str) -> bool:
    """Whether the face has no glyph for a character and would draw its box for missing ones."""
    font = font_of(path, size_px)
    missing = font.getmask("\uffff")
    drawn = font.getmask(character)
    return drawn.size == missing.size and bytes(drawn) == bytes(missing)


def draw(pieces: list[Piece], number_piece: int, sharp: bool) -> Lettering | None:
    """Draw pieces one after another on one baseline.

    Parameters
    ----------
    pieces : list of Piece
    number_piece : int
        Index of the piece that is the number.
    sharp : bool
        True draws without smoothing, as pixel fonts are.

    Returns
    -------
    Lettering or None
        None when nothing is left to see or a face has no such size.
    """
    height = int(max(piece.size_px for piece in pieces) * 2.2) + 8
    width = int(sum((len(p.text) + 1) * (p.size_px * 1.3 + abs(p.tracking_px)) for p in pieces)) + 8
    image = Image.new("L", (width, height), 0)
    ghost = np.zeros((height, width), np.uint8)
    baseline = int(height * 0.7)
    x = 4.0
    signs: list[Sign] = []
    number = (0, 0)
    for index, piece in enumerate(pieces):
        first = len(signs)
        if piece.segments is not None:
            array = np.array(image)
            x = _draw_segments(piece, array, ghost, x, baseline, signs)
            image = Image.fromarray(array)
        else:
            try:
                x = _draw_face(piece, image, x, baseline, signs, sharp)
            except OSError:
                return None
        if index == number_piece:
            number = (first, len(signs))
    return _trim(np.array(image), ghost, signs, number, baseline - _digit_height(pieces), baseline)


def _digit_height(pieces: list[Piece]) -> int:
    """Height of the tallest piece's 0: a dash stands in a line as high as its digits."""
    tallest = 0
    for piece in pieces:
        if piece.face is None:
            tallest = max(tallest, piece.size_px)
        elif piece.text or not tallest:
            tallest = max(
                tallest, -int(font_of(piece.face.path, piece.size_px).getbbox("0", anchor="ls")[1])
            )
    return tallest


def _draw_face(
    piece: Piece, image: Image.Image, x: float, baseline: int, signs: list[Sign], sharp: bool
) -> float:
    assert piece.face is not None
    font = font_of(piece.face.path, piece.size_px)
    pen = ImageDraw.Draw(image)
    pen.fontmode = "1" if sharp else "L"
    spaced = False
    for character in piece.text:
        at = round(x)
        if character in "–—−" and _lacks(piece.face.path, piece.size_px, character):
            character = "-"
        left, top, right, bottom = font.getbbox(character, anchor="ls")
        if not character.isspace() and right > left and bottom > top:
            pen.text((at, baseline), character, font=font, fill=255, anchor="ls")
            box = at + left, baseline + top, at + right, baseline + bottom
            signs.append(Sign(character, *box, spaced=spaced))
        spaced = character.isspace()
        x += font.getlength(character) + piece.tracking_px
    return x


_LIT = {
    "0": "abcdef", "1": "bc", "2": "abged", "3": "abgcd", "4": "fgbc", "5": "afgcd",
    "6": "afgedc", "7": "abc", "8": "abcdefg", "9": "gfabcd", "-": "g",
}  # fmt: skip


def _draw_segments(
    piece: Piece, ink: Mask, ghost: Mask, x: float, baseline: int, signs: list[Sign]
) -> float:
    style, height = piece.segments, float(piece.size_px)
    assert style is not None
    for character in piece.text:
        if character in ".,:":
            x = _draw_dots(character, style, height, ink, x, baseline, signs)
            continue
        lit = _LIT.get(character, "")
        if character in "69" and not style.tails:
            lit = lit.replace("a", "") if character == "6" else lit.replace("d", "")
        if character == "7" and style.hooked_seven:
            lit += "f"
        edges = []
        for name, outline in _segment_outlines(style, height, x, baseline).items():
            _fill(ink if name in lit else ghost, outline)
            if name in lit:
                edges.append(outline)
        if edges:
            ends = np.concatenate(edges)
            signs.append(Sign(character, *ends.min(axis=0), *ends.max(axis=0)))
        x += style.advance * height
    return x


def _draw_dots(
    character: str, style: Segments, height: float, ink: Mask, x: float, baseline: int,
    signs: list[Sign],
) -> float:  # fmt: skip
    """Draw a point or colon, in the gap between two digits or with room of its own."""
    gap = (style.advance - style.width) * height
    side = max(style.thickness * height, 1.5)
    between = style.dot_between and character != ":" and bool(signs)
    if between:
        side = min(side, max(0.8 * gap, 2.0))
    start = x - (gap + side) / 2 if between else x + 0.3 * side
    rows = (0.3, 0.7) if character == ":" else (1.0 - side / height / 2,)
    top = baseline - height
    for row in rows:
        middle = top + row * height
        left = start + style.slant * (baseline - middle)
        _fill(ink, _rectangle(left, middle - side / 2, left + side, middle + side / 2))
    high, low = top + rows[0] * height - side / 2, top + rows[-1] * height + side / 2
    right = start + side + style.slant * (baseline - high)
    signs.append(Sign(character, start, high, right, low))
    return x if between else start + side * 1.2 + 0.4 * gap


def _rectangle(left: float, top: float, right: float, bottom: float) -> npt.NDArray[np.float64]:
    return np.array([[left, top], [right, top], [right, bottom], [left, bottom]])


def _segment_outlines(
    style: Segments, height: float, x: float, baseline: int
) -> dict[str, npt.NDArray[np.float64]]:
    """Return the corners of the seven segments, named a to g as on data sheets."""
    width, thick = style.width * height, style.thickness * height
    gap, point = style.gap * height, style.pointed * style.thickness * height / 2
    half = height / 2
    ends = {
        "a": (0.0, thick / 2, width, thick / 2),
        "g": (0.0, half, width, half),
        "d": (0.0, height - thick / 2, width, height - thick / 2),
        "f": (thick / 2, 0.0, thick / 2, half),
        "b": (width - thick / 2, 0.0, width - thick / 2, half),
        "e": (thick / 2, half, thick / 2, height),
        "c": (width - thick / 2, half, width - thick / 2, height),
    }
    outlines = {}
    for name, (x0, y0, x1, y1) in ends.items():
        flat = y0 == y1
        inset = gap + (point if style.pointed else 0.0)
        along = np.array([1.0, 0.0]) if flat else np.array([0.0, 1.0])
        across = along[::-1] * thick / 2
        start, stop = np.array([x0, y0]) + along * inset, np.array([x1, y1]) - along * inset
        corners = np.array(
            [start - along * point, start + across, stop + across,
             stop + along * point, stop - across, start - across]
        )  # fmt: skip
        corners[:, 0] += x + style.slant * (height - corners[:, 1])
        corners[:, 1] += baseline - height
        outlines[name] = corners
    return outlines


def _fill(mask: Mask, corners: npt.NDArray[np.float64]) -> None:
    points = np.round(corners * 16).astype(np.int32)
    cv2.fillPoly(mask, [points], 255, lineType=cv2.LINE_AA, shift=4)


def _trim(
    ink: Mask, ghost: Mask, signs: list[Sign], number: tuple[int, int], top: int, bottom: int
) -> Lettering | None:
    """Cut to the ink and the line of digits, from row `top` to row `bottom`."""
    rows, columns = np.flatnonzero(ink.any(axis=1)), np.flatnonzero(ink.any(axis=0))
    if not signs or rows.size == 0:
        return None
    if ghost.any():
        columns = np.flatnonzero(ink.any(axis=0) | ghost.any(axis=0))
        rows = np.flatnonzero(ink.any(axis=1) | ghost.any(axis=1))
    top, left = min(int(rows[0]), top), int(columns[0])
    window = slice(top, max(int(rows[-1]) + 1, bottom)), slice(left, columns[-1] + 1)
    moved = tuple(sign.moved(-float(left), -float(top)) for sign in signs)
    return Lettering(ink[window], ghost[window] if ghost.any() else None, moved, number)


def resized(line: Lettering, scale_x: float, scale_y: float, smooth: bool) -> Lettering:
    """Return the line stretched; `smooth` False keeps the edges of enlarged pixels hard."""
    height, width = line.ink.shape
    size = max(1, round(width * scale_x)), max(1, round(height * scale_y))
    shrink = scale_x < 1 or scale_y < 1
    how = (cv2.INTER_AREA if shrink else cv2.INTER_LINEAR) if smooth else cv2.INTER_NEAREST
    fx, fy = size[0] / width, size[1] / height
    signs = tuple(sign.moved(0.0, 0.0, fx, fy) for sign in line.signs)
    ink, ghost = (
        None if mask is None else np.asarray(cv2.resize(mask, size, interpolation=how), np.uint8)
        for mask in (line.ink, line.ghost)
    )
    assert ink is not None
    return Lettering(ink, ghost, signs, line.number)
