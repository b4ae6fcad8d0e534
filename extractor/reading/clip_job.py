"""Reading one clip: what a worker process is given and what it does."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from extractor.errors import ClipError
from extractor.reading import cache, readers
from extractor.reading.cache import ClipState, FieldState
from extractor.session.overlay import Box, Field

if TYPE_CHECKING:
    from collections.abc import Callable

    from extractor.reading import clip_reading
    from extractor.reading.readers.base import Reader

CROSSCHECK = 20


class Share(NamedTuple):
    """What is read, beside the box as it was drawn."""

    x: float = 0.0
    y: float = 0.0
    width: float = 1.0
    height: float = 1.0
    """These four in shares of the drawn box; it may reach beyond it."""
    squeeze: float = 1.0
    """The factor of width to which what is cut out is brought."""


WHOLE = Share()


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """How to read."""

    rate_hz: float = 10.0
    reader: str = readers.NAMES[0]
    jobs: int = 0
    """Worker processes; 0: one for each core."""
    again: bool = False
    """Read also what did not change."""
    quick: bool = False
    """Keyframes only; nothing is remembered."""
    exact: bool = False
    """Decode every frame, so that changes are known to one frame."""
    crosscheck: int = CROSSCHECK
    """Readings of each clip and field that the second reader sees too, where it is installed."""
    scheduler: str = ""
    """Address of a Dask scheduler that reads instead of this machine; empty: none."""

    def crosscheck_of(self, reader: str) -> int:
        """Return how many readings to cross-check: none with the second reader itself."""
        return 0 if reader == "tesseract" or self.quick else self.crosscheck


@dataclass(frozen=True, slots=True)
class ClipJob:
    """All that a worker needs to read one clip."""

    clip: str
    path: Path
    state_path: Path | None
    """Where to remember what was read; None: nowhere."""
    fields: tuple[Field, ...]
    tight: Mapping[str, Share]
    """What is read, by field; the drawn box where it has none."""
    reader: str
    """Name and version."""
    asked: str
    """Digest of the question, see `cache.asked_digest`."""
    options: ReadOptions
    glyphs: Path | None
    threads: int
    """Of the video decoder."""


def read_clip_job(job: ClipJob, progress: Callable[[str, float], None]) -> ClipState:
    """Read one clip and remember it; runs in a worker process.

    Raises
    ------
    ClipError
        If the clip gives no readings.
    StorageError
        If it cannot be remembered.
    """
    import cv2

    from extractor.reading import clip_reading
    from extractor.video import clips

    cv2.setNumThreads(1)  # decoders and workers share the cores already
    reader = _reader(job.options.reader)
    try:
        digest = cache.clip_digest(job.path)
        clip = clips.probe(job.path)
        boxes = [boxes_in(f, job.tight, clip.width, clip.height) for f in job.fields]
        result = clip_reading.read_fields(
            clip,
            job.fields,
            boxes,
            reader,
            rate_hz=job.options.rate_hz,
            keyframes_only=job.options.quick,
            exact=job.options.exact,
            threads=job.threads,
            squeezes=[job.tight.get(f.name, WHOLE).squeeze for f in job.fields],
            keep=job.options.crosscheck_of(job.options.reader),
            taught=_taught(job, clip.width, clip.height),
            progress=lambda seconds: progress(job.clip, seconds),
        )
    except ClipError as error:
        # The file's name as it lies there may not be what the clip is called.
        what = str(error).removeprefix(f"{job.path.name}: ")
        raise ClipError(f"{job.clip}: {what}") from error
    known = ClipState(
        clip_digest=digest,
        asked_digest=job.asked,
        reader=job.reader,
        gate=reader.gate,
        frame=(clip.width, clip.height),
        boxes={f.name: b.as_list() for f, b in zip(job.fields, boxes, strict=True)},
        marks={f.name: cache.places_of(f) for f in job.fields},
        time_s=result.time_s,
        still=[bool(s) for s in clip_reading.still(result.motion)],
        fields={name: _field_state(seen) for name, seen in result.fields.items()},
        duration_s=result.duration_s,
        frame_s=result.frame_s,
        decoded=result.tally.decoded,
        undecodable=result.tally.undecodable,
        out_of_order=result.tally.out_of_order,
        complete=result.complete,
        note=result.tally.read_error,
        stalled=result.tally.stalled,
        remarks=result.remarks,
    )
    if job.options.crosscheck_of(job.options.reader):
        _cross_check(result, known)
    if job.state_path is not None:
        cache.save(job.state_path, known)
    return known


def _field_state(seen: Any) -> FieldState:
    since = [None if math.isnan(at_s) else at_s for at_s in seen.since_s]  # as JSON can hold it
    return FieldState(list(seen.text), since, [round(c, 5) for c in seen.confidence])


def _cross_check(result: Any, known: ClipState) -> None:
    """Let Tesseract, where it is installed, read a few of the crops as well."""
    from extractor.reading.readers import tesseract

    if not tesseract.available():
        return
    asked = [(name, row, c) for name, seen in result.fields.items() for row, c in seen.kept]
    lines = tesseract.TesseractReader().read([c for _, _, c in asked])
    for (name, row, _), line in zip(asked, lines, strict=True):
        if line.confidence >= tesseract.TesseractReader.gate:
            known.fields[name].crosscheck.append((row, line.text))


def _taught(job: ClipJob, width: int, height: int) -> dict[str, clip_reading.Taught]:
    """Return what was taught of the fields, and where they were drawn."""
    from extractor.reading import clip_reading

    if job.glyphs is None:
        return {}
    known = readers.lessons(job.options.reader, job.glyphs)
    return {
        f.name: clip_reading.Taught(glyphs, f.box_for(width, height))
        for f in job.fields
        if (glyphs := known.of(f.name)) is not None
    }


#: A worker reads many clips; loading the network once is enough.
_made: dict[str, Reader] = {}


def _reader(name: str) -> Reader:
    if name not in _made:
        _made[name] = readers.create(name)
    return _made[name]


def boxes_in(item: Field, tight: Mapping[str, Share], width: int, height: int) -> Box:
    """Return the rectangle to read in a picture of this size, tightened where that is known.

    Raises
    ------
    ClipError
        If the field was marked on pictures of another shape only.
    """
    drawn = item.box_for(width, height)
    return box_of_share(drawn, tight.get(item.name, WHOLE)).clipped(width, height)


def box_of_share(drawn: Box, share: Share) -> Box:
    """Return the rectangle that is read for a drawn one, in the same pixels."""
    return Box(
        drawn.x + round(share.x * drawn.width),
        drawn.y + round(share.y * drawn.height),
        max(1, round(share.width * drawn.width)),
        max(1, round(share.height * drawn.height)),
    )
