"""Digits of one overlay, taught by hand: for fonts that the built-in reader cannot read.

A taught glyph is its picture in that overlay, at the size in which it stands there. Reading
looks for these pictures along the line and puts together the sequence that covers it best.
Teaching only adds: what the built-in reader surely reads stays as it is (`added`).
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from extractor.errors import SessionFileError, UsageError
from extractor.reading.number_parsing import interpret, shown
from extractor.reading.readers.base import Line
from extractor.session.atomic import write_bytes
from extractor.statistics.flags import Flag
from extractor.video.crops import Crop

Picture = npt.NDArray[np.float32]

#: Lines are brought to this height; glyphs are kept at it.
HEIGHT_PX = 48
#: Boxes whose width / height differs by less than this share are the same field's.
SHAPE_TOLERANCE = 0.08
#: A glyph counts from this correlation on; a sure reading's mean correlation is above 0.9.
LEAST_MATCH = 0.6
#: Share of a glyph's contrast that a place must have to be that glyph.
LEAST_CONTRAST = 0.4
#: Thresholds, as shares between the darkest and the brightest level, at which characters are
#: looked for when a line is taught.
LEVELS = (0.5, 0.6, 0.4, 0.7, 0.3, 0.8)
#: Rows by which a glyph may stand higher or lower than it was taught.
SLACK_PX = 2
#: Characters that may be taught.
CHARACTERS = "0123456789.,:-+"


@dataclass(frozen=True)
class Glyph:
    """One character as it looks in one overlay."""

    character: str
    picture: Picture
    """Grey levels, shape (height, width), at a line height of `HEIGHT_PX`."""
    top: int
    """Row at which it stands."""


@dataclass(frozen=True)
class GlyphSet:
    """The glyphs of one lesson, or of all lessons of a field."""

    field: str
    shape: float
    """Width / height of the box they were taught in."""
    glyphs: tuple[Glyph, ...]
    text: str = ""
    """What was said to stand there."""
    clip: str = ""
    time_s: float | None = None
    insisted: bool = False
    """Taught although the built-in reader surely read something else there."""

    def characters(self) -> str:
        """Return the characters that have been taught, each once, in order."""
        return "".join(sorted({g.character for g in self.glyphs}))


@dataclass(frozen=True)
class Glyphs:
    """All taught glyphs of a session."""

    lessons: tuple[GlyphSet, ...]
    """In the order in which they were given."""

    def taught(self, more: GlyphSet) -> Glyphs:
        """Return these glyphs with those of one more lesson.

        Lessons in a box of another shape are forgotten: the field was marked anew.
        """
        kept = [s for s in self.lessons if s.field != more.field or _alike(s.shape, more.shape)]
        return Glyphs((*kept, more))

    def of(self, field: str) -> GlyphSet | None:
        """Return all glyphs of a field together; None if it was taught none."""
        own = [s for s in self.lessons if s.field == field]
        if not own:
            return None
        glyphs = tuple(g for s in own for g in s.glyphs)
        return GlyphSet(field, own[-1].shape, glyphs, insisted=any(s.insisted for s in own))

    def save(self, path: Path) -> None:
        """Write the glyphs as NumPy archive; none: the file is removed.

        Raises
        ------
        StorageError
            If it cannot be written.
        """
        if not self.lessons:
            path.unlink(missing_ok=True)
            return
        arrays: dict[str, npt.NDArray[np.generic]] = {}
        for i, one in enumerate(self.lessons):
            for key in ("field", "shape", "text", "clip", "insisted", "time_s"):
                if (value := getattr(one, key)) is not None:
                    arrays[f"{i}/{key}"] = np.array(value)
            for j, glyph in enumerate(one.glyphs):
                arrays[f"{i}/{j}/character"] = np.array(glyph.character)
                arrays[f"{i}/{j}/top"] = np.array(glyph.top)
                arrays[f"{i}/{j}/picture"] = glyph.picture.astype(np.uint8)
        buffer = io.BytesIO()
        np.savez_compressed(buffer, **arrays)  # type: ignore[arg-type]
        write_bytes(path, buffer.getvalue(), keep_previous=True)

    @classmethod
    def load(cls, path: Path) -> Glyphs:
        """Read glyphs that were saved; none if there is no file.

        Raises
        ------
        SessionFileError
            If the file is not one of ours.
        """
        if not path.exists():
            return cls(())
        try:
            with np.load(path, allow_pickle=False) as arrays:
                return cls(tuple(_set_from(arrays, i) for i in _indices(arrays, "")))
        except (OSError, ValueError, KeyError, EOFError) as error:
            raise SessionFileError(
                f"{path}: holds no taught glyphs ({error}); remove it and teach again"
            ) from error

    def digest(self) -> str:
        """Return a text that changes with the glyphs."""
        hasher = hashlib.blake2b(digest_size=8)
        for one in self.lessons:
            for glyph in one.glyphs:
                hasher.update(
                    f"{one.field} {one.shape} {one.insisted} {glyph.character} {glyph.top}".encode()
                )
                hasher.update(glyph.picture.astype(np.uint8).tobytes())
        return hasher.hexdigest()


def _indices(arrays: Any, prefix: str) -> list[int]:
    first = [n.removeprefix(prefix).split("/")[0] for n in arrays.files if n.startswith(prefix)]
    return sorted({int(part) for part in first if part.isdecimal()})


def _set_from(arrays: Any, i: int) -> GlyphSet:
    glyphs = tuple(
        Glyph(
            str(arrays[f"{i}/{j}/character"]),
            arrays[f"{i}/{j}/picture"].astype(np.float32),
            int(arrays[f"{i}/{j}/top"]),
        )
        for j in _indices(arrays, f"{i}/")
    )
    # A file of an earlier version knows neither what was said nor where.
    more: dict[str, Any] = {
        key: kind(arrays[f"{i}/{key}"])
        for key, kind in (("text", str), ("clip", str), ("time_s", float), ("insisted", bool))
        if f"{i}/{key}" in arrays.files
    }
    return GlyphSet(str(arrays[f"{i}/field"]), float(arrays[f"{i}/shape"]), glyphs, **more)


def learn(field: str, crop: Crop, text: str) -> GlyphSet:
    """Cut the characters of a line apart.

    Parameters
    ----------
    field : str
        Whose overlay it is.
    crop : Crop
        The box as it was drawn.
    text : str
        What stands there: digits, ``.,:-+``; spaces do not matter.

    Raises
    ------
    UsageError
        If the text holds other characters, or so many characters cannot be told apart there.
    """
    wanted = [c for c in text if not c.isspace()]
    if not wanted or any(c not in CHARACTERS for c in wanted):
        raise UsageError(f"--text {text!r}: give the digits that stand there ({CHARACTERS})")
    line = _scaled(crop)
    for level in LEVELS:
        for light in (True, False):
            boxes = _characters(line, level, light=light)
            if len(boxes) == len(wanted):
                glyphs = [_glyph(line, c, b) for c, b in zip(wanted, boxes, strict=True)]
                shape = crop.shape[1] / crop.shape[0]
                return GlyphSet(field, shape, tuple(glyphs), text="".join(wanted))
    raise UsageError(
        f"--text {text!r}: {len(wanted)} characters could not be told apart there; choose a "
        "moment with a calmer background, and a box that holds the number alone"
    )


def _scaled(crop: Crop) -> Picture:
    height, width = crop.shape[:2]
    size = (max(1, round(width * HEIGHT_PX / height)), HEIGHT_PX)
    how = cv2.INTER_AREA if height > HEIGHT_PX else cv2.INTER_LINEAR
    return cv2.resize(np.ascontiguousarray(crop[..., 0]), size, interpolation=how).astype(
        np.float32
    )


def _characters(line: Picture, level: float, *, light: bool) -> list[tuple[int, int, int, int]]:
    """Return left, top, right, bottom of what stands out, parts above each other joined."""
    low, high = float(line.min()), float(line.max())
    cut = low + level * (high - low)
    mask = (line > cut) if light else (line < low + (1 - level) * (high - low))
    count, _, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    parts = []
    for x, y, width, height, area in stats[1:count]:
        if area >= 4 and width < line.shape[1] * 0.6 and height < HEIGHT_PX:
            parts.append((int(x), int(y), int(x + width), int(y + height)))
    joined: list[tuple[int, int, int, int]] = []
    for left, top, right, bottom in sorted(parts):
        if joined and left < joined[-1][2] - 1:
            left, *old = joined.pop()
            top, right, bottom = min(old[0], top), max(old[1], right), max(old[2], bottom)
        joined.append((left, top, right, bottom))
    return joined


def _glyph(line: Picture, character: str, box: tuple[int, int, int, int]) -> Glyph:
    left, top, right, bottom = box
    # A pixel around it: the edge against the ground is part of what a glyph looks like.
    x, y = max(0, left - 1), max(0, top - 1)
    picture = line[y : min(HEIGHT_PX, bottom + 1), x : min(line.shape[1], right + 1)]
    return Glyph(character, np.ascontiguousarray(picture), y)


def added(built_in: Line, taught: Line | None, gate: float, *, insisted: bool = False) -> Line:
    """Return what stands in a crop by the built-in reader and by taught glyphs.

    What the built-in reader surely reads stays. A lesson that was insisted on against it makes
    a difference in two cases: letters that it takes for nothing are read by the glyphs, and
    where both are sure of different numbers, nothing is claimed.

    Parameters
    ----------
    built_in : Line
        After all its evidence.
    taught : Line, optional
        By the glyphs; None where none were taught for such a box.
    gate : float
        Least confidence, 0 to 1, at which either counts.
    insisted : bool
        See `GlyphSet.insisted`.
    """
    if taught is None or taught.confidence < gate:
        return built_in
    if interpret(built_in.text, built_in.confidence, gate).flag == Flag.UNREADABLE:
        return taught
    if not insisted or same_text(built_in.text, taught.text):
        return built_in
    if not built_in.text:
        return taught
    return Line(taught.text, min(taught.confidence, 1 - built_in.confidence, gate / 2))


def with_lessons(
    lines: Sequence[Line], drawn: Sequence[Crop], taught: GlyphSet | None, gate: float
) -> list[Line]:
    """Return the built-in reader's lines with those of the glyphs added, see `added`.

    `drawn` are the boxes as they were drawn, one for each line; `taught` None changes nothing.
    """
    if taught is None:
        return list(lines)
    return [
        added(line, read_with_glyphs(crop, taught), gate, insisted=taught.insisted)
        for line, crop in zip(lines, drawn, strict=True)
    ]


def same_text(one: str, other: str) -> bool:
    """Tell whether two texts hold the same number; a unit beside it does not count."""
    first, second = ("".join(shown(text)).replace(",", ".") for text in (one, other))
    return first == second


def read_with_glyphs(crop: Crop, taught: GlyphSet) -> Line | None:
    """Read a crop with the glyphs of its field; None if they were taught in another shape."""
    if not _alike(taught.shape, crop.shape[1] / crop.shape[0]):
        return None
    return _decode(_scaled(crop), taught.glyphs)


def _alike(one: float, other: float) -> bool:
    return abs(one / other - 1) < SHAPE_TOLERANCE


@dataclass(frozen=True, slots=True)
class _Hit:
    left: int
    right: int
    character: str
    match: float


def _decode(line: Picture, glyphs: Sequence[Glyph]) -> Line:
    """Return the sequence of glyphs that covers the line best, left to right."""
    hits = sorted(_hits(line, glyphs), key=lambda h: h.right)
    chosen = _best_chain(hits)
    if not chosen:
        return Line("", 0.0)
    sure = []
    for hit in chosen:
        rival = max(
            (h.match for h in hits if h.character != hit.character and _overlap(h, hit) > 0.5),
            default=0.0,
        )
        sure.append(_sureness(hit.match, rival))
    text = "".join(h.character for h in chosen)
    return Line(text, float(np.prod(sure)) * _even(chosen), tuple(sure))


def _hits(line: Picture, glyphs: Sequence[Glyph]) -> list[_Hit]:
    found = []
    for glyph in glyphs:
        height, width = glyph.picture.shape
        top, bottom = max(0, glyph.top - SLACK_PX), glyph.top + height + SLACK_PX
        rows = line[top : min(HEIGHT_PX, bottom)]
        if rows.shape[0] < height or rows.shape[1] < width:
            continue
        matches = cv2.matchTemplate(rows, glyph.picture, cv2.TM_CCOEFF_NORMED)
        match = np.where(_contrasty(rows, glyph.picture), matches, 0.0).max(axis=0)
        for x in np.flatnonzero(match >= LEAST_MATCH):
            near = match[max(0, x - 2) : x + 3]
            if match[x] == near.max():
                found.append(_Hit(int(x), int(x) + width, glyph.character, float(match[x])))
    return found


def _contrasty(rows: Picture, picture: Picture) -> npt.NDArray[np.bool_]:
    """Tell where the line has about the glyph's contrast: correlation alone is blind to it."""
    height, width = picture.shape
    mean = cv2.boxFilter(rows, -1, (width, height), anchor=(0, 0))
    square = cv2.boxFilter(rows * rows, -1, (width, height), anchor=(0, 0))
    spread = np.sqrt(np.maximum(square - mean * mean, 0.0))
    valid = spread[: rows.shape[0] - height + 1, : rows.shape[1] - width + 1]
    return valid >= LEAST_CONTRAST * float(picture.std())


def _best_chain(hits: Sequence[_Hit]) -> list[_Hit]:
    """Weighted interval scheduling: width times match above the least that counts."""
    best: list[tuple[float, list[_Hit]]] = []
    for i, hit in enumerate(hits):
        before: tuple[float, list[_Hit]] = (0.0, [])
        for j in range(i):
            # Two glyphs' frames share their pixel of ground.
            if hits[j].right - 2 <= hit.left and best[j][0] > before[0]:
                before = best[j]
        gain = (hit.match - LEAST_MATCH + 0.02) * (hit.right - hit.left)
        best.append((before[0] + gain, [*before[1], hit]))
    return max(best, key=lambda one: one[0])[1] if best else []


def _overlap(one: _Hit, other: _Hit) -> float:
    common = min(one.right, other.right) - max(one.left, other.left)
    return common / min(one.right - one.left, other.right - other.left)


def _sureness(match: float, rival: float) -> float:
    # Two logistic curves: the glyph must look like itself, and more so than like any other.
    like = 1 / (1 + np.exp(-(match - 0.75) * 40))
    apart = 1 / (1 + np.exp(-(match - rival - 0.03) * 150))
    return float(like * apart)


def _even(chosen: Sequence[_Hit]) -> float:
    """Return 0 where a gap is wide enough for a glyph that was missed, else 1."""
    widest = max(h.right - h.left for h in chosen)
    gaps = [b.left - a.right for a, b in pairwise(chosen)]
    return 0.0 if any(gap > 0.8 * widest for gap in gaps) else 1.0
