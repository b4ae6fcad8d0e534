"""Evidence over time: what stood before and after, and when a number changed.

The number stands still for several frames while the picture behind it moves.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice
from typing import Any, Protocol

import numpy as np

from extractor.reading.number_parsing import is_negative, shown
from extractor.reading.readers.base import Line, Reader
from extractor.session.overlay import Field
from extractor.video import clips
from extractor.video.crops import Crop

#: A number that was read, then for this many samples not, then read again, did not change.
BRIDGED_SAMPLES = 2
#: Frames looked at on each side of a doubtful sample, within one sampling period.
RESCUE_FRAMES = 3
#: A doubtful sample stands if another look at the same number, read with at least this
#: confidence, says the same. Dashes and emptiness only need the gate: docs/decisions.md.
REPEATED_SURELY = 0.95
#: But not if it was hardly read at all.
REPEATED_LEAST = 0.3
#: A doubtful sample stands if an average over the frames around it is read with at least this
#: confidence, and it and other views of the sample agree in the mean at least so far. Chosen on
#: the two older evaluation sets, held against a third: docs/reader.md, docs/decisions.md.
AVERAGE_SURELY = 0.85
VIEWS_AGREE = 0.65
#: And if the average is surer than the frame by this much: then it was the background that made
#: the frame doubtful, and not the lettering, which an average leaves as odd as it is.
AVERAGE_GAIN = 0.05
#: Averages reach so far to each side of a sample, seconds, and never past the samples beside it.
AVERAGED_S = 0.1
#: A sample is also looked at squeezed, stretched (factors of width) and with a wider rim.
_SQUEEZED, _STRETCHED, _RIM_PX = 0.9, 1.12, 3
#: Displays hold a number at least so long, or nobody could read it: common practice, no source.
HOLD_LEAST_S = 0.2


@dataclass(slots=True)
class Stretch:
    """Decoded frames of one stretch; `samples` are indices of those that are sampled."""

    frames: list[clips.Frame] = field(default_factory=list)
    samples: list[int] = field(default_factory=list)
    bytes: int = 0

    @property
    def spoilt(self) -> bool:
        """Tell whether damage makes all of its frames show something else than the screen did."""
        return self.frames[0].spoilt

    def add(self, frame: clips.Frame, *, sampled: bool) -> None:
        """Append a frame."""
        if sampled:
            self.samples.append(len(self.frames))
        # How the picture moves is asked of samples alone, see `clip_reading`; the first is one.
        self.frames.append(frame if sampled or not self.frames else replace(frame, thumb=None))
        self.bytes += frame.bytes


@dataclass(frozen=True, slots=True)
class Column(Sequence[Crop]):
    """One crop of each frame, made when it is asked for."""

    frames: Sequence[clips.Frame]
    place: int

    def __len__(self) -> int:
        """Return how many frames there are."""
        return len(self.frames)

    def __getitem__(self, index: Any) -> Any:
        """Return the crop of one frame."""
        return self.frames[index].crops[self.place]


@dataclass(slots=True)
class Memory:
    """What one field carries from stretch to stretch."""

    shown: tuple[str, ...] | None = None
    """What last passed the gate, see `shown`."""
    since_s: float = math.nan
    missed: int = BRIDGED_SAMPLES + 1


class FieldReader:
    """A reader that knows how wide the field's digits are, and what it can show.

    What it can show may only lower confidence.
    """

    def __init__(self, reader: Reader, item: Field, squeeze: float = 1.0) -> None:
        self._reader, self._squeeze = reader, squeeze
        self.unsigned = item.minimum is not None and item.minimum >= 0
        self.gate = reader.gate
        self.usual_share = reader.usual_share

    def read(self, crops: Sequence[Crop]) -> list[Line]:
        """Read each crop; see `Reader.read`."""
        cuts = [squeezed(crop, self._squeeze) for crop in crops]
        lines = self._reader.read(cuts)
        if self.unsigned:  # a streak of light beside the number looks just like a minus
            lines = [line.unsigned or line for line in lines]
        return [self.doubted(line) for line in lines]

    def same(self, one: Line, other: Line) -> bool:
        """Whether two looks show the same; letters alone are not the same as nothing."""
        return bool(one.text) == bool(other.text) and shown(one.text) == shown(other.text)

    def repeats(self, sure: Line, doubtful: Line) -> bool:
        """Whether a sure look shows what a doubtful one seemed to show."""
        numeric = any(sign.isdigit() for sign in sure.text)
        return (
            sure.confidence >= (REPEATED_SURELY if numeric else self.gate)
            and doubtful.confidence >= REPEATED_LEAST
            and self.same(sure, doubtful)
        )

    def turned(self, one: Line, other: Line) -> bool:
        """Whether two looks show the same digits with different signs."""
        digits = [[p.removeprefix("-") for p in shown(line.text)] for line in (one, other)]
        return digits[0] == digits[1] and not self.same(one, other) and bool(one.text)

    def doubted(self, line: Line) -> Line:
        """Return the line, doubted where the field cannot show that."""
        if self.unsigned and is_negative(line.text):
            return replace(line, confidence=min(line.confidence, self.gate / 2))
        return line


def rescued(
    stretch: Stretch, crops: Sequence[Crop], reader: FieldReader, lines: Sequence[Line]
) -> list[Line]:
    """Look before and after each doubtful sample for what surely stood there.

    The number stands still while the picture behind it moves: what spoils one frame is gone a
    few frames on. Where the nearest sure looks on both sides, less than `HOLD_LEAST_S` apart,
    show the same, it stood there in between too: a display does not change and change back
    faster than anyone could read it. Where only one side is sure, it has to repeat what was
    read here (see `repeated`).
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
        if before and after and reader.same(before[1], after[1]):
            first, last = stretch.frames[here + before[0]], stretch.frames[here + after[0]]
            if last.time_s - first.time_s <= HOLD_LEAST_S:
                surest = min(before[1], after[1], key=lambda look: look.confidence)
                result[position] = surest
                continue
        for side in (before, after):
            if side is not None and reader.repeats(side[1], lines[position]):
                result[position] = side[1]
    return result


def averaged(
    stretch: Stretch, crops: Sequence[Crop], reader: FieldReader, lines: Sequence[Line]
) -> list[Line]:
    """Look at each doubtful sample again with the moving picture behind it averaged away.

    The mean of the frames before, of those after, and of all of them: lettering that stands
    stays sharp, what moves behind it blurs. Where a change lies among the frames the mean shows
    two numbers at once, so no mean is believed alone: the frame itself, the other means, and
    the frame squeezed, stretched and with a wider rim are read as well and have to agree. None
    of them may show the same digits with the other sign.

    Parameters
    ----------
    stretch : Stretch
    crops : sequence of uint8 arrays (height, width, 3)
        One for each frame of the stretch.
    reader : FieldReader
        Knows the gate and when two looks show the same.
    lines : sequence of Line
        One for each sample; those that pass the gate are left alone.
    """
    result = list(lines)
    doubtful = [k for k, line in enumerate(lines) if line.confidence < reader.gate]
    views = [_views(stretch, crops, position) for position in doubtful]
    looks = iter(reader.read([view for means, others in views for view in (*means, *others)]))
    for position, (means, others) in zip(doubtful, views, strict=True):
        of_means = list(islice(looks, len(means)))
        every = [*of_means, *islice(looks, len(others)), lines[position]]
        if not of_means:
            continue
        surest = max(of_means, key=lambda look: look.confidence)
        agreeing = sum(look.confidence for look in every if reader.same(look, surest))
        needed = max(AVERAGE_SURELY, lines[position].confidence + AVERAGE_GAIN)
        if (
            surest.confidence >= needed
            and agreeing >= VIEWS_AGREE * len(every)
            and not any(reader.turned(look, surest) for look in every)
        ):
            result[position] = replace(surest, confidence=max(reader.gate, surest.confidence))
    return result


def _views(stretch: Stretch, crops: Sequence[Crop], position: int) -> tuple[list[Crop], list[Crop]]:
    """Return means over the frames around a sample, and the sample in other shapes."""
    import cv2

    first, here, last = _reach(stretch, position)
    time_s = stretch.frames[here].time_s
    near = [
        frame
        for frame in range(first, last + 1)
        if abs(stretch.frames[frame].time_s - time_s) <= AVERAGED_S + 1e-6
    ]
    spans = ([f for f in near if f <= here], [f for f in near if f >= here], near)
    means = [
        np.mean([crops[frame] for frame in span], axis=0).round().astype(np.uint8)
        for span in spans
        if len(span) > 1
    ]
    crop = np.ascontiguousarray(crops[here])
    others = [squeezed(crop, factor) for factor in (_SQUEEZED, _STRETCHED)]
    rim = cv2.copyMakeBorder(crop, *(_RIM_PX,) * 4, cv2.BORDER_REPLICATE)
    return means, [*others, np.asarray(rim, np.uint8)]


def repeated(lines: Sequence[Line], reader: FieldReader) -> list[Line]:
    """Accept doubtful samples that repeat a sure one without a break.

    What makes a reader unsure of what it reads right differs from frame to frame; what makes
    it read wrong seldom gives the same wrong text with and without great confidence. Measured
    on two sets of clips: 0 of 472 wrong (docs/decisions.md).

    Parameters
    ----------
    lines : sequence of Line
        Of consecutive samples.
    reader : FieldReader
        Knows the gate and whether the field can be negative.
    """
    result = list(lines)
    first = 0
    while first < len(lines):
        last = first
        while last + 1 < len(lines) and reader.same(lines[first], lines[last + 1]):
            last += 1
        surest = max(lines[first : last + 1], key=lambda line: line.confidence)
        for row in range(first, last + 1):
            if lines[row].confidence < reader.gate and reader.repeats(surest, lines[row]):
                result[row] = surest
        first = last + 1
    return result


def _reach(stretch: Stretch, position: int) -> tuple[int, int, int]:
    """Return the frames of the sample before, of this one, and of the one after."""
    first = stretch.samples[position - 1] if position else 0
    last = (*stretch.samples, len(stretch.frames) - 1)[position + 1]
    return first, stretch.samples[position], last


def _frames_around(stretch: Stretch, position: int) -> list[int]:
    """Return a few frames before and after a sample, up to the samples beside it."""
    first, here, last = _reach(stretch, position)
    return [*spread(first, here, RESCUE_FRAMES), *spread(here + 1, last + 1, RESCUE_FRAMES)]


def squeezed(crop: Crop, factor: float) -> Crop:
    """Return a crop with its width multiplied by `factor`."""
    import cv2

    if factor == 1:
        return crop
    height, width = crop.shape[:2]
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
    size = (max(8, round(width * factor)), height)
    return np.asarray(cv2.resize(np.ascontiguousarray(crop), size, interpolation=how), np.uint8)


def spread(first: int, stop: int, count: int) -> list[int]:
    """Return up to `count` whole numbers spread over ``range(first, stop)``."""
    return sorted({int(v) for v in np.linspace(first, stop - 1, count)}) if stop > first else []


class Eye(Protocol):
    """Reads frames of one field, whatever of a frame it is given."""

    gate: float

    def read(self, crops: Sequence[Any]) -> list[Line]:
        """Read each frame."""
        ...


def appearances(
    stretch: Stretch,
    crops: Sequence[Any],
    reader: Eye,
    lines: Sequence[Line],
    memory: Memory,
    alike: Callable[[Any, Any], bool] = lambda one, other: False,
) -> list[float]:
    """Return, for each sample that passes the gate, when its text appeared (NaN elsewhere).

    Between the sample before and this one the change is searched by halving, all searches of
    the stretch in step so that the reader is called on batches. Frames that are `alike` show the
    same.
    """
    standing, missed = memory.shown, memory.missed
    searches: dict[int, Search] = {}
    continued: set[int] = set()
    for position, line in enumerate(lines):
        if line.confidence < reader.gate:
            missed += 1
            continue
        now = shown(line.text)
        if now == standing and missed <= BRIDGED_SAMPLES:
            continued.add(position)
        elif stretch.samples[position] > 0:
            lower = stretch.samples[position - 1] if position else 0
            searches[position] = Search(lower, stretch.samples[position], standing, now)
        standing, missed = now, 0
    halve(crops, reader, list(searches.values()), alike)
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
class Search:
    """A change between two frames: `lower` does not show `new` yet, `upper` does."""

    lower: int
    upper: int
    old: tuple[str, ...] | None
    new: tuple[str, ...]


def halve(
    crops: Sequence[Any],
    reader: Eye,
    searches: Sequence[Search],
    alike: Callable[[Any, Any], bool] = lambda one, other: False,
) -> None:
    """Narrow all searches down to neighbouring frames, in step."""
    while True:
        for search in searches:
            while search.upper - search.lower > 1:
                middle = (search.lower + search.upper) // 2
                if alike(crops[middle], crops[search.upper]):
                    search.upper = middle
                elif alike(crops[search.lower], crops[middle]):
                    search.lower = middle
                else:
                    break
        open_ = [s for s in searches if s.upper - s.lower > 1]
        if not open_:
            return
        looks = reader.read([crops[(s.lower + s.upper) // 2] for s in open_])
        for search, look in zip(open_, looks, strict=True):
            middle = (search.lower + search.upper) // 2
            now = shown(look.text)
            # A spoiled frame is neither: most frames in between are not the last of the old.
            doubtful = look.confidence < reader.gate and now != search.old
            if now == search.new or doubtful:
                search.upper = middle
            else:
                search.lower = middle
