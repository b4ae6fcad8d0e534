"""A clip teaches its own font and layout: a second witness for every number read in it.

An overlay draws each digit the same way hundreds of times, and puts each number where it put
the others. From readings that are sure the digits are cut at the places that the network gives,
registered on each other and averaged; and it is seen at which side numbers of any length end. A
reading whose digit does not look like the others of its kind, or that lost a digit or a point by
where it stands, is not believed. The witness only takes away: what a clip misreads throughout,
it also learns.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

import cv2
import numpy as np
import numpy.typing as npt

from extractor.reading.readers.base import Line
from extractor.reading.readers.glyphs import same_text
from extractor.reading.readers.network import HEIGHT_PX, scaled
from extractor.reading.temporal_evidence import spread
from extractor.video.crops import Crop

Picture = npt.NDArray[np.float32]
Cut = npt.NDArray[np.uint8]

#: Readings of at least this confidence teach.
SURE = 0.97
#: Of a digit, of a number's length, of distances between digits: fewer teach nothing.
LEAST_SEEN, LEAST_GAPS = 5, 10
#: Widest half of a digit, and how far one may stand beside where it was seen, pixels of a line
#: brought to the network's height.
_HALF_PX, _SLACK = 14, (3, 1)
#: A digit that matches its own picture less than this share of what is usual, and another one's
#: picture better, is none. Chosen on sets made for it: docs/decisions.md.
UNLIKE = 0.4
#: In distances between digits: sides that lie so close are one, and digits so far off are lost.
SAME_SIDE, OTHER_SIDE, OFF = 0.3, 0.5, 0.4
#: Many faces draw it narrow, or at the side of its place: where it stands tells nothing of others.
NARROW = "1"
#: Pictures that a digit is learned from; more tell little more.
MOST_PICTURES = 24
#: Signs kept at once; bounds the memory. What is judged together teaches together.
MOST_SIGNS = 4000


class _Sign(NamedTuple):
    text: str
    x: float
    picture: Cut | None
    """Around a digit."""


class _Look(NamedTuple):
    row: int
    signs: list[_Sign]
    sure: bool


@dataclass(slots=True)
class Witness:
    """What one field of one clip showed, and what speaks against it."""

    against: set[int] = field(default_factory=set)
    """Rows of the samples that are not believed; complete after `judge`."""
    _looks: list[_Look] = field(default_factory=list)
    _last: str = ""
    """What the last sure look showed."""

    def add(
        self, row: int, crops: Sequence[Crop], lines: Sequence[Line], now: Sequence[Line]
    ) -> None:
        """Take the next samples.

        Parameters
        ----------
        row : int
            Of the first of them.
        crops : sequence of uint8 arrays (height, width, 3)
        lines, now : sequences of Line
            What the reader saw in each of them alone, and what all evidence makes of it.
        """
        for k, (crop, line, one) in enumerate(zip(crops, lines, now, strict=True), row):
            if line.places and same_text(line.text, one.text):
                sure = min(line.confidence, one.confidence) >= SURE
                look = _Look(k, _signs(crop, line), sure)
                if sure:
                    # Of a number that stands one picture teaches (`_once`): no other is kept.
                    stands, self._last = _text(look) == self._last, _text(look)
                    bare = [sign._replace(picture=None) for sign in look.signs]
                    look = look._replace(signs=bare) if stands else look
                self._looks.append(look)
        if sum(len(look.signs) for look in self._looks) > MOST_SIGNS:
            self.judge()

    def judge(self) -> set[int]:
        """Judge what was added since the last time; return `against`."""
        sure = _once([look for look in self._looks if look.sure])
        pairs = [pair for look in sure for pair in _neighbours(look)]
        gaps = [b.x - a.x for a, b in pairs if NARROW not in (a.text, b.text)]
        if len(gaps) >= LEAST_GAPS:
            pitch = float(np.median(gaps))
            sides, pictures = _sides(sure, pitch), _pictures(sure, pitch)
            self.against |= {
                look.row
                for look in self._looks
                if _lost(look, pitch, sides) or (not look.sure and _unlike(look, pictures))
            }
        self._looks, self._last = [], ""
        return self.against


def _signs(crop: Crop, line: Line) -> list[_Sign]:
    """Return the number's signs, dash first and last digit last, with pictures of the digits."""
    luma = scaled(crop)[..., 0]
    dx, dy = _HALF_PX + _SLACK[0], _SLACK[1]
    padded: Cut = np.pad(luma, ((dy, dy), (dx, dx)), mode="edge")
    signs = []
    for place, text in zip(line.places, line.text, strict=False):
        if text in "-.,0123456789":
            x = place * luma.shape[1]
            left = int(x)
            picture = padded[:, left : left + 2 * dx + 1] if text.isdigit() else None
            signs.append(_Sign(text, x, picture))
    while signs and not signs[-1].text.isdigit():
        signs.pop()
    return signs


def _once(looks: Sequence[_Look]) -> list[_Look]:
    """Return one look at each number that stood: more share its background, and teach that."""
    texts = [_text(look) for look in looks]
    return [
        look for look, now, before in zip(looks, texts, ["", *texts], strict=False) if now != before
    ]


def _text(look: _Look) -> str:
    return "".join(sign.text for sign in look.signs)


def _neighbours(look: _Look) -> list[tuple[_Sign, _Sign]]:
    """Return the digits that stand beside each other, nothing between them."""
    return [(a, b) for a, b in pairwise(look.signs) if a.text.isdigit() and b.text.isdigit()]


def _sides(sure: Sequence[_Look], pitch: float) -> dict[int, float]:
    """Return where all numbers begin (0) or end (-1), if they do so at one place."""
    by_form: dict[str, list[_Look]] = defaultdict(list)
    for look in (look for look in sure if look.signs):
        by_form["".join("0" if s.text.isdigit() else s.text for s in look.signs)].append(look)
    often = [looks for looks in by_form.values() if len(looks) >= LEAST_SEEN]
    ends = {
        side: [float(np.median(xs)) for looks in often if (xs := _ends(looks, side))]
        for side in (0, -1)
    }
    spans = {side: np.ptp(places) / pitch if places else 0.0 for side, places in ends.items()}
    return {
        side: float(np.median(ends[side]))
        for side in ends
        if spans[side] < SAME_SIDE and spans[-1 - side] > OTHER_SIDE
    }


def _ends(looks: Sequence[_Look], side: int) -> list[float]:
    return [look.signs[side].x for look in looks if look.signs[side].text != NARROW]


def _lost(look: _Look, pitch: float, sides: dict[int, float]) -> bool:
    """Tell whether a digit or a point is lost: by the side, or by a hole between two digits."""
    off = [
        abs(look.signs[side].x - place)
        for side, place in sides.items()
        if look.signs and look.signs[side].text != NARROW
    ]
    holes = [b.x - a.x - pitch for a, b in _neighbours(look)]
    return max([*off, *holes], default=0.0) > OFF * pitch


def _pictures(sure: Sequence[_Look], pitch: float) -> dict[str, tuple[Picture, float]]:
    """Return the mean picture of each digit, and how well its own are usually matched by it."""
    half = int(np.clip(np.ceil(pitch / 2), 5, _HALF_PX))
    seen: dict[str, list[Cut]] = defaultdict(list)
    for look in sure:
        for sign in look.signs:
            if sign.picture is not None:
                seen[sign.text].append(sign.picture)
    found = {}
    for digit, pictures in seen.items():
        if len(pictures) >= LEAST_SEEN:
            pictures = [pictures[k] for k in spread(0, len(pictures), MOST_PICTURES)]
            middle = _HALF_PX + _SLACK[0]
            cuts = [p[1:-1, middle - half : middle + half + 1] for p in pictures]
            for _ in range(2):
                mean: Picture = np.asarray(np.mean(cuts, axis=0), np.float32)
                matches = [_match(p, mean) for p in pictures]
                cuts = [
                    p[y : y + HEIGHT_PX, x : x + 2 * half + 1]
                    for p, (_, x, y) in zip(pictures, matches, strict=True)
                ]
            found[digit] = mean, float(np.median([match for match, *_ in matches]))
    return found


def _match(picture: Cut, mean: Picture) -> tuple[float, int, int]:
    """Return the best correlation of a digit's surroundings with a mean picture, and where."""
    spare = (picture.shape[1] - mean.shape[1]) // 2 - _SLACK[0]
    near = picture[:, spare : picture.shape[1] - spare].astype(np.float32)
    _, best, _, (x, y) = cv2.minMaxLoc(cv2.matchTemplate(near, mean, cv2.TM_CCOEFF_NORMED))
    return best, x + spare, y


def _unlike(look: _Look, pictures: dict[str, tuple[Picture, float]]) -> bool:
    """Tell whether a digit looks like none of its kind, and more like another one."""
    for sign in look.signs:
        if sign.picture is not None and sign.text in pictures:
            mean, usual = pictures[sign.text]
            own = _match(sign.picture, mean)[0]
            if own < UNLIKE * usual and any(
                _match(sign.picture, other)[0] > own for other, _ in pictures.values()
            ):
                return True
    return False
