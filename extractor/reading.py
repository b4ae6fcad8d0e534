"""Clip and fields to readings: sampling, evidence over time, the gate."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from extractor import clips
from extractor.errors import ClipError
from extractor.flags import Flag
from extractor.overlay import Box, Field
from extractor.readers.base import OTHER, Crop, Line, Reader
from extractor.tables import parse_number

RATE_HZ = 10.0
#: Crops kept at once, in bytes: bounds the memory whatever the length of the clip.
CHUNK_BYTES = 48 << 20
#: A number that was read, then for this many samples not, then read again, did not change.
BRIDGED_SAMPLES = 2
#: Frames looked at on each side of a doubtful sample, within one sampling period.
RESCUE_FRAMES = 2
#: With this share of the numbers of a clip on one side of zero, those on the other are doubted.
USUAL_SIGN_SHARE = 0.9
#: Displays hold a number at least so long, or nobody could read it: common practice, no source.
HOLD_LEAST_S = 0.2
#: The picture counts as still between two samples when its luma moves by less than this share
#: of the clip's usual change, or by less than the absolute floor (grey levels, mean over the
#: picture). Measured: docs/decisions.md, "Frozen pictures".
STILL_SHARE = 0.05
STILL_FLOOR = 0.02
MOVING_LEAST = 0.4
#: And only where it moves at least this share of the time.
MOVING_SHARE = 0.25

_NUMBER = re.compile(r"[-+]?\d+(?:[.,]\d+)?")
_NEGATIVE = re.compile(r"-\d+(?:[.,]\d+)?")
_DASH = re.compile(r"[-\u2013\u2014]+(?:[.,:][-\u2013\u2014]+)?")

Progress = Callable[[float], None]


@dataclass(slots=True)
class FieldReadings:
    """What one field showed at each sampled instant, as the reader saw it."""

    text: list[str] = field(default_factory=list)
    since_s: list[float] = field(default_factory=list)
    """When the text now shown appeared; NaN where not known."""
    confidence: list[float] = field(default_factory=list)
    kept: list[tuple[int, Crop]] = field(default_factory=list)
    """A few crops with their row, spread over the clip, for a second reader."""

    def keep(self, row: int, crop: Crop, wanted: int) -> None:
        """Keep a crop so that at the end `wanted` to twice as many lie evenly over the clip."""
        if len(self.kept) >= 2 * wanted:
            self.kept = self.kept[::2]
        spacing = self.kept[1][0] - self.kept[0][0] if len(self.kept) > 1 else 1
        if not self.kept or row - self.kept[-1][0] >= spacing:
            self.kept.append((row, crop))


@dataclass(slots=True)
class ClipReadings:
    """All that was read in one clip, before anything is decided."""

    time_s: list[float]
    motion: list[float]
    """Mean change of luma outside the fields since the sample before, grey levels; NaN first."""
    fields: dict[str, FieldReadings]
    tally: clips.Tally
    complete: clips.Completeness
    frame_s: float
    """Usual time between two decoded frames."""

    @property
    def duration_s(self) -> float:
        """Return the end of the last frame, seconds after the first."""
        return self.tally.end_s


@dataclass(slots=True)
class _Sampled:
    """Decoded frames of one stretch; `samples` are indices of those that are sampled."""

    frames: list[clips.Frame] = field(default_factory=list)
    samples: list[int] = field(default_factory=list)
    bytes: int = 0

    def add(self, frame: clips.Frame, *, sampled: bool) -> None:
        if sampled:
            self.samples.append(len(self.frames))
        self.frames.append(frame)
        self.bytes += sum(c.nbytes for c in frame.crops)


@dataclass(slots=True)
class _Memory:
    """What one field carries from stretch to stretch."""

    shown: tuple[str, ...] | None = None
    """What last passed the gate, see `_shown`."""
    since_s: float = math.nan
    missed: int = BRIDGED_SAMPLES + 1


def read_clip(
    clip: clips.Clip,
    fields: Sequence[Field],
    boxes: Sequence[Box],
    reader: Reader,
    *,
    rate_hz: float = RATE_HZ,
    keyframes_only: bool = False,
    threads: int = 1,
    keep: int = 0,
    progress: Progress | None = None,
) -> ClipReadings:
    """Read every field at a steady rate through a clip.

    Parameters
    ----------
    clip : Clip
        From `clips.probe`.
    fields, boxes : sequences of Field and Box
        What to read and where, pixels of this clip's displayed picture.
    reader : Reader
        Turns crops into text.
    rate_hz : float
        Samples a second; each is the first frame at or after its instant.
    keyframes_only : bool
        Look at keyframes alone, all of them: quick, and the change instants are then coarse.
    threads : int
        Threads of the video decoder.
    keep : int
        Crops of each field to keep for a second reader; 0 for none.
    progress : callable, optional
        Called now and then with the time reached, in seconds.

    Raises
    ------
    ClipError
        If the clip cannot be decoded or gives no frame.
    """
    tally = clips.Tally()
    stream = clips.frames(
        clip, boxes, tally, keyframes_only=keyframes_only, thumbs=True, threads=threads
    )
    result = ClipReadings([], [], {f.name: FieldReadings() for f in fields}, tally, "unknown", 0.0)
    memories = [_Memory() for _ in fields]
    eyes = [_FieldReader(reader, f) for f in fields]
    rate = math.inf if keyframes_only else rate_hz
    for stretch in _stretches(stream, rate, reader.batch):
        for i, seen in enumerate(result.fields.values()):
            _read_stretch(stretch, i, eyes[i], seen, memories[i])
            for row, sample in enumerate(stretch.samples, len(result.time_s)):
                if keep:
                    seen.keep(row, stretch.frames[sample].crops[i], keep)
        result.time_s += [stretch.frames[s].time_s for s in stretch.samples]
        if progress is not None:
            progress(stretch.frames[-1].time_s)
        result.motion += _motion(stretch)
    if not result.time_s:
        raise ClipError(f"{clip.path.name}: not one frame of it can be decoded ({clip.codec})")
    for seen in result.fields.values():
        _doubt_signs(seen, reader.gate)
        chosen = np.linspace(0, len(seen.kept) - 1, min(keep, len(seen.kept)))
        seen.kept = [seen.kept[int(i)] for i in chosen]
    result.complete = clips.completeness(clip, tally)
    result.frame_s = tally.end_s / max(1, tally.decoded - tally.out_of_order)
    return result


def _stretches(stream: Iterator[clips.Frame], rate_hz: float, batch: int) -> Iterator[_Sampled]:
    """Cut the stream into stretches; each begins with the last sampled frame of the one before.

    That first frame is not a sample of the new stretch; it is there to search from.
    """
    stretch = _Sampled()
    due = 0
    for frame in stream:
        # The tolerance keeps rounded timestamps (1/1000 s in Matroska) on their instant.
        sampled = math.isinf(rate_hz) or frame.time_s * rate_hz >= due - 1e-2
        if sampled and not math.isinf(rate_hz):
            due = math.floor(frame.time_s * rate_hz + 1e-2) + 1
        stretch.add(frame, sampled=sampled)
        if sampled and (len(stretch.samples) >= batch or stretch.bytes >= CHUNK_BYTES):
            yield stretch
            stretch = _Sampled()
            stretch.add(frame, sampled=False)
    if stretch.samples:
        yield stretch


def _motion(stretch: _Sampled) -> list[float]:
    changes = []
    before = None if stretch.samples[0] == 0 else stretch.frames[0].thumb
    for index in stretch.samples:
        thumb = stretch.frames[index].thumb
        if before is None or thumb is None or not thumb.size:
            changes.append(math.nan)
        else:
            difference = np.abs(thumb.astype(np.int16) - before.astype(np.int16))
            changes.append(float(difference.mean()))
        before = thumb
    return changes


def _read_stretch(
    stretch: _Sampled, index: int, reader: _FieldReader, out: FieldReadings, memory: _Memory
) -> None:
    crops = [f.crops[index] for f in stretch.frames]
    lines = reader.read([crops[s] for s in stretch.samples])
    lines = _rescued(stretch, crops, reader, lines)
    appeared = _appearances(stretch, crops, reader, lines, memory)
    for position, line in enumerate(lines):
        if line.confidence < reader.gate:
            memory.missed += 1
            since = math.nan
        else:
            memory.shown, memory.since_s = _shown(line.text), appeared[position]
            memory.missed = 0
            since = memory.since_s
        out.text.append(line.text)
        out.confidence.append(line.confidence)
        out.since_s.append(since)


class _FieldReader:
    """A reader that knows what the field can show; that may only lower confidence."""

    def __init__(self, reader: Reader, item: Field) -> None:
        self._reader = reader
        self._unsigned = item.minimum is not None and item.minimum >= 0
        self.gate = reader.gate

    def read(self, crops: Sequence[Crop]) -> list[Line]:
        return [self._doubted(line) for line in self._reader.read(crops)]

    def _doubted(self, line: Line) -> Line:
        # A streak of light beside the number looks just like a minus.
        if self._unsigned and any(_NEGATIVE.fullmatch(part) for part in _shown(line.text)):
            return Line(line.text, min(line.confidence, self.gate / 2), line.characters)
        return line


def _rescued(
    stretch: _Sampled, crops: Sequence[Crop], reader: _FieldReader, lines: Sequence[Line]
) -> list[Line]:
    """Look before and after each doubtful sample for what surely stood there.

    The number stands still while the picture behind it moves: what spoils one frame is gone a
    few frames on. Where the nearest sure looks on both sides, less than `HOLD_LEAST_S` apart,
    show the same, it stood there in between too: a display does not change and change back
    faster than anyone could read it.
    """
    asked = [
        (position, frame)
        for position, line in enumerate(lines)
        if line.confidence < reader.gate
        for frame in _frames_around(stretch, position)
    ]
    if not asked:
        return list(lines)
    looks = reader.read([crops[frame] for _, frame in asked])
    nearest: dict[tuple[int, bool], tuple[int, Line]] = {}
    for (position, frame), look in zip(asked, looks, strict=True):
        distance = frame - stretch.samples[position]
        key = (position, distance > 0)
        if look.confidence >= reader.gate and (
            key not in nearest or abs(distance) < abs(nearest[key][0])
        ):
            nearest[key] = (distance, look)
    result = list(lines)
    for position, here in enumerate(stretch.samples):
        before, after = nearest.get((position, False)), nearest.get((position, True))
        if before and after and _shown(before[1].text) == _shown(after[1].text):
            first, last = stretch.frames[here + before[0]], stretch.frames[here + after[0]]
            if last.time_s - first.time_s <= HOLD_LEAST_S:
                surest = min(before[1], after[1], key=lambda look: look.confidence)
                result[position] = surest
    return result


def _frames_around(stretch: _Sampled, position: int) -> list[int]:
    """Return a few frames before and after a sample, up to the samples beside it."""
    here = stretch.samples[position]
    first = stretch.samples[position - 1] if position else 0
    last = (*stretch.samples, len(stretch.frames) - 1)[position + 1]
    return [*_spread(first, here, RESCUE_FRAMES), *_spread(here + 1, last + 1, RESCUE_FRAMES)]


def _spread(first: int, stop: int, count: int) -> list[int]:
    """Return up to `count` whole numbers spread over ``range(first, stop)``."""
    return sorted({int(v) for v in np.linspace(first, stop - 1, count)}) if stop > first else []


def _appearances(
    stretch: _Sampled,
    crops: Sequence[Crop],
    reader: _FieldReader,
    lines: Sequence[Line],
    memory: _Memory,
) -> list[float]:
    """Return, for each sample that passes the gate, when its text appeared (NaN elsewhere).

    Between the sample before and this one the change is searched by halving, all searches of
    the stretch in step so that the reader is called on batches.
    """
    shown, missed = memory.shown, memory.missed
    searches: dict[int, _Search] = {}
    continued: set[int] = set()
    for position, line in enumerate(lines):
        if line.confidence < reader.gate:
            missed += 1
            continue
        now = _shown(line.text)
        if now == shown and missed <= BRIDGED_SAMPLES:
            continued.add(position)
        elif stretch.samples[position] > 0:
            lower = stretch.samples[position - 1] if position else 0
            searches[position] = _Search(lower, stretch.samples[position], shown, now)
        shown, missed = now, 0
    _halve(crops, reader, list(searches.values()))
    appeared = [math.nan] * len(lines)
    current = memory.since_s
    for position, line in enumerate(lines):
        if position in searches:
            current = stretch.frames[searches[position].upper].time_s
        elif line.confidence < reader.gate:
            continue
        elif position not in continued:
            current = math.nan  # the clip's first frame: it may have stood there before
        appeared[position] = current
    return appeared


@dataclass(slots=True)
class _Search:
    """A change between two frames: `lower` does not show `new` yet, `upper` does."""

    lower: int
    upper: int
    old: tuple[str, ...] | None
    new: tuple[str, ...]


def _halve(crops: Sequence[Crop], reader: _FieldReader, searches: Sequence[_Search]) -> None:
    while True:
        open_ = [s for s in searches if s.upper - s.lower > 1]
        if not open_:
            return
        looks = reader.read([crops[(s.lower + s.upper) // 2] for s in open_])
        for search, look in zip(open_, looks, strict=True):
            middle = (search.lower + search.upper) // 2
            now = _shown(look.text)
            # A spoiled frame is neither: most frames in between are not the last of the old.
            doubtful = look.confidence < reader.gate and now != search.old
            if now == search.new or doubtful:
                search.upper = middle
            else:
                search.lower = middle


def _shown(text: str) -> tuple[str, ...]:
    """Return what matters of a text: a unit beside the number may be seen in one frame only."""
    return tuple(part for part in text.split() if set(part) != {OTHER})


def _doubt_signs(seen: FieldReadings, gate: float) -> None:
    """Lower the confidence of numbers whose sign the field does not have otherwise.

    A minus is the thinnest sign: a bright edge hides one, a streak of light fakes one. A field
    that really changes sign passes through zero; one that jumps from -75 to 75 does not.
    """
    values = np.array(
        [
            interpret(text, confidence, gate).value
            for text, confidence in zip(seen.text, seen.confidence, strict=True)
        ]
    )
    signs = np.sign(values)
    for sign in (1.0, -1.0):
        same, other = np.flatnonzero(signs == sign), np.flatnonzero(signs == -sign)
        if not len(other) or len(same) < USUAL_SIGN_SHARE * (len(same) + len(other)):
            continue
        least = float(np.median(np.abs(values[same]))) / 4  # near zero it may really cross
        for row in other[np.abs(values[other]) >= least]:
            seen.confidence[row] = min(seen.confidence[row], gate / 2)
            seen.since_s[row] = math.nan


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading after the gate: a number or the reason why there is none."""

    value: float
    """NaN unless `flag` is ok."""
    flag: Flag


def interpret(text: str, confidence: float, gate: float) -> Reading:
    """Turn what a reader saw into a number or a flag; never guesses.

    Parameters
    ----------
    text : str
        Verbatim. Exactly one number must stand in it; letters may stand beside it, set off by
        a space. A sign that touches the number may be a digit that the crop's edge has cut.
    confidence, gate : float
        0 to 1; below `gate` the reading is `unreadable`.
    """
    if confidence < gate:
        return Reading(math.nan, Flag.UNREADABLE)
    if not text.strip():
        return Reading(math.nan, Flag.HIDDEN)
    words = _shown(text)
    if len(words) == 1 and _DASH.fullmatch(words[0]):
        return Reading(math.nan, Flag.NO_LINK)
    numbers = [p for p in words if _NUMBER.fullmatch(p)]
    digits = [p for p in words if any(c.isdigit() for c in p)]
    value = parse_number(numbers[0]) if len(numbers) == len(digits) == 1 else None
    if value is None:
        return Reading(math.nan, Flag.UNREADABLE)
    return Reading(value, Flag.OK)


def still(motion: Sequence[float]) -> npt.NDArray[np.bool_]:
    """Tell for each sample whether the picture stood still since the one before.

    The floor is measured on the clip itself: a small share of its usual change. Where the
    picture hardly ever moves (a bench scene), nothing is called still, since a frozen picture
    could not be told from a quiet one.

    Parameters
    ----------
    motion : sequence of float, length n
        Mean change of luma since the sample before, grey levels; NaN where not known.

    Returns
    -------
    array of bool, length n
    """
    changes = np.asarray(motion, float)
    known = changes[np.isfinite(changes)]
    moving = known[known > STILL_FLOOR]
    usual = float(np.median(moving)) if len(moving) >= MOVING_SHARE * max(1, len(known)) else 0.0
    if usual < MOVING_LEAST:
        return np.zeros(changes.shape, bool)
    floor = max(STILL_FLOOR, STILL_SHARE * usual)
    return np.where(np.isfinite(changes), changes, np.inf) < floor
