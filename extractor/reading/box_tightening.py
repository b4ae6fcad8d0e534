"""From the rectangle that was drawn to the one that is read: tightening, once per field."""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from extractor.errors import ClipError, StorageError
from extractor.reading import cache, readers
from extractor.reading.clip_job import WHOLE, Share, boxes_in
from extractor.reading.readers.base import Line, Reader
from extractor.reading.temporal_evidence import FieldReader, squeezed
from extractor.session import digests
from extractor.session.atomic import read_json, write_json
from extractor.session.folder import Session
from extractor.session.overlay import Box, Field, Overlay
from extractor.video import clips
from extractor.video.crops import Crop

if TYPE_CHECKING:
    from extractor.reading.number_parsing import Reading

#: Enough to see different numbers and backgrounds, few enough to take no time.
CLIPS_LOOKED_AT = 8
INSTANTS = 32
#: Room around the drawn box in which the number may be found, a share of its height.
ROOM = 0.4
#: Clips and instants whose readings are shown to the user after marking.
SHOWN_CLIPS, SHOWN_INSTANTS = 5, 5
LEAST_GLANCES = 8


@dataclass(frozen=True, slots=True)
class Glance:
    """What a reader saw in one field at one instant of one clip."""

    clip: str
    time_s: float
    line: Line
    reading: Reading


def some(names: Sequence[str], count: int = CLIPS_LOOKED_AT) -> list[str]:
    """Return up to `count` clips spread evenly over the list."""
    if len(names) <= count:
        return list(names)
    return [names[round(i * (len(names) - 1) / (count - 1))] for i in range(count)]


def tight_shares(session: Session, overlay: Overlay, reader: Reader) -> dict[str, Share]:
    """Return for each field the part of its drawn box that is read; remembered once chosen.

    A field that cannot be tightened (nothing readable in it anywhere) is missing: its drawn box
    is used as it is.
    """
    path = session.state / "tight.json"
    before = read_json(path)
    keys = {
        item.name: digests.digest_of(
            cache.READING_VERSION,
            cache.places_of(item),
            FieldReader(reader, item).unsigned,
            reader.name,
            reader.version(),
        )
        for item in overlay.fields
    }
    new = [f for f in overlay.fields if before.get(f.name, {}).get("key") != keys[f.name]]
    looked_at = [session.path(name) for name in some(session.clips)]
    chosen = choose_shares(looked_at, new, reader) if new else {}
    now: dict[str, Any] = {
        name: {"key": key, "share": chosen[name]} if name in chosen else before[name]
        for name, key in keys.items()
    }
    if now != before:
        with contextlib.suppress(StorageError):  # a quick look needs no folder that can be written
            write_json(path, now)
    return {name: Share(*entry["share"]) for name, entry in now.items() if entry["share"]}


def choose_shares(
    paths: Sequence[Path], items: Sequence[Field], reader: Reader
) -> dict[str, Share | None]:
    """Choose for several fields from the same pictures: decoding them is what takes time.

    Parameters
    ----------
    paths : sequence of Path
        Clips to look at; those that cannot be decoded are passed over.
    items : sequence of Field
        What to tighten.
    reader : Reader
        The one that is going to read.

    Returns
    -------
    dict
        By the field's name; None where nothing readable was seen in it.
    """
    each = -(-INSTANTS // max(1, len(paths)))
    seen = _glances(paths, items, each)
    scarce = [item for item in items if len(seen[item.name]) < LEAST_GLANCES]
    if scarce:
        # Where keyframes are rare and clips few, it is worth decoding on to other moments.
        seen |= _glances(paths, scarce, -(-each // 2), exact=True)
    return {item.name: _tight_share(seen[item.name], FieldReader(reader, item)) for item in items}


def _tight_share(seen: Sequence[_Seen], reader: FieldReader) -> Share | None:
    from extractor.reading.tightening import tighten

    if not seen:
        return None
    # Crops of one size only can be laid over each other.
    (drawn, size), _ = Counter((box, crop.shape) for box, crop in seen).most_common(1)[0]
    alike = [crop for box, crop in seen if (box, crop.shape) == (drawn, size)]
    view = tighten(reader, alike, drawn)
    box = view.box
    x, width = (box.x - drawn.x) / drawn.width, box.width / drawn.width
    y, height = (box.y - drawn.y) / drawn.height, box.height / drawn.height
    return Share(x, y, width, height, view.squeeze)


_Seen = tuple[Box, Crop]
"""The drawn box with room around it at one instant, and before it where the box is in it."""


def _glances(
    paths: Sequence[Path], items: Sequence[Field], count: int, *, exact: bool = False
) -> dict[str, list[_Seen]]:
    found: dict[str, list[_Seen]] = {item.name: [] for item in items}
    for path in paths:
        try:
            clip = clips.probe(path)
        except ClipError:
            continue  # reported when it is read
        boxes = {}
        for item in items:
            with contextlib.suppress(ClipError):  # so is a picture of another shape
                boxes[item.name] = item.box_for(clip.width, clip.height)
        if not boxes:
            continue
        try:
            rooms = [box.widened(ROOM, clip.width, clip.height) for box in boxes.values()]
            frames = clips.glances(clip, rooms, count, exact=exact)
        except ClipError:
            continue
        for place, (field, box) in enumerate(boxes.items()):
            room = rooms[place]
            drawn = Box(box.x - room.x, box.y - room.y, box.width, box.height)
            found[field] += [(drawn, frame.crops[place]) for frame in frames]
    return found


def look(
    session: Session, item: Field, tight: Mapping[str, Share], reader: Reader
) -> tuple[list[Glance], dict[str, ClipError]]:
    """Read one field at a few exact instants of a few clips.

    Returns
    -------
    glances : list of Glance
        In the order of clips and times.
    failed : dict
        Why a clip could not be looked at, by its name.
    """
    from extractor.reading.number_parsing import interpret
    from extractor.reading.readers.glyphs import with_lessons

    found: list[tuple[str, float, Crop, Crop]] = []
    failed: dict[str, ClipError] = {}
    for name in some(session.clips, SHOWN_CLIPS):
        try:
            clip = clips.probe(session.path(name))
            box = boxes_in(item, tight, clip.width, clip.height)
            drawn = item.box_for(clip.width, clip.height)
            frames = clips.glances(clip, [box, drawn], SHOWN_INSTANTS, exact=True)
        except ClipError as error:
            failed[name] = error
            continue
        found += [(name, f.time_s, f.crops[0], f.crops[1]) for f in frames]
    taught = readers.lessons(reader.name, session.glyphs_path).of(item.name)
    squeeze = tight.get(item.name, WHOLE).squeeze
    lines = reader.read([squeezed(crop, squeeze) for _, _, crop, _ in found])
    lines = with_lessons(lines, [crop for *_, crop in found], taught, reader.gate)
    glances = [
        Glance(name, time_s, line, interpret(line.text, line.confidence, reader.gate))
        for (name, time_s, *_), line in zip(found, lines, strict=True)
    ]
    return glances, failed
