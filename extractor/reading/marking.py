"""Marking: one rectangle a number, drawn once, checked at once on several clips."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from extractor.errors import ClipError, ConsentError, UsageError
from extractor.reading import box_tightening, readers
from extractor.reading.clip_job import WHOLE, Share, box_of_share
from extractor.session import overlay, overlay_file
from extractor.session.atomic import write_bytes
from extractor.session.folder import Session
from extractor.session.overlay import Box, Field, Overlay, Place
from extractor.statistics.flags import Flag
from extractor.video import clips
from extractor.video.picture_files import png

#: Colours as red, green, blue: what was drawn and, inside it, what is read.
DRAWN, READ = (255, 200, 60), (40, 160, 255)


@dataclass(frozen=True, slots=True)
class Spot:
    """A rectangle on one frame of one clip."""

    box: Box
    clip: str | None = None
    """Name in the session; None: the first that can be opened."""
    at_s: float | None = None
    """Seconds from the first frame; None: the middle."""


@dataclass(frozen=True, slots=True)
class Marked:
    """A field as it was marked, and the frame it was marked on."""

    field: Field
    clip: str
    time_s: float
    image: npt.NDArray[np.uint8]
    """RGB, shape (height, width, 3)."""


@dataclass(frozen=True, slots=True)
class Preview:
    """What the reader reads in a field here and there."""

    glances: list[box_tightening.Glance]
    failed: dict[str, ClipError]
    share: Share
    """What is read, beside the drawn box."""

    @property
    def readable(self) -> int:
        """At how many of the glances a number or a dash was read."""
        return sum(g.reading.flag in (Flag.OK, Flag.NO_LINK) for g in self.glances)

    def verdict(self) -> str:
        """Say in one sentence whether the number can be read."""
        good, total = self.readable, len(self.glances)
        if total and good == total:
            return f"Readable at all {total} instants looked at."
        return (
            f"Readable at {good} of {total} instants looked at; if a number is shown there, draw "
            "the box closer around it, or teach its digits: extractor teach"
        )


def parse_box(text: str) -> Box:
    """Return the rectangle written as ``X,Y,W,H``.

    Raises
    ------
    UsageError
        If it is not four whole numbers.
    """
    try:
        x, y, width, height = (int(part) for part in text.split(","))
    except ValueError:
        raise UsageError(f"--box {text}: give four whole numbers: X,Y,W,H in pixels") from None
    return Box(x, y, width, height)


def parse_accepted(texts: Sequence[str]) -> dict[int, str]:
    """Return candidate numbers with the names that they shall get, from ``N=NAME`` texts.

    Raises
    ------
    UsageError
        If one has another form, or a number or a name is given twice.
    """
    found: dict[int, str] = {}
    for text in texts:
        index, _, name = text.partition("=")
        if not index.isdecimal() or not name:
            raise UsageError(f"--accept {text}: give number=name, as 1=bitrate")
        if int(index) in found or name in found.values():
            raise UsageError(f"--accept {text}: give each candidate and each name once only")
        found[int(index)] = name
    return found


def mark(
    session: Session,
    name: str,
    spot: Spot,
    changes: Mapping[str, Any],
    *,
    reader_name: str = readers.NAMES[0],
    insist: bool = False,
    keep: bool = True,
) -> Marked:
    """Write or update a field in ``overlay.toml``; without `keep` return what would be written.

    A new field gets the unit and the direction that go with its name unless `changes` says
    otherwise. Marking an existing field on a picture of another shape adds a place; its other
    keys stay unless `changes` names them.

    Raises
    ------
    OverlayError
        If the name, the box or the limits are wrong.
    ConsentError
        If the field can be read where it is marked now and cannot in the new box, unless
        `insist`.
    ClipError, UsageError
        If the clip cannot be opened or is not in the session.
    """
    clip_name, clip = _clip_of(session, spot.clip)
    at_s = spot.at_s if spot.at_s is not None else (clip.length_s or 0.0) / 2
    time_s, image = clips.picture(clip, at_s)
    frame = (clip.width, clip.height)
    where = f"field '{name}'"
    overlay_file.check_name(name, where)
    overlay_file.check_box(spot.box, frame, f"{where} on {clip_name}")
    old = next((f for f in session.fields() if f.name == name), None)
    if old is None:
        new = Field(name=name, frame=frame, box=spot.box, **_usual(name, changes))
    else:
        new = replace(overlay.with_place(old, Place(frame, spot.box)), **changes)
    overlay_file.check_limits(new, where)
    if old is not None and not insist:
        _require_readable(session, old, new, frame, reader_name)
    if keep:
        with session.editing():
            fields = [new if f.name == name else f for f in session.fields()]
            fields += [new] if new not in fields else []
            overlay_file.save(session.overlay_path, fields)
    return Marked(new, clip_name, time_s, image)


def _usual(name: str, changes: Mapping[str, Any]) -> dict[str, Any]:
    """Return the keys of a new field: what was said, and what its name says by itself."""
    unit = changes.get("unit", overlay.USUAL_UNITS.get(name, ""))
    better = changes.get("better") or overlay.usual_direction(name, unit)
    return {**changes, "unit": unit, "better": better}


def _require_readable(
    session: Session, old: Field, new: Field, frame: tuple[int, int], reader_name: str
) -> None:
    """Refuse to replace a mark by one that is read at fewer than half as many instants."""
    try:
        if old.box_for(*frame) == new.box_for(*frame):
            return
    except ClipError:
        return  # it was not marked on pictures of this shape
    drawn = Preview(*box_tightening.look(session, new, {}, readers.create(reader_name)), WHOLE)
    if 2 * drawn.readable >= len(drawn.glances):
        return  # clear without the time that tightening takes
    after, before = preview(session, new, reader_name), preview(session, old, reader_name)
    if 2 * after.readable < before.readable:
        raise ConsentError(
            f"'{old.name}' can be read at {before.readable} of {len(before.glances)} instants "
            f"where it is marked now, and at {after.readable} in the new box; the mark was left "
            "as it is"
        )


def remove(session: Session, name: str) -> None:
    """Take a field out of ``overlay.toml``; the last one takes the file with it.

    Raises
    ------
    UsageError
        If there is no such field.
    """
    with session.editing():
        known = session.overlay()
        gone = known[name]
        overlay_file.save(session.overlay_path, [f for f in known.fields if f is not gone])


def _clip_of(session: Session, name: str | None) -> tuple[str, clips.Clip]:
    if name is not None:
        chosen = session.choose([name])[0]
        return chosen, clips.probe(session.path(chosen))
    for candidate in session.require_clips():
        try:
            return candidate, clips.probe(session.path(candidate))
        except ClipError as error:
            last = error
    raise last


def preview(session: Session, item: Field, reader_name: str) -> Preview:
    """Read a field at five instants of up to five clips, tightened as it will be.

    Raises
    ------
    ReaderUnavailableError
        If the reader cannot run.
    """
    reader = readers.create(reader_name)
    others = [f for f in session.fields() if f.name != item.name]
    tight = box_tightening.tight_shares(session, Overlay((*others, item)), reader)
    glances, failed = box_tightening.look(session, item, tight, reader)
    return Preview(glances, failed, tight.get(item.name, WHOLE))


def save_picture(session: Session, marked: Marked, seen: Preview) -> Path:
    """Save the frame with the drawn and the tightened rectangle; return where.

    Raises
    ------
    StorageError
        If it cannot be written.
    """
    height, width = marked.image.shape[:2]
    image = marked.image.copy()
    drawn = marked.field.box_for(width, height)
    draw_box(image, box_of_share(drawn, seen.share), READ)
    draw_box(image, drawn, DRAWN, marked.field.name)
    path = session.pictures / f"mark_{marked.field.name}.png"
    write_bytes(path, png(image))
    return path


def draw_box(
    image: npt.NDArray[np.uint8], box: Box, colour: tuple[int, int, int], label: str = ""
) -> None:
    """Draw a rectangle, just outside its pixels, with a label below, into an RGB picture."""
    thick = max(1, round(image.shape[0] / 500))
    corner = (box.x - thick, box.y - thick)
    opposite = (box.x + box.width + thick - 1, box.y + box.height + thick - 1)
    cv2.rectangle(image, corner, opposite, colour, thick)
    if label:
        scale = image.shape[0] / 1100
        below = (box.x, box.y + box.height + round(34 * scale) + thick)
        for line_colour, width in (((0, 0, 0), 4 * thick), (colour, 2 * thick)):
            style = (cv2.FONT_HERSHEY_SIMPLEX, scale, line_colour, width, cv2.LINE_AA)
            cv2.putText(image, label, below, *style)
