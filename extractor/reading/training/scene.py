"""Composes frames full of overlay lines on a moving background, and knows the truth.

A frame of this kind looks like no overlay: it is packed with as many lines as fit, each in
its own font, size and style, so that one pass through a real encoder serves dozens of lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from extractor.reading.training.backgrounds import Picture, moving_background
from extractor.reading.training.fonts import SHARES, Face
from extractor.reading.training.lettering import (
    Lettering,
    Piece,
    Segments,
    draw,
    resized,
    sample_segments,
)  # fmt: skip
from extractor.reading.training.styles import (
    Layer,
    Style,
    paint,
    paint_box,
    recoloured,
    sample_style,
)
from extractor.reading.training.texts import Words, sample_successor, sample_words
from extractor.reading.training.variation import (
    ROWS,
    Variation,
    sample_variation,
    size_for_rows,
    varied,
)

_SIZES = ((832, 480), (960, 544), (640, 480), (720, 400))
#: Below this difference between lettering and background (0 to 255) nobody can read it.
FAINTEST = 26.0
#: A sign is faint, too, if it differs from what lies behind by less than this share of that
#: background's own spread. With the whole spread, lettering that people read over busy
#: backgrounds was left out, and on such clips a quarter of the numbers went missing.
_SPREAD_SHARE = 0.8
#: Shares of lines left out where only thin signs are faint, and where others are: mostly what
#: nobody can read teaches nothing, but that a minus or a point may hide has to be learnt.
_LEFT_OUT_THIN, _LEFT_OUT = 0.5, 0.85
_THIN = frozenset("-–—−.,:")
#: Share of lines in outline faces that are drawn on few rows and enlarged.
_FEW_ROWS_SHARE = 0.12
#: Colour without brightness counts for this share of its difference.
_COLOUR_SHARE = 0.4


@dataclass(frozen=True, slots=True)
class Look:
    """Everything about a line but its words."""

    face: Face | None
    segments: Segments | None
    other_face: Face
    size_px: int
    other_size_px: int
    tracking_px: float
    sharp: bool
    enlarge: float
    variation: Variation


@dataclass(frozen=True, slots=True)
class Cell:
    """A line's place: left and top of its ink before and after the change, row number.

    `before` and `after` are None where nothing is shown; `height` is that of its digits.
    `panel_stays` says whether its box, if it has one, is drawn all the same. `family` is that of
    the number's face.
    """

    family: str
    row: int
    x: int
    y: int
    before: Lettering | None
    after: Lettering | None
    width: int
    height: int
    panel_stays: bool


@dataclass(frozen=True, slots=True)
class Scene:
    """Composed RGB frames, the cells, and for each frame whether it shows `after`.

    `hidden` holds, for the frames to cut from and each cell, the share of such cells that is
    not learnt from, since some sign can hardly be told from the background.
    """

    frames: list[Picture]
    cells: list[Cell]
    changed: list[bool]
    hidden: dict[int, list[float]]


def faces_by_kind(faces: Sequence[Face], held_out: bool) -> dict[str, list[list[Face]]]:
    """Group faces by kind and family, so that a family of forty files counts once."""
    groups: dict[str, dict[str, list[Face]]] = {}
    for face in faces:
        if face.family.held_out == held_out:
            groups.setdefault(face.family.kind, {}).setdefault(face.family.name, []).append(face)
    return {kind: list(families.values()) for kind, families in groups.items()}


def _pick(groups: dict[str, list[list[Face]]], kind: str, rng: np.random.Generator) -> Face:
    families = groups[kind]
    faces = families[int(rng.integers(len(families)))]
    return faces[int(rng.integers(len(faces)))]


def sample_look(
    groups: dict[str, list[list[Face]]], size_px: float, rng: np.random.Generator
) -> Look:
    """Draw a face, a size near `size_px`, spacing and a variation."""
    kinds = [kind for kind in SHARES if kind in groups]
    weights = np.array([SHARES[kind] for kind in kinds])
    kind = str(rng.choice(kinds, p=weights / weights.sum()))
    face: Face | None = _pick(groups, kind, rng)
    segments = None
    if kind == "segment" and rng.random() < 0.5:
        face, segments = None, sample_segments(rng)
    size, enlarge, sharp = max(9, round(size_px)), 1.0, False
    on_rows = int(rng.integers(ROWS[0], ROWS[1] + 1)) if rng.random() < _FEW_ROWS_SHARE else 0
    if face is not None and face.family.native_px:
        natives = face.family.native_px
        size = int(natives[int(rng.integers(len(natives)))])
        enlarge = float(max(1, round(size_px / size * float(rng.uniform(0.8, 1.3)))))
        sharp = rng.random() < 0.85
    elif face is not None and on_rows and (small := size_for_rows(face.path, on_rows)):
        size, sharp = small, rng.random() < 0.75
        enlarge = max(1.0, size_px / size * float(rng.uniform(0.8, 1.3)))
        enlarge = float(round(enlarge)) if rng.random() < 0.7 else enlarge
    plain = [kind for kind in ("sans", "mono") if kind in groups]
    other = face if face is not None and rng.random() < 0.6 else None
    if other is None or kind == "segment":
        other = _pick(groups, str(rng.choice(plain)), rng)
    share = float(rng.uniform(0.4, 1.0)) if rng.random() < 0.35 else 1.0
    return Look(
        face=face,
        segments=segments,
        other_face=other,
        size_px=size,
        other_size_px=size if sharp else max(7, round(size * share)),
        tracking_px=size * float(rng.choice([0, 0, 0, rng.uniform(-0.05, 0.3)])),
        sharp=sharp,
        enlarge=enlarge,
        variation=sample_variation(kind != "segment", rng) if enlarge == 1.0 else Variation(),
    )


def letter(words: Words, look: Look) -> Lettering | None:
    """Draw words in a look; None where a face lacks the size."""
    number = words.number
    if look.face is None or look.face.family.kind == "segment":
        number = number.replace(",", ".").translate(str.maketrans("–—−", "---"))
        number = "".join(c for c in number if c in "0123456789.:-")
    pieces = [
        Piece(words.before, look.other_face, look.other_size_px, look.tracking_px),
        Piece(number, look.face, look.size_px, look.tracking_px, look.segments),
        Piece(words.after, look.other_face, look.other_size_px, look.tracking_px),
    ]
    line = draw(pieces, 1, look.sharp)
    if line is None:
        return None
    if look.enlarge > 1:
        return resized(line, look.enlarge, look.enlarge, smooth=False)
    return varied(line, look.variation)


def compose(
    groups: dict[str, list[list[Face]]], photos: Sequence[Picture], rng: np.random.Generator
) -> Scene:
    """Fill a few frames with lines; some of the lines change their number on the way."""
    size = _SIZES[int(rng.integers(len(_SIZES)))]
    count = int(rng.integers(2, 5))
    chosen = [int(index) for index in rng.choice(count, size=2, replace=False)]
    backgrounds = moving_background(photos, size, count, rng)
    cells, styles = _lay_out(groups, size, rng)
    panes = [_boxes(cells, styles, size, after) for after in (False, True)]
    layers = [_painted(cells, styles, panes[after], after) for after in (False, True)]
    change = int(rng.integers(1, count)) if rng.random() < 0.8 else count
    frames, hidden, changed = [], {}, []
    for index, background in enumerate(backgrounds):
        after = index >= change
        frame = _mixed(background, layers[after])
        frames.append(frame)
        changed.append(after)
        if index in chosen:
            hidden[index] = _left_out(frame, _mixed(background, panes[after]), cells, after)
    return Scene(frames, cells, changed, hidden)


def _lay_out(
    groups: dict[str, list[list[Face]]], size: tuple[int, int], rng: np.random.Generator
) -> tuple[list[Cell], list[tuple[Style, Style]]]:
    """Fill rows from top to bottom; rows and lines stand close enough to cut into crops."""
    cells: list[Cell] = []
    styles: list[tuple[Style, Style]] = []
    top, row = int(rng.integers(2, 30)), 0
    while top < size[1] - 16:
        size_px = float(np.exp(rng.uniform(np.log(13), np.log(72))))
        if rng.random() < 0.5:
            size_px = float(rng.uniform(15, 36))
        left, tallest = int(rng.uniform(2, 2 + 2 * size_px)), 0
        while left < size[0] - 20:
            cell = _sample_cell(groups, size_px, row, left, top, rng)
            if cell is None:
                continue
            if left + cell.width > size[0] - 2 or top + cell.height > size[1] - 2:
                break
            cells.append(cell)
            style = sample_style(cell.height, rng)
            styles.append((style, recoloured(style, rng) if rng.random() < 0.15 else style))
            tallest = max(tallest, cell.height)
            left += cell.width + int(size_px * float(rng.uniform(0.5, 2.5))) + 2
        row += 1
        top += int((tallest or size_px) + size_px * float(rng.uniform(0.12, 1.2))) + 2
    return cells, styles


def _sample_cell(
    groups: dict[str, list[list[Face]]],
    size_px: float,
    row: int,
    x: int,
    y: int,
    rng: np.random.Generator,
) -> Cell | None:
    look = sample_look(groups, size_px * float(rng.uniform(0.85, 1.1)), rng)
    words = sample_words(rng)
    before = letter(words, look)
    if before is None:
        return None
    after: Lettering | None = before
    kind = rng.random()
    if kind < 0.5:
        after = letter(sample_successor(words, rng), look)
    height, width = before.ink.shape
    if after is not None:
        width = max(width, after.ink.shape[1])
        height = max(height, after.ink.shape[0])
    empty = rng.random()
    if empty < 0.12:
        before = after = None
    elif empty < 0.16:
        after = None
    family = look.face.family.name if look.face is not None else "drawn segments"
    return Cell(family, row, x, y, before, after, width, height, bool(rng.random() < 0.5))


def _boxes(
    cells: list[Cell], styles: list[tuple[Style, Style]], size: tuple[int, int], after: bool
) -> Layer:
    layer = np.zeros((size[1], size[0], 4), np.float32)
    for cell, pair in zip(cells, styles, strict=True):
        if cell.panel_stays or (cell.after if after else cell.before) is not None:
            paint_box(layer, (cell.width, cell.height), pair[after], cell.x, cell.y)
    return layer


def _painted(
    cells: list[Cell], styles: list[tuple[Style, Style]], boxes: Layer, after: bool
) -> Layer:
    layer = boxes.copy()
    for cell, pair in zip(cells, styles, strict=True):
        line = cell.after if after else cell.before
        if line is not None:
            paint(layer, line, pair[after], cell.x, cell.y)
    return layer


def _mixed(background: Picture, layer: Layer) -> Picture:
    mixed = background * (1.0 - layer[:, :, 3:]) + layer[:, :, :3]
    return np.clip(mixed, 0, 255).astype(np.uint8)


def _left_out(frame: Picture, background: Picture, cells: list[Cell], after: bool) -> list[float]:
    """Return the share to leave out of each line, by its faintest sign.

    A sign is faint if it differs from what lies behind it by less than most of what that varies.
    """
    behind = np.asarray(cv2.cvtColor(background, cv2.COLOR_RGB2GRAY))
    luma = np.asarray(cv2.absdiff(cv2.cvtColor(frame, cv2.COLOR_RGB2GRAY), behind))
    colour = np.asarray(cv2.absdiff(frame, background)).max(axis=2)
    change = np.maximum(luma, (colour * _COLOUR_SHARE).astype(np.uint8))
    result = []
    for cell in cells:
        line = cell.after if after else cell.before
        share = 0.0
        for sign in line.signs if line is not None else ():
            rows = slice(cell.y + int(sign.top), cell.y + int(np.ceil(sign.bottom)))
            columns = slice(cell.x + int(sign.left), cell.x + int(np.ceil(sign.right)))
            window = change[rows, columns]
            if window.size:
                strong = window.size * 17 // 20
                contrast = float(np.partition(window, strong, axis=None)[strong])
                if contrast < max(FAINTEST, _SPREAD_SHARE * float(behind[rows, columns].std())):
                    thin = sign.text[-1] in _THIN
                    share = max(share, _LEFT_OUT_THIN if thin else _LEFT_OUT)
        result.append(share)
    return result
