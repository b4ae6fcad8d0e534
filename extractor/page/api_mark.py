"""Marking: rectangles drawn on a frame, read at once on it and on a strip of others."""

from __future__ import annotations

import base64
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from flask import Blueprint

from extractor.errors import ChangedMeanwhileError, ClipError, OverlayError, UsageError
from extractor.page import request_parsing as sent
from extractor.page.background import Task
from extractor.page.frame_cache import spread_times
from extractor.page.service import desk
from extractor.page.session_view import field_json
from extractor.reading import box_tightening, marking, readers, suggestions
from extractor.reading.clip_job import WHOLE, Share, box_of_share
from extractor.reading.number_parsing import interpret
from extractor.reading.readers.glyphs import with_lessons
from extractor.reading.temporal_evidence import squeezed
from extractor.session import corrections_editing, digests
from extractor.session.folder import Session
from extractor.session.overlay import Field
from extractor.session.overlay_file import check_box
from extractor.video.clips import Clip
from extractor.video.crops import Crop, cut_out, rgb
from extractor.video.picture_files import jpeg

#: Frames of other instants and clips on which a rectangle is tried.
STRIP = 10
#: Room shown around the rectangle in the strip, in shares of its height.
ROOM = 0.6
CROP_WIDTH_PX = 240
NUMBERS = ("minimum", "maximum", "ceiling", "low")


@dataclass(frozen=True, slots=True)
class Look:
    """A place in the clips at which a rectangle is tried."""

    name: str
    clip: Clip
    time_s: float


routes = Blueprint("mark", __name__)


def strip(session: Session) -> list[Look]:
    """Return instants spread over the clips that can be opened."""
    opened = []
    for name in box_tightening.some(session.measured, STRIP):
        probed = desk().probes.soon(session.path(name))
        if isinstance(probed, Clip):
            opened.append((name, probed))
    if not opened:
        return []
    lengths = [clip.length_s or 0.0 for _, clip in opened]
    return [
        Look(name, clip, time_s)
        for (name, clip), times in zip(opened, spread_times(lengths, STRIP), strict=True)
        for time_s in times
    ]


@routes.get("/api/strip")
def show_strip() -> Any:
    """Return where a rectangle is tried."""
    looks = strip(desk().session())
    return {"looks": [{"clip": one.name, "time_s": one.time_s} for one in looks]}


@routes.post("/api/strip/warm")
def warm() -> Any:
    """Decode one frame of the strip, so that trying a rectangle on it takes no time."""
    session, name = desk().find(sent.values().get("clip"))
    desk().frames.get(desk().probe(session, name), sent.number("time_s"))
    return {}


@routes.post("/api/live")
def live() -> Any:
    """Read a rectangle, saved or not, on the frame shown and on those of the strip."""
    session, name = desk().find(sent.values().get("clip"))
    clip = desk().probe(session, name)
    drawn, frame = sent.box(), (clip.width, clip.height)
    check_box(drawn, frame, "the rectangle")
    # Under the name it has, and where it was marked before on other shapes: what was taught for
    # it counts.
    was = sent.text("was")
    known = [f for f in session.fields() if f.name == was]
    places = [p for f in known for p in f.places if p.frame != frame]
    item = Field(was or "number", frame, drawn, also=tuple(places))
    here = Look(name, clip, sent.number("time_s"))
    desk().frames.get(clip, here.time_s)
    first, *others = _read_on(item, [here, *strip(session)], WHOLE, wait=False)
    return {"here": first, "strip": others}


@contextmanager
def _seen_last(session: Session) -> Iterator[None]:
    """Hold the session's files, if ``overlay.toml`` is still what the page shows."""
    with session.editing():
        if digests.file_digest(session.overlay_path) != sent.text("seen"):
            raise ChangedMeanwhileError(
                "overlay.toml was changed meanwhile, in another tab or by hand; what it says now "
                "is shown, nothing was saved"
            )
        yield


@routes.post("/api/mark")
def mark() -> Any:
    """Save a rectangle with its keys, and the new name of a number."""
    session = desk().session()
    with _seen_last(session):
        item = _mark(session)
        seen = digests.file_digest(session.overlay_path)
    desk().refresh_soon()
    return {"field": field_json(item), "overlay": seen}


@routes.post("/api/mark/remove")
def remove() -> Any:
    """Forget a number."""
    session = desk().session()
    with _seen_last(session):
        marking.remove(session, sent.text("name"))
        return {"overlay": digests.file_digest(session.overlay_path)}


@routes.post("/api/preview")
def preview() -> Any:
    """Read a saved field on the strip, tightened as it will be when the clips are read."""
    session = desk().session()
    item = desk().field(session, sent.values().get("name"))
    shares = box_tightening.tight_shares(session, session.overlay(), desk().reader())
    return {"strip": _read_on(item, strip(session), shares.get(item.name, WHOLE))}


@routes.post("/api/suggest")
def suggest() -> Any:
    """Begin to look for numbers."""
    own = desk()

    def work(task: Task) -> suggestions.Suggestions:
        return suggestions.suggest(own.session(), own.options.reader)

    return own.begin("suggest", work).as_json()


@routes.get("/api/suggest")
def suggested() -> Any:
    """Return what was found so far."""
    task = desk().task("suggest")
    if task is None:
        return {}
    found = task.result
    if not isinstance(found, suggestions.Suggestions):
        return task.as_json()
    height, width = found.image.shape[:2]
    candidates = [
        {"box": c.box.as_list(), "texts": c.texts[:6], "decimals": c.decimals}
        for c in found.candidates
    ]
    about = {"clip": found.clip, "time_s": found.time_s, "frame": [width, height]}
    return {**task.as_json(), **about, "candidates": candidates}


def _mark(session: Session) -> Field:
    _, clip = desk().find(sent.values().get("clip"))
    name, was = sent.text("name").strip(), sent.text("was")
    if was != name and name in [f.name for f in session.fields()]:
        raise OverlayError(f"there is a number called '{name}' already; choose another name")
    asked = marking.Spot(sent.box(), clip, sent.number("time_s")), _keys()
    how: dict[str, Any] = {"reader_name": desk().options.reader}
    how["insist"] = sent.values().get("insist") is True
    if was and was != name:
        # Asked before the name is changed: a refusal changes nothing.
        marking.mark(session, was, *asked, **how, keep=False)
        corrections_editing.rename_field(session, was, name)
        how["insist"] = True
    return marking.mark(session, name, *asked, **how).field


def _keys() -> dict[str, Any]:
    """Return the keys of a field besides its place."""
    keys: dict[str, Any] = {key: sent.optional_number(key) for key in NUMBERS}
    decimals = sent.optional_number("decimals")
    keys["decimals"] = None if decimals is None else int(min(max(decimals, 0), 6))
    better = sent.text("better") or None
    if better not in (None, "higher", "lower"):
        raise UsageError("better must be higher or lower")
    return keys | {"unit": sent.text("unit").strip(), "better": better}


def _read_on(
    item: Field, looks: Sequence[Look], share: Share, *, wait: bool = True
) -> list[dict[str, Any]]:
    """Read a field at several places; without `wait` only where the frame is decoded already."""
    found: list[dict[str, Any]] = []
    crops: list[tuple[int, Crop, Crop]] = []
    for look in looks:
        entry: dict[str, Any] = {"clip": look.name, "time_s": look.time_s}
        found.append(entry)
        try:
            box = item.box_for(look.clip.width, look.clip.height)
            if not wait and not desk().frames.at_hand(look.clip, look.time_s):
                entry["pending"] = True
                continue
            picture = desk().frames.get(look.clip, look.time_s)[1]
        except ClipError as error:
            entry |= {"problem": str(error), "frame": [look.clip.width, look.clip.height]}
            continue
        read = box_of_share(box, share).clipped(look.clip.width, look.clip.height)
        cut = squeezed(cut_out(picture, read), share.squeeze)
        crops.append((len(found) - 1, cut, cut_out(picture, box)))
        around = cut_out(picture, box.widened(ROOM, look.clip.width, look.clip.height))
        crop = jpeg(rgb(around, look.clip.colour), CROP_WIDTH_PX)
        entry["crop"] = f"data:image/jpeg;base64,{base64.b64encode(crop).decode()}"
    lines, gate = desk().read([crop for _, crop, _ in crops])
    taught = readers.lessons(desk().options.reader, desk().session().glyphs_path).of(item.name)
    lines = with_lessons(lines, [crop for *_, crop in crops], taught, gate)
    for (index, *_), line in zip(crops, lines, strict=True):
        reading = interpret(line.text, line.confidence, gate)
        found[index] |= {
            "text": line.text,
            "value": reading.value,
            "flag": str(reading.flag),
            "confidence": line.confidence,
        }
    return found
