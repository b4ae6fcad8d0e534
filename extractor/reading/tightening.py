"""From a box drawn by hand to the part of the picture that is read, without labels.

People draw loose boxes, and a network reads best what stands at the size that it learned on. So
the rows of the digits are found, every field is brought to the same height of ink, and its sides
and its width are chosen by how surely many instants are read.

Rows that digits cover hold edges from left to right; rows above and below them, the rim of a
panel among these, hold none that stay where they are once many instants are averaged: numbers
change within their rows, and what moves behind them blurs.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from extractor.reading.number_parsing import interpret
from extractor.reading.temporal_evidence import Eye, spread, squeezed
from extractor.session.overlay import Box
from extractor.statistics.flags import Flag
from extractor.video.crops import Crop, cut_out

#: Room above and below the ink, a share of its height: docs/reader.md.
MARGIN = 0.2
#: The ink is looked for so far beyond the drawn box, a share of its height.
BEYOND = 0.25
#: Gaps up to this share of the drawn height lie within the ink (seven-segment digits have one).
GAP = 0.05
#: Ink lower than this share of the drawn box is none, or of something else.
LEAST_INK = 0.25
MOST_RUNS = 2
#: A row belongs to the ink from this share of the way on, from the rows around it to its own.
LIKE = 0.4
#: Room left and right of the number, in heights of the ink: for one more digit than any seen so
#: far. With less a number that grows is cut, and what is left of it looks right.
ROOM = 1.0
#: How far the sides of the drawn box may be moved out, in heights of the ink: what a side cuts
#: through, an icon for example, is less in the way when it is seen whole.
OUTS = (0.15, 0.5)
#: Factors of width; faces wider than the usual are read best when squeezed.
SQUEEZES = (1.0, 0.9, 0.8, 0.7, 0.6)
#: The drawn box is kept where it is read so much more surely: what was found is no number.
FAR_WORSE = 0.1
#: What changes least is preferred if its score is less than this below the best.
TIE = 0.005
#: From this confidence on a reading tells where the number is, and has to survive a cut.
SURE_ENOUGH = 0.3
#: Crops that are looked at; more tell little more.
MOST_CROPS = 24


@dataclass(frozen=True, slots=True)
class View:
    """What of a picture is read: a rectangle, and the factor of width it is brought to."""

    box: Box
    squeeze: float = 1.0


def tighten(reader: Eye, crops: Sequence[Crop], drawn: Box) -> View:
    """Choose what is read.

    Parameters
    ----------
    reader : Eye
        Whose readings decide.
    crops : sequence of Crop
        The drawn box with room around it at several instants, all of one size; best from several
        clips.
    drawn : Box
        The drawn box in pixels of the crops.

    Returns
    -------
    View
        In pixels of the crops: the drawn box where no ink was found, or nothing readable.

    Raises
    ------
    ValueError
        If there are no crops or their sizes differ.
    """
    if len({c.shape for c in crops}) != 1:
        raise ValueError("tightening needs crops of one size")
    chosen = [crops[i] for i in spread(0, len(crops), MOST_CROPS)]
    first = _Looks(reader, chosen, View(drawn))
    tall, wide = chosen[0].shape[:2]
    found = ink_rows(chosen, drawn, first.extent())
    boxes = [_at_scale(drawn, *rows).clipped(wide, tall) for rows in found]
    looks = [_Looks(reader, chosen, View(box)) for box in boxes]
    now = max(looks, key=_Looks.score, default=first)
    height = now.view.box.height / (1 + 2 * MARGIN)
    now = _best(reader, chosen, now, _squeezes(now.view), cut=False)
    for right in (False, True):
        now = _best(reader, chosen, now, _sides(now, height, wide, right=right), cut=True)
    now = _best(reader, chosen, now, _squeezes(now.view), cut=False)
    return now.view if now.score() > max(0.0, first.score() - FAR_WORSE) else first.view


def _at_scale(drawn: Box, top: int, bottom: int) -> Box:
    room = round(MARGIN * (bottom - top))
    return Box(drawn.x, top - room, drawn.width, bottom - top + 2 * room)


def _best(
    reader: Eye, crops: Sequence[Crop], now: _Looks, views: Sequence[View], *, cut: bool
) -> _Looks:
    """Return the first of all that are as good as the best; `now` comes before the others."""
    every = [now, *(_Looks(reader, crops, view) for view in views)]
    scores = [looks.score(now if cut else None) for looks in every]
    good = (looks for looks, score in zip(every, scores, strict=True) if score >= max(scores) - TIE)
    return next(good)


def _squeezes(view: View) -> list[View]:
    return [View(view.box, factor) for factor in SQUEEZES if factor != view.squeeze]


def _sides(now: _Looks, height: float, width: int, *, right: bool) -> list[View]:
    """Return views with another left or right side: further out, or closer to the number."""
    box, away = now.view.box, height if right else -height
    ends = [box.x, box.x + box.width]
    places = [ends[right] + out * away for out in OUTS] + [now.extent()[right] + ROOM * away]
    views = []
    for ends[right] in (round(x) for x in places if 0 <= x <= width):
        wide = max(1, ends[1] - ends[0])
        views.append(View(Box(ends[0], box.y, wide, box.height), now.view.squeeze))
    return views


def ink_rows(
    crops: Sequence[Crop], drawn: Box, columns: tuple[float, float]
) -> list[tuple[int, int]]:
    """Find rows that digits may cover: what stands out most, and then what does beside it.

    Parameters
    ----------
    crops : sequence of uint8 arrays (height, width, 3)
    drawn : Box
        Where to look, pixels of the crops.
    columns : pair of float
        Between which columns the digits stand.

    Returns
    -------
    list of pair of int
        First row, and the row after the last; none where nothing stands out.
    """
    left, right = int(columns[0]), int(np.ceil(columns[1]))
    top = max(0, round(drawn.y - BEYOND * drawn.height))
    bottom = round(drawn.y + (1 + BEYOND) * drawn.height)
    parts = [crop[top:bottom, left:right, 0] for crop in crops]
    edges = np.abs(np.diff(np.mean(parts, axis=0), axis=1)).sum(axis=1)
    # Where the scene behind stands as still as the number, the number alone changes.
    changing = np.std(parts, axis=0).mean(axis=1)
    found = []
    for values in (edges, np.sqrt(edges * changing)):
        for first, last in _strongest(values, LEAST_INK * drawn.height, round(GAP * drawn.height)):
            if (top + first, top + last) not in found:
                found.append((top + first, top + last))
    return found


def _strongest(
    values: npt.NDArray[np.float64], least: float, gap: int
) -> Iterator[tuple[int, int]]:
    """Yield the strongest run of at least so many rows, then the strongest of what is left."""
    left_over = np.ones(len(values), bool)
    for _ in range(MOST_RUNS):
        if np.count_nonzero(left_over) < least:
            return
        runs = _runs((values > _threshold(values[left_over])) & left_over, gap)
        high = [run for run in runs if run[1] - run[0] >= least]
        if high:
            strongest = max(high, key=lambda run: values[slice(*run)].sum())
            yield _grown(np.where(left_over, values, 0.0), *strongest)
        for first, last in runs:
            left_over[first:last] = False


def _threshold(values: npt.NDArray[np.float64]) -> float:
    """Return what parts the values best into low and high ones: Otsu, IEEE Trans. SMC 9, 1979."""
    ordered = np.sort(values)
    count = np.arange(1, len(ordered))
    sums = np.cumsum(ordered)
    low, high = sums[:-1] / count, (sums[-1] - sums[:-1]) / (len(ordered) - count)
    best = int(np.argmax(count * (len(ordered) - count) * (high - low) ** 2))
    return float(low[best] + high[best]) / 2


def _runs(rows: npt.NDArray[np.bool_], gap: int) -> list[tuple[int, int]]:
    """Return first and behind last of the runs of rows, those with a small gap joined."""
    found: list[tuple[int, int]] = []
    for row in np.flatnonzero(rows):
        near = found and row - found[-1][1] <= gap
        found.append((found.pop()[0] if near else int(row), int(row) + 1))
    return found


def _grown(values: npt.NDArray[np.float64], first: int, last: int) -> tuple[int, int]:
    """Add the rows beside a run that are about as much like its own as like those around it.

    Heads and feet of round digits hold fewer strokes than the rows between.
    """
    reach = (last - first) // 2
    around = np.r_[values[max(0, first - reach) : first], values[last : last + reach]]
    if len(around):
        least = (1 - LIKE) * np.median(around) + LIKE * np.median(values[first:last])
        while first > 0 and values[first - 1] > least:
            first -= 1
        while last < len(values) and values[last] > least:
            last += 1
    return first, last


class _Looks:
    """What a reader sees in one view at several instants."""

    def __init__(self, reader: Eye, crops: Sequence[Crop], view: View) -> None:
        self.view = view
        cuts = [squeezed(cut_out(crop, view.box), view.squeeze) for crop in crops]
        self.lines = reader.read(cuts)
        self.readings = [interpret(one.text, one.confidence, 0.0) for one in self.lines]

    def score(self, before: _Looks | None = None) -> float:
        """Return how surely a number or a dash is read, 0 to 1 in the mean.

        A side that is cut off may leave a number just as clear, but another one: where `before`
        the cut another number was read, the instant counts nothing.
        """
        worth = []
        for k, (line, reading) in enumerate(zip(self.lines, self.readings, strict=True)):
            good = reading.flag in (Flag.OK, Flag.NO_LINK)
            if before is not None and before.tells(k):
                good = good and before.readings[k].value == reading.value
            worth.append(line.confidence if good else 0.0)
        return float(np.mean(worth))

    def tells(self, k: int) -> bool:
        """Whether instant `k` shows a number, surely enough to say where."""
        return self.readings[k].flag == Flag.OK and self.lines[k].confidence >= SURE_ENOUGH

    def extent(self) -> tuple[float, float]:
        """Return the leftmost and the rightmost column that digits reach; the view's if unknown."""
        ends = []
        for line in self.lines:
            placed = list(zip(line.places, line.text, strict=False))  # not every reader says where
            signs = [x for x, sign in placed if sign in "-.,:0123456789"]
            digits = [x for x, sign in placed if sign.isdigit()]
            if len(digits) > 1 and line.confidence >= SURE_ENOUGH:
                half = max(b - a for a, b in pairwise(digits)) / 2
                ends.append((signs[0] - half, signs[-1] + half))
        left, width = self.view.box.x, self.view.box.width
        if not ends:
            return left, left + width
        lefts, rights = zip(*ends, strict=True)
        return left + max(0.0, min(lefts)) * width, left + min(1.0, max(rights)) * width
