"""From a box drawn by hand to the part of it that is read best, without labels.

People draw loose boxes, and in a loose box the digits are small and neighbours cut in. A few
instants are read in many sub-rectangles; the one that is read most surely wins. Room is kept
where it costs nothing: numbers get longer, and what is cut off can never be read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from extractor.reading.number_parsing import Reading, interpret
from extractor.reading.readers.base import Line
from extractor.reading.temporal_evidence import Eye, spread
from extractor.session.overlay import Box
from extractor.statistics.flags import Flag
from extractor.video.crops import Crop, cut_out

#: Shares of the box's height taken off at the top and at the bottom.
TRIMS_Y = (0.0, 0.08, 0.16, 0.24, 0.32, 0.40)
LEAST_HEIGHT = 0.3
#: Shares of the remaining height taken off at the left and at the right.
TRIMS_X = (0.0, 0.3, 0.6, 1.0, 1.5)
#: A larger rectangle is preferred if its score is less than this below the best.
TIE = 0.01
#: Above this the sides are left alone: there is nothing in the way.
GOOD_ENOUGH = 0.99
#: From this confidence on, the number in the full width has to survive cutting the sides off.
SURE_ENOUGH = 0.5
#: Crops that are looked at; more tell little more.
MOST_CROPS = 24


def tighten(reader: Eye, crops: Sequence[Crop]) -> Box:
    """Choose the sub-rectangle that is read most surely.

    Parameters
    ----------
    reader : Eye
        Whose readings decide.
    crops : sequence of Crop
        The drawn box at several instants, all of one size; best from several clips.

    Returns
    -------
    Box
        In pixels of the drawn one: the whole box where nothing is better, or nothing readable was
        found.

    Raises
    ------
    ValueError
        If there are no crops or their sizes differ.
    """
    if len({c.shape for c in crops}) != 1:
        raise ValueError("tightening needs crops of one size")
    chosen = [crops[i] for i in spread(0, len(crops), MOST_CROPS)]
    height, width = chosen[0].shape[:2]
    whole = Box(0, 0, width, height)
    known = _Known(_readings(reader, chosen, whole, 0.0))
    before = _scores(reader, chosen, [whole], known)[0]
    box, score = _best(reader, chosen, _rows_of(whole), known)
    if score < GOOD_ENOUGH:
        known = _Known(known.whole, _readings(reader, chosen, box, SURE_ENOUGH))
        box, score = _best(reader, chosen, _columns_of(box), known)
    return whole if score <= before + TIE else box


@dataclass(frozen=True, slots=True)
class _Known:
    """What is known of each crop before it is cut down."""

    whole: Sequence[Reading]
    """The drawn box, however unsure."""
    rows: Sequence[Reading] | None = None
    """The chosen rows in full width, where they are read at all surely."""


def _rows_of(whole: Box) -> list[Box]:
    found = []
    for top, bottom in product(TRIMS_Y, TRIMS_Y):
        if 1 - top - bottom >= LEAST_HEIGHT:
            y, end = round(top * whole.height), round((1 - bottom) * whole.height)
            found.append(Box(whole.x, y, whole.width, max(1, end - y)))
    return found


def _columns_of(rows: Box) -> list[Box]:
    found = []
    for left, right in product(TRIMS_X, TRIMS_X):
        x, end = round(left * rows.height), rows.width - round(right * rows.height)
        if end - x >= rows.height:
            found.append(Box(x, rows.y, end - x, rows.height))
    return found or [rows]


def _best(
    reader: Eye,
    crops: Sequence[Crop],
    boxes: Sequence[Box],
    known: _Known,
) -> tuple[Box, float]:
    """Return the largest of the boxes that are as good as the best."""
    scores = _scores(reader, crops, boxes, known)
    good = [
        (box.width * box.height, box, score)
        for box, score in zip(boxes, scores, strict=True)
        if score >= max(scores) - TIE
    ]
    _, box, score = max(good, key=lambda one: one[0])
    return box, score


def _scores(reader: Eye, crops: Sequence[Crop], boxes: Sequence[Box], known: _Known) -> list[float]:
    cuts = [cut_out(crop, box) for box in boxes for crop in crops]
    lines = reader.read(cuts)
    scores = []
    for start in range(0, len(lines), len(crops)):
        own = lines[start : start + len(crops)]
        scores.append(float(np.mean([_worth(line, known, k) for k, line in enumerate(own)])))
    return scores


def _worth(line: Line, known: _Known, crop: int) -> float:
    reading = interpret(line.text, line.confidence, 0.0)
    if reading.flag not in (Flag.OK, Flag.NO_LINK):
        return 0.0
    # The middle bars of digits look like a dash once their tops and feet are cut off.
    if reading.flag == Flag.NO_LINK and known.whole[crop].flag == Flag.OK:
        return 0.0
    # A side that is cut off may leave a number just as clear, but another one.
    rows = known.rows[crop] if known.rows is not None else None
    other = rows is not None and rows.flag == Flag.OK and rows.value != reading.value
    return 0.0 if other else line.confidence


def _readings(reader: Eye, crops: Sequence[Crop], box: Box, least: float) -> list[Reading]:
    lines = reader.read([cut_out(crop, box) for crop in crops])
    return [interpret(line.text, line.confidence, least) for line in lines]
