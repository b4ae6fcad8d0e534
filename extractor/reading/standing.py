"""Numbers that still stand: a sample whose crop has not changed is not recognised again.

A display renews its number less often than it is sampled. What counts as no change is learnt from
each field of each clip, and a share of what is taken over is recognised all the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise
from statistics import median

import numpy as np
import numpy.typing as npt

from extractor.reading.readers.base import Line
from extractor.reading.temporal_evidence import FieldReader
from extractor.video.crops import Crop

#: Crops are compared on so many rows: a stroke still fills a cell, coding noise averages out.
ROWS = 16
#: Changes and standing numbers that must have been seen before anything is taken over.
SEEN_LEAST = 8
#: Taken over is what differs by no more than this share of the smallest change of a number seen,
#: nor by more than so many times what usually differs while one stands. Chosen on the first
#: evaluation set, where half as much again did no harm either: docs/decisions.md.
CHANGE_SHARE, NOISE_TIMES = 1 / 3, 2.0
#: Only what was read as surely as this is taken over.
SURELY = 0.95
#: Each so many-th is recognised all the same.
CHECKED = 8


class Standing:
    """Reads one field's samples, in their order, where they show a change."""

    def __init__(self, reader: FieldReader) -> None:
        self._reader = reader
        self._last: tuple[Line, _Print | None] = Line("", 0.0), None
        """What was recognised last."""
        self._changes, self._stays = list[float](), list[float]()
        self._wrong = False

    @property
    def limit(self) -> float:
        """Return by how much a crop may differ and count as unchanged, grey levels; below 0: none.

        Grey levels from 0 to 255, of the cell that differs most.
        """
        if self._wrong or min(len(self._changes), len(self._stays)) < SEEN_LEAST:
            return -1.0
        return min(CHANGE_SHARE * min(self._changes), NOISE_TIMES * median(self._stays))

    def alike(self, one: Crop, other: Crop) -> bool:
        """Whether two crops show the same, as far as is learnt by now."""
        limit = self.limit
        return limit >= 0 and _difference(_print(one), _print(other)) <= limit

    def read(self, crops: Sequence[Crop]) -> list[Line]:
        """Return a line for each crop, recognised or taken over from the last recognised."""
        last, print_ = self._last
        prints, source, limit = [print_, *map(_print, crops)], [0], self.limit
        for k in range(1, len(prints)):
            stands = _difference(prints[source[-1]], prints[k]) <= limit
            source.append(source[-1] if stands else k)
        own = [k for k in range(1, len(prints)) if source[k] == k]
        taken = sorted(set(range(1, len(prints))) - set(own))
        checked = taken[::CHECKED]
        lines = {0: last}
        self._recognise([*own, *checked], crops, lines)
        self._wrong |= any(self._turns(lines[source[k]], lines[k]) for k in checked)
        self._recognise(
            [k for k in taken if self._wrong or lines[source[k]].confidence < SURELY], crops, lines
        )
        for before, after in pairwise([0, *own]):
            if min(lines[k].confidence for k in (before, after)) >= self._reader.gate:
                same = self._reader.same(lines[before], lines[after])
                differ = _difference(prints[before], prints[after])
                (self._stays if same else self._changes).append(differ)
        self._last = lines[source[-1]], prints[source[-1]]
        return [lines[k if k in lines else source[k]] for k in range(1, len(prints))]

    def _recognise(
        self, rows: Iterable[int], crops: Sequence[Crop], lines: dict[int, Line]
    ) -> None:
        new = [k for k in rows if k not in lines]
        lines.update(zip(new, self._reader.read([crops[k - 1] for k in new]), strict=True))

    def _turns(self, one: Line, other: Line) -> bool:
        return other.confidence >= self._reader.gate and not self._reader.same(one, other)


_Print = npt.NDArray[np.int16]


def _print(crop: Crop) -> _Print:
    """Return a crop's mean in cells, shape (`ROWS`, columns, 3)."""
    import cv2

    size = (max(1, round(crop.shape[1] * ROWS / crop.shape[0])), ROWS)
    small = cv2.resize(np.ascontiguousarray(crop), size, interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.int16)


def _difference(one: _Print | None, other: _Print | None) -> float:
    if one is None or other is None or one.shape != other.shape:
        return math.inf
    return float(np.abs(one - other).max())
