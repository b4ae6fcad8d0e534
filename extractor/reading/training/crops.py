"""Cuts crops as people draw boxes: loose, shifted, with neighbours cut in, over nothing."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from extractor.reading.readers.base import OTHER
from extractor.reading.readers.ctc import CUT, fold
from extractor.reading.readers.network import scaled
from extractor.reading.training.backgrounds import Picture
from extractor.reading.training.codec import full_resolution, through_codec, to_planes
from extractor.reading.training.degradation import degrade
from extractor.reading.training.fonts import Face
from extractor.reading.training.lettering import Sign
from extractor.reading.training.scene import Cell, compose

WIDEST_PX = 384
#: Signs that belong to a number, dashes of all kinds among them.
NUMERIC = "0-9.,:\\-–—−"
#: Half a dash is a dash.
DASHES = "-–—−"
#: Lettering lower than this, in pixels of the recording, is left out, by severity.
LEAST_PX = (8.5, 9.5, 12.0)
#: A sign that shows less than the first share of itself is not there, above the second it is
#: whole, between them it is cut.
_CUT_SHARES = (0.2, 0.8)
#: A row above or below may show this share of its height in a crop and still be no part of it.
_ROW_SHARE = 0.55
#: Share of crops cut at the one scale that fields are read at; the rest are as people draw them.
_SCALED_SHARE = 0.6
#: Room above and below the digits there, in shares of their height: what is aimed at is 0.2.
_SCALED_ROOM = (0.08, 0.34)


@dataclass(frozen=True, slots=True)
class Example:
    """One crop at the network's height, its label, its family and the room asked for."""

    picture: npt.NDArray[np.uint8]
    label: str
    family: str
    room: float = float("nan")


@dataclass(frozen=True, slots=True)
class _Box:
    left: float
    top: float
    right: float
    bottom: float


@dataclass(frozen=True, slots=True)
class _Placed:
    """All signs of one frame: text, row, cell, and ink (left, top, right, bottom) in pixels."""

    texts: list[str]
    row: npt.NDArray[np.int64]
    cell: npt.NDArray[np.int64]
    ink: npt.NDArray[np.float64]


def make_examples(
    groups: dict[str, list[list[Face]]],
    photos: Sequence[Picture],
    seed: tuple[int, ...],
    rooms: Sequence[float] = (),
) -> list[Example]:
    """Compose, degrade, encode and cut one scene; the seed decides everything.

    With `rooms` only lines with a number are cut, around the number, with one of these rooms
    above and below, in shares of its height.
    """
    rng = np.random.default_rng(seed)
    scene = compose(groups, photos, rng)
    severity = int(rng.choice(3, p=[0.35, 0.4, 0.25]))
    degraded, scale_x, scale_y = degrade(scene.frames, severity, rng)
    coded = through_codec([to_planes(frame) for frame in degraded], severity, rng)
    smooth = bool(rng.random() < 0.5)
    examples: list[Example] = []
    for index, hidden in scene.hidden.items():
        frame = full_resolution(coded[index], smooth)
        after = scene.changed[index]
        placed = _place(scene.cells, after, scale_x, scale_y)
        for number, cell in enumerate(scene.cells):
            if rng.random() < hidden[number] or cell.height * scale_y < LEAST_PX[severity]:
                continue
            for _ in range(2):
                scale = scale_x, scale_y
                if rooms:
                    example = _cut_with_room(frame, cell, placed, after, scale, rooms, rng)
                else:
                    example = _cut(frame, cell, placed, after, scale, rng)
                if example is not None:
                    examples.append(example)
    return examples


def _place(cells: Sequence[Cell], after: bool, scale_x: float, scale_y: float) -> _Placed:
    texts, rows, numbers, inks = [], [], [], []
    for number, cell in enumerate(cells):
        line = cell.after if after else cell.before
        for sign in line.signs if line is not None else ():
            texts.append(" " + sign.text if sign.spaced else sign.text)
            rows.append(cell.row)
            numbers.append(number)
            inks.append(
                (sign.left + cell.x, sign.top + cell.y, sign.right + cell.x, sign.bottom + cell.y)
            )
    ink = np.array(inks, dtype=np.float64).reshape(-1, 4) * (scale_x, scale_y, scale_x, scale_y)
    return _Placed(texts, np.array(rows, np.int64), np.array(numbers, np.int64), ink)


def _cut(
    frame: npt.NDArray[np.uint8],
    cell: Cell,
    placed: _Placed,
    after: bool,
    scale: tuple[float, float],
    rng: np.random.Generator,
) -> Example | None:
    at_scale = bool(rng.random() < _SCALED_SHARE)
    alone = bool(rng.random() < 0.45)
    target = _target(cell, after, scale, at_scale, alone)
    for attempt in range(4):
        box = _drawn_box(target, 0.5**attempt, at_scale, frame.shape, rng)
        label = _label(box, cell.row, placed)
        if label is not None:
            return _example(frame, box, label, cell)
    return None


def _example(
    frame: npt.NDArray[np.uint8], box: _Box, label: str, cell: Cell, room: float = float("nan")
) -> Example | None:
    crop = frame[int(box.top) : int(box.bottom), int(box.left) : int(box.right)]
    if min(crop.shape[:2]) < 6:
        return None
    picture = scaled(crop)
    if picture.shape[1] > WIDEST_PX or len(label) > 20:
        return None
    return Example(picture, label, cell.family, room)


def _cut_with_room(
    frame: npt.NDArray[np.uint8],
    cell: Cell,
    placed: _Placed,
    after: bool,
    scale: tuple[float, float],
    rooms: Sequence[float],
    rng: np.random.Generator,
) -> Example | None:
    line = cell.after if after else cell.before
    if line is None or line.number[0] == line.number[1]:
        return None
    target = _target(cell, after, scale, at_scale=True, alone=True)
    height, room = target.bottom - target.top, float(rng.choice(rooms))
    left, right = rng.uniform(0.1, 0.5, 2) * height
    box = _Box(
        max(0.0, np.floor(target.left - left)),
        max(0.0, np.round(target.top - room * height)),
        min(float(frame.shape[1]), np.ceil(target.right + right)),
        min(float(frame.shape[0]), np.round(target.bottom + room * height)),
    )
    label = _label(box, cell.row, placed)
    return None if label is None else _example(frame, box, label, cell, room)


def _target(
    cell: Cell, after: bool, scale: tuple[float, float], at_scale: bool, alone: bool
) -> _Box:
    """Return the ink that the user has in mind: the whole line, or its number alone.

    `at_scale` lets the number's ink decide the height in both cases.
    """
    line = cell.after if after else cell.before
    signs: Sequence[Sign] = line.signs if line is not None else ()
    number = line.signs[slice(*line.number)] if line is not None else ()
    if number and alone:
        signs = number
    if not signs:
        part = cell.width * (0.6 if alone else 1.0)
        box = _Box(cell.x, cell.y, cell.x + part, cell.y + cell.height)
    else:
        tall = number if at_scale and number else signs
        box = _Box(
            cell.x + min(s.left for s in signs),
            cell.y + min(s.top for s in tall),
            cell.x + max(s.right for s in signs),
            cell.y + max(s.bottom for s in tall),
        )
        if box.bottom - box.top < 0.6 * cell.height:  # a dash alone: the box is still a line's
            box = _Box(box.left, cell.y, box.right, cell.y + cell.height)
    x, y = scale
    return _Box(box.left * x, box.top * y, box.right * x, box.bottom * y)


def _drawn_box(
    target: _Box,
    looseness: float,
    at_scale: bool,
    shape: tuple[int, ...],
    rng: np.random.Generator,
) -> _Box:
    """Draw a user's rectangle around the target: tight, usual or loose; at times it cuts in.

    `at_scale` leaves the usual room above and below, and any at the sides.
    """
    height = target.bottom - target.top
    reach = float(rng.choice([0.12, 0.35, 0.8], p=[0.27, 0.37, 0.36])) * looseness
    left, top, right, bottom = rng.uniform(0, reach, 4) * height
    if at_scale:
        top, bottom = rng.uniform(*_SCALED_ROOM, 2) * height * min(1.0, 0.5 + looseness)
    if rng.random() < 0.5:
        left, right = left * 1.3 + 0.1 * height, right * 1.3 + 0.1 * height
    if rng.random() < 0.3:  # room for one more digit, as users leave it
        left += float(rng.uniform(0, 1.2)) * height * looseness
        right += float(rng.uniform(0, 1.2)) * height * looseness
    cuts = 0.02 if at_scale else 0.07
    if rng.random() < cuts:
        top = -float(rng.uniform(0, 0.16)) * height
    if rng.random() < cuts:
        bottom = -float(rng.uniform(0, 0.16)) * height
    if rng.random() < 0.05:
        left = -float(rng.uniform(0, 0.9)) * height
    if rng.random() < 0.05:
        right = -float(rng.uniform(0, 0.9)) * height
    return _Box(
        max(0.0, np.floor(target.left - left)),
        max(0.0, np.floor(target.top - top)),
        min(float(shape[1]), np.ceil(target.right + right)),
        min(float(shape[0]), np.ceil(target.bottom + bottom)),
    )


def _label(box: _Box, row: int, placed: _Placed) -> str | None:
    """Return what stands in the box; None if another row shows too much beside the line's."""
    left, top, right, bottom = placed.ink.T
    width, height = np.maximum(right - left, 1e-6), np.maximum(bottom - top, 1e-6)
    across = np.minimum(box.right, right) - np.maximum(box.left, left)
    down = np.minimum(box.bottom, bottom) - np.maximum(box.top, top)
    same = placed.row == row
    intruding = ~same & (down > _ROW_SHARE * height) & (across > 0.3 * width)
    if intruding.any():
        return None
    seen = same & (across >= _CUT_SHARES[0] * width) & (down >= 0.3 * height)
    chosen = np.flatnonzero(seen)
    text, previous = "", None
    for index in chosen[np.argsort(left[chosen], kind="stable")]:
        sign = placed.texts[index]
        cell = int(placed.cell[index])
        if across[index] <= _CUT_SHARES[1] * width[index] and sign[-1] not in DASHES:
            sign = sign[:-1] + (CUT if re.match(f"[{NUMERIC}]", sign[-1]) else OTHER)
        text += sign if previous in (None, cell) else " " + sign
        previous = cell
    return fold(_lone_cuts_as_letters(text))


def _lone_cuts_as_letters(text: str) -> str:
    """Keep the warning of a cut digit only where it touches the number."""
    return re.sub(rf"(?<![{NUMERIC}]){CUT}+(?![{NUMERIC}])", OTHER, text)
