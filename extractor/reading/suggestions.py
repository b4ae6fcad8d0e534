"""Finding the numbers without being told where: still letters over a moving picture.

Edges of an overlay stay where they are while the edges of the scene come and go. Words made of
such edges are read at several instants; those that hold a number, and not always the same one,
are offered.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from extractor.errors import ClipError, UsageError
from extractor.reading import box_tightening, marking, readers
from extractor.reading.number_parsing import interpret
from extractor.reading.readers.base import Line, Reader
from extractor.session.atomic import write_bytes
from extractor.session.folder import Session
from extractor.session.numerals import decimals_in
from extractor.session.overlay import Box
from extractor.statistics.flags import Flag
from extractor.video import clips
from extractor.video.crops import Crop, cut_out
from extractor.video.picture_files import png

INSTANTS = 12
#: Height of digits that is looked for, pixels of the frame.
LEAST_HEIGHT, MOST_HEIGHT = 9, 90
#: Share of the instants at which a spot must be an edge: half the time is enough for digits
#: that change, and far more than a moving scene reaches.
STAYING = 0.45
#: Gaps up to this share of the height join letters to words.
GAPS = (0.35, 0.7)
#: Share of the instants looked at that must hold a number.
NUMBERS = 0.6
#: Room left around a word, in heights: numbers get longer, and hand-drawn boxes are loose too.
ROOM_X, ROOM_Y = 0.5, 0.25
MOST_CANDIDATES = 12
MOST_WORDS = 160


@dataclass(frozen=True, slots=True)
class Candidate:
    """A rectangle in which a changing number was read."""

    box: Box
    """Pixels of the displayed picture."""
    texts: tuple[str, ...]
    """Different texts read there, in order of appearance."""
    decimals: int | None
    """Digits after the point, where they are always the same."""
    score: float


@dataclass(frozen=True, slots=True)
class Suggestions:
    """Candidates, best first, and the frame they were found on."""

    candidates: tuple[Candidate, ...]
    clip: str
    time_s: float
    image: npt.NDArray[np.uint8]
    """RGB, shape (height, width, 3)."""


def suggest(session: Session, reader_name: str) -> Suggestions:
    """Look for changing numbers in the session's clips.

    Raises
    ------
    UsageError
        If there are no clips.
    ClipError
        If none can be opened.
    ReaderUnavailableError
        If the reader cannot run.
    """
    reader = readers.create(reader_name)
    last: ClipError | None = None
    frames: list[clips.Frame] = []
    first: tuple[str, clips.Clip] | None = None
    for name in box_tightening.some(session.require_clips(), 3):
        try:
            clip = clips.probe(session.path(name))
            if first is None:
                first = (name, clip)
            whole = Box(0, 0, clip.width, clip.height)
            # Only pictures of one size can be laid over each other.
            if (clip.width, clip.height) == (first[1].width, first[1].height):
                frames += clips.glances(clip, [whole], INSTANTS, exact=True)
        except ClipError as error:
            last = error
    if first is None:
        raise last or UsageError(f"{session.root}: holds no clips")
    pictures = [f.crops[0] for f in frames]
    found = list(_candidates(pictures, reader))
    time_s, image = clips.picture(first[1], (first[1].length_s or 0.0) / 2)
    return Suggestions(tuple(_best(found)), first[0], time_s, image)


def _candidates(pictures: Sequence[Crop], reader: Reader) -> Iterator[Candidate]:
    staying = _staying_edges([p[..., 0] for p in pictures])
    height, width = staying.shape
    words = sorted(_words(staying), key=lambda b: (-b.width * b.height, b.y, b.x))[:MOST_WORDS]
    for word in words:
        room_x, room_y = round(word.height * ROOM_X), round(word.height * ROOM_Y)
        box = word.grown(room_x, room_y).clipped(width, height)
        lines = reader.read([cut_out(p, box) for p in pictures])
        candidate = _judged(box, lines, reader.gate)
        if candidate is not None:
            yield candidate


def _staying_edges(pictures: Sequence[npt.NDArray[np.uint8]]) -> npt.NDArray[np.bool_]:
    """Return where an edge is at most instants, shape (height, width)."""
    count = np.zeros(pictures[0].shape, np.float32)
    for luma in pictures:
        gradient = cv2.morphologyEx(luma, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
        # A contrast that the eye sees; the scene's own strong edges pass too, but not for long.
        count += gradient > 40
    return count >= STAYING * len(pictures)


def _words(staying: npt.NDArray[np.bool_]) -> set[Box]:
    """Return rectangles of neighbouring staying edges, at several letter spacings."""
    found = set()
    mask = staying.astype(np.uint8)
    for reach in {round(h * g) for h in (14, 28, 56) for g in GAPS}:
        joined = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((3, reach), np.uint8))
        *_, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
        boxes = [Box(*edges) for edges in stats[1:, :4].tolist()]
        found |= {b for b in boxes if LEAST_HEIGHT <= b.height <= MOST_HEIGHT}
    return {b for b in found if 0.4 * b.height < b.width < 12 * b.height}


def _judged(box: Box, lines: Sequence[Line], gate: float) -> Candidate | None:
    readings = [interpret(line.text, line.confidence, gate) for line in lines]
    shown = [(line, r) for line, r in zip(lines, readings, strict=True) if r.flag == Flag.OK]
    if len(shown) < NUMBERS * len(lines) or len({r.value for _, r in shown}) < 2:
        return None
    texts = tuple(dict.fromkeys(line.text for line, _ in shown))
    counts = {decimals_in(text) for text in texts}
    confidence = float(np.mean([line.confidence for line in lines]))
    return Candidate(box, texts, counts.pop() if len(counts) == 1 else None, confidence)


def _best(found: Sequence[Candidate]) -> list[Candidate]:
    """Keep the best of those that overlap, then order them as one reads a page."""
    kept: list[Candidate] = []
    for one in sorted(found, key=lambda c: -c.score):
        if not any(_overlap(one.box, other.box) > 0.3 for other in kept):
            kept.append(one)
    kept = kept[:MOST_CANDIDATES]
    return sorted(kept, key=lambda c: (c.box.y // MOST_HEIGHT, c.box.x))


def _overlap(a: Box, b: Box) -> float:
    """Return the common area as a share of the smaller rectangle."""
    return a.common(b) / min(a.common(a), b.common(b))


def accepted(found: Suggestions, index: int, name: str) -> tuple[marking.Spot, dict[str, Any]]:
    """Return candidate `index` (from 1) as `marking.mark` takes it, place and keys.

    Raises
    ------
    UsageError
        If there is no such candidate.
    """
    if not 1 <= index <= len(found.candidates):
        raise UsageError(f"--accept {index}={name}: there are {len(found.candidates)} candidates")
    candidate = found.candidates[index - 1]
    changes = {} if candidate.decimals is None else {"decimals": candidate.decimals}
    return marking.Spot(candidate.box, found.clip, found.time_s), changes


def save_picture(session: Session, found: Suggestions) -> Path:
    """Save the frame with the candidates as numbered rectangles; return where.

    Raises
    ------
    StorageError
        If it cannot be written.
    """
    image = found.image.copy()
    for i, candidate in enumerate(found.candidates, 1):
        marking.draw_box(image, candidate.box, marking.DRAWN, str(i))
    path = session.pictures / "suggestions.png"
    write_bytes(path, png(image))
    return path
