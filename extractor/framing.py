"""From the rectangle that was drawn to the one that is read: tightening, once per field."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from extractor import clips, state
from extractor.errors import ClipError
from extractor.jobs import Share, boxes_in
from extractor.overlay import Field, Overlay
from extractor.readers.base import Crop, Line, Reader
from extractor.session import Session

if TYPE_CHECKING:
    from extractor.interpretation import Reading

#: Enough to see different numbers and backgrounds, few enough to take no time.
CLIPS_LOOKED_AT = 5
INSTANTS = 5
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
    if getattr(reader, "wants_drawn_box", False):
        return {}
    path = session.state / "tight.json"
    before = state.read_json(path)
    now = {}
    for item in overlay.fields:
        key = state.digest_of(state.places_of(item), reader.name, reader.version())
        entry = before.get(item.name)
        if not entry or entry.get("key") != key:
            entry = {"key": key, "share": _tight_share(session, item, reader)}
        now[item.name] = entry
    if now != before:
        state.write_json(path, now)
    return {name: _share(entry["share"]) for name, entry in now.items() if entry["share"]}


def _share(values: Sequence[float]) -> Share:
    x, y, width, height = values
    return (x, y, width, height)


def _tight_share(session: Session, item: Field, reader: Reader) -> Share | None:
    from extractor.readers.tightening import tighten

    crops = _usual_size([g.crops[0] for g in _frames_of(session, item)])
    if not crops:
        return None
    height, width = crops[0].shape[:2]
    tight = tighten(reader, crops).box
    return (tight.x / width, tight.y / height, tight.width / width, tight.height / height)


def _frames_of(session: Session, item: Field) -> list[clips.Frame]:
    found = _glances(session, item, exact=False)
    # Where keyframes are rare and clips few, it is worth decoding on to other moments.
    return found if len(found) >= LEAST_GLANCES else _glances(session, item, exact=True)


def _glances(session: Session, item: Field, *, exact: bool) -> list[clips.Frame]:
    found: list[clips.Frame] = []
    for name in some(session.clips):
        try:
            clip = clips.probe(session.path(name))
            box = item.box_for(clip.width, clip.height)
            found += clips.glances(clip, [box], INSTANTS, exact=exact)
        except ClipError:
            continue  # reported when it is read
    return found


def _usual_size(crops: Sequence[Crop]) -> list[Crop]:
    if not crops:
        return []
    size, _ = Counter(c.shape for c in crops).most_common(1)[0]
    return [c for c in crops if c.shape == size]


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
    from extractor.interpretation import interpret

    found: list[tuple[str, float, Crop]] = []
    failed: dict[str, ClipError] = {}
    for name in some(session.clips):
        try:
            clip = clips.probe(session.path(name))
            box = boxes_in(item, tight, clip.width, clip.height)
            frames = clips.glances(clip, [box], INSTANTS, exact=True)
        except ClipError as error:
            failed[name] = error
            continue
        found += [(name, f.time_s, f.crops[0]) for f in frames]
    lines = reader.read([crop for _, _, crop in found])
    glances = [
        Glance(name, time_s, line, interpret(line.text, line.confidence, reader.gate))
        for (name, time_s, _), line in zip(found, lines, strict=True)
    ]
    return glances, failed
