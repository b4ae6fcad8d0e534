"""Clip and fields to readings: sampling, evidence over time, the gate."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from extractor.errors import ClipError
from extractor.reading.number_parsing import shown
from extractor.reading.own_font import Witness
from extractor.reading.plausibility import barely_read, lasting, odd_signs, tempered, there_and_back
from extractor.reading.readers.base import Line, Reader
from extractor.reading.readers.glyphs import GlyphSet, added, read_with_glyphs, same_text
from extractor.reading.standing import Standing
from extractor.reading.stretches import ahead, stretches
from extractor.reading.temporal_evidence import (
    Column,
    FieldReader,
    Memory,
    Stretch,
    appearances,
    averaged,
    repeated,
    rescued,
    spread,
)
from extractor.session.overlay import Box, Field
from extractor.video import clips
from extractor.video.crops import Crop

RATE_HZ = 10.0
#: The picture counts as still between two samples when its luma moves by less than this share
#: of the clip's usual change, or by less than the absolute floor (grey levels, mean over the
#: picture). Measured: docs/decisions.md, "Frozen pictures".
STILL_SHARE = 0.05
STILL_FLOOR = 0.02
MOVING_LEAST = 0.4
#: And only where it moves at least this share of the time.
MOVING_SHARE = 0.25
#: Where more of the samples are unsure by themselves, the frames between them are needed too.
UNSURE_MOST = 0.05

#: A larger share of readings that the clip's own font speaks against is worth telling.
CONTRADICTED_SHARE = 0.01

Progress = Callable[[float], None]


@dataclass(slots=True)
class FieldReadings:
    """What one field showed at each sampled instant, as the reader saw it."""

    text: list[str] = field(default_factory=list)
    since_s: list[float] = field(default_factory=list)
    """When the text now shown appeared; NaN where not known."""
    confidence: list[float] = field(default_factory=list)
    first_looks: list[float] = field(default_factory=list)
    """Confidence of each sample's own crop alone, before other evidence."""
    appeared: list[str] = field(default_factory=list)
    """The text that `since_s` speaks of."""
    taught: list[Line | None] = field(default_factory=list)
    """What taught glyphs read, where any were taught."""
    kept: list[tuple[int, Crop]] = field(default_factory=list)
    """A few crops with their row, spread over the clip, for a second reader."""
    witness: Witness = field(default_factory=Witness)

    def keep(self, row: int, crop: Crop, wanted: int) -> None:
        """Keep a crop so that at the end `wanted` to twice as many lie evenly over the clip."""
        if not wanted:
            return
        if len(self.kept) >= 2 * wanted:
            self.kept = self.kept[::2]
        spacing = self.kept[1][0] - self.kept[0][0] if len(self.kept) > 1 else 1
        if not self.kept or row - self.kept[-1][0] >= spacing:
            self.kept.append((row, crop))


@dataclass(frozen=True, slots=True)
class Taught:
    """What was taught of a field, and the box as it was drawn, in pixels of the clip."""

    glyphs: GlyphSet
    drawn: Box


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
    remarks: list[str] = field(default_factory=list)
    """What was odd about the clip's time and pictures, see `clips.remarks`."""

    @property
    def duration_s(self) -> float:
        """Return the end of the last frame, seconds after the first."""
        return self.tally.end_s


def read_fields(
    clip: clips.Clip,
    fields: Sequence[Field],
    boxes: Sequence[Box],
    reader: Reader,
    *,
    rate_hz: float = RATE_HZ,
    keyframes_only: bool = False,
    exact: bool = False,
    threads: int = 1,
    squeezes: Sequence[float] = (),
    keep: int = 0,
    taught: Mapping[str, Taught] | None = None,
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
    exact : bool
        Decode every frame; else those that no other is made from are left out between the
        samples where few of these are unsure, and the change instants are to one decoded frame.
    threads : int
        Threads of the video decoder.
    squeezes : sequence of float
        The factor of width to which the crops of each field are brought; none: as they are.
    keep : int
        Crops of each field to keep for a second reader; 0 for none.
    taught : mapping, optional
        By field's name; it adds to what the reader reads, see `glyphs.added`.
    progress : callable, optional
        Called now and then with the time reached, in seconds.

    Raises
    ------
    ClipError
        If the clip cannot be decoded or gives no frame.
    """
    tally = clips.Tally()
    cut, passes = list(boxes), list[FieldPass]()
    for place, (item, factor) in enumerate(
        zip(fields, squeezes or [1.0] * len(fields), strict=True)
    ):
        lesson = (taught or {}).get(item.name)
        places = (place, len(cut))
        passes.append(FieldPass(FieldReader(reader, item, factor), places, lesson, keep))
        cut += [lesson.drawn] if lesson else []
    stream = clips.frames(
        clip,
        cut,
        tally,
        keyframes_only=keyframes_only,
        sampled_hz=math.inf if exact or keyframes_only else rate_hz,
        thumbs=True,
        threads=threads,
    )
    seen = {item.name: one.seen for item, one in zip(fields, passes, strict=True)}
    result = ClipReadings([], [], seen, tally, "unknown", 0.0)
    rate = math.inf if keyframes_only else rate_hz
    for stretch in ahead(stretches(stream, rate, reader.batch), tally):
        for one in passes:
            one.read(stretch)
            looks = one.seen.first_looks[-len(stretch.samples) :]
            unsure = sum(sure < reader.gate for sure in looks)
            tally.wanted |= unsure > UNSURE_MOST * len(stretch.samples)
        result.time_s += [stretch.frames[s].time_s for s in stretch.samples]
        if progress is not None:
            progress(stretch.frames[-1].time_s)
        result.motion += _motion(stretch)
    if not result.time_s:
        raise ClipError(f"{clip.path.name}: not one frame of it can be decoded ({clip.codec})")
    for name, one in zip(seen, passes, strict=True):
        result.remarks += one.end(name, result.time_s)
    result.complete = clips.completeness(clip, tally)
    result.remarks += clips.remarks(clip, tally)
    present_s = tally.end_s - sum(end - begin for begin, end in tally.holes)
    result.frame_s = present_s / max(1, tally.decoded - tally.out_of_order)
    return result


class FieldPass:
    """Reads one field, stretch after stretch."""

    def __init__(
        self, reader: FieldReader, places: tuple[int, int], taught: Taught | None, keep: int
    ) -> None:
        """Take the places of its crops in a frame: what is read, and, where taught, as drawn."""
        self.seen = FieldReadings()
        self._reader, self._standing, self._memory = reader, Standing(reader), Memory()
        self._place, self._drawn = places
        self._taught = TaughtReader(reader, taught.glyphs) if taught else None
        self._keep = keep

    def read(self, stretch: Stretch) -> None:
        """Read what is sampled of a stretch."""
        out, reader = self.seen, self._reader
        if stretch.samples[0] == 0:
            self._memory = Memory()
        memory = self._memory
        if stretch.spoilt:
            # However well the picture can be read: `number_parsing.is_spoilt`.
            out.text += [""] * len(stretch.samples)
            out.confidence += [0.0] * len(stretch.samples)
            out.since_s += [math.nan] * len(stretch.samples)
            out.appeared += [""] * len(stretch.samples)
            out.taught += [None] * len(stretch.samples)
            return
        crops = Column(stretch.frames, self._place)
        samples = [crops[s] for s in stretch.samples]
        for row, crop in enumerate(samples, len(out.text)):
            out.keep(row, crop, self._keep)
        first = self._standing.read(samples)
        out.first_looks += [line.confidence for line in first]
        lines = rescued(stretch, crops, reader, first)
        lines = repeated(averaged(stretch, crops, reader, lines), reader)
        out.witness.add(len(out.text), samples, first, lines)
        out.text += [line.text for line in lines]
        out.confidence += [line.confidence for line in lines]
        if self._taught is None:
            alike = self._standing.alike
            appeared = appearances(stretch, crops, reader, lines, memory, alike)
        else:
            pairs = [(f.crops[self._place], f.crops[self._drawn]) for f in stretch.frames]
            looks = self._taught.looks([pairs[s] for s in stretch.samples])
            out.taught += looks
            lines = [self._taught.joined(*both) for both in zip(lines, looks, strict=True)]
            appeared = appearances(stretch, pairs, self._taught, lines, memory)
        for line, at_s in zip(lines, appeared, strict=True):
            if line.confidence < reader.gate:
                memory.missed += 1
            else:
                memory.shown, memory.since_s, memory.missed = shown(line.text), at_s, 0
        out.appeared += [line.text for line in lines]
        out.since_s += appeared

    def end(self, name: str, time_s: Sequence[float]) -> list[str]:
        """Doubt what does not fit the rest of the clip; return what to say of it."""
        seen, gate, usual_share = self.seen, self._reader.gate, self._reader.usual_share
        seen.confidence = tempered(seen.confidence, seen.first_looks, usual_share)
        remarks = _contradicted(name, seen, gate)
        _doubt(seen, time_s, gate, range(len(seen.text)))
        if usual_share:  # else its confidence was not calibrated
            for row in lasting(seen.text, seen.confidence, seen.first_looks, gate):
                seen.confidence[row] = gate
            for row in barely_read(seen.text, seen.confidence, gate):
                seen.confidence[row] = gate / 2
        if self._taught is not None:
            rows = _add_taught(seen, gate, insisted=self._taught.glyphs.insisted)
            _doubt(seen, time_s, gate, rows)
        for row, confidence in enumerate(seen.confidence):
            if confidence < gate:
                seen.since_s[row] = math.nan
        seen.kept = [seen.kept[i] for i in spread(0, len(seen.kept), self._keep)]
        return remarks


def _contradicted(name: str, seen: FieldReadings, gate: float) -> list[str]:
    """Doubt what the clip's own font and layout speak against; return what to say of it."""
    passing = sum(c >= gate for c in seen.confidence)
    rows = [row for row in seen.witness.judge() if seen.confidence[row] >= gate]
    for row in rows:
        seen.confidence[row] = gate / 2
    if len(rows) <= CONTRADICTED_SHARE * passing:
        return []
    return [
        f"{name}: {len(rows)} of {passing} readings were set aside: a digit in them does not look, "
        "or not stand, like the others of this clip. Some of those left may be wrong: look at them "
        "under Check."
    ]


def _doubt(
    seen: FieldReadings, time_s: Sequence[float], gate: float, rows: Collection[int]
) -> None:
    """Lower the confidence of those among `rows` that do not fit what stands around them."""
    doubted = [
        *odd_signs(seen.text, seen.confidence, gate),
        *there_and_back(time_s, seen.text, seen.confidence),
    ]
    for row in set(doubted) & set(rows):
        seen.confidence[row] = min(seen.confidence[row], gate / 2)


def _add_taught(seen: FieldReadings, gate: float, *, insisted: bool) -> set[int]:
    """Add what taught glyphs read, after all evidence of the reader; return the changed rows."""
    rows = set()
    for row, (text, confidence) in enumerate(zip(seen.text, seen.confidence, strict=True)):
        built_in = Line(text, confidence)
        line = added(built_in, seen.taught[row], gate, insisted=insisted)
        if line is not built_in:
            rows.add(row)
            seen.text[row], seen.confidence[row] = line.text, line.confidence
            if not same_text(line.text, seen.appeared[row]):
                seen.since_s[row] = math.nan
    return rows


def _motion(stretch: Stretch) -> list[float]:
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


class TaughtReader:
    """The reader and what was taught; it is given both crops of a frame, read and drawn."""

    def __init__(self, reader: FieldReader, glyphs: GlyphSet) -> None:
        self._reader, self.glyphs = reader, glyphs
        self.gate = reader.gate

    def looks(self, crops: Sequence[tuple[Crop, Crop]]) -> list[Line | None]:
        """Return what the glyphs alone read; None in a box of another shape."""
        found = [read_with_glyphs(drawn, self.glyphs) for _, drawn in crops]
        return [look and self._reader.doubted(look) for look in found]

    def joined(self, line: Line, look: Line | None) -> Line:
        """Return what stands in a frame by both."""
        return added(line, look, self.gate, insisted=self.glyphs.insisted)

    def read(self, crops: Sequence[tuple[Crop, Crop]]) -> list[Line]:
        """Read each frame."""
        lines = self._reader.read([read for read, _ in crops])
        return [self.joined(*both) for both in zip(lines, self.looks(crops), strict=True)]


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
