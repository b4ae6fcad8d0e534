"""Marking: rectangles drawn on a frame, read at once on it and on a strip of others."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from flask import Blueprint

from extractor.errors import ChangedMeanwhileError, ClipError, OverlayError, UsageError
from extractor.page import request_parsing as sent
from extractor.page.background import Task
from extractor.page.frame_cache import spread_times
from extractor.page.service import Desk, plain
from extractor.page.session_view import field_json
from extractor.reading import box_tightening, marking, readers, suggestions
from extractor.reading.clip_job import WHOLE, Share, box_of_share
from extractor.reading.number_parsing import interpret
from extractor.reading.readers.glyphs import with_lessons
from extractor.reading.temporal_evidence import squeezed
from extractor.session import corrections_editing, digests
from extractor.session.folder import Session
from extractor.session.overlay import Field, Place
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


def strip(desk: Desk, session: Session) -> list[Look]:
    """Return instants spread over the clips that can be opened."""
    opened = []
    for name in box_tightening.some(session.clips, STRIP):
        probed = desk.probes.soon(session.path(name))
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


def blueprint(desk: Desk) -> Blueprint:
    """Return the routes."""
    routes = Blueprint("mark", __name__)

    @routes.get("/api/strip")
    def show_strip() -> Any:
        looks = strip(desk, desk.session())
        return plain({"looks": [{"clip": one.name, "time_s": one.time_s} for one in looks]})

    @routes.post("/api/strip/warm")
    def warm() -> Any:
        """Decode one frame of the strip, so that trying a rectangle on it takes no time."""
        b = sent.body()
        session, name = desk.find(b.get("clip"))
        desk.frames.get(desk.probe(session, name), sent.number(b, "time_s"))
        return {}

    @routes.post("/api/live")
    def live() -> Any:
        return plain(_live(desk, sent.body()))

    @routes.post("/api/mark")
    def mark() -> Any:
        b = sent.body()
        session = desk.session()
        with session.editing():
            _check_seen(session, b)
            item = _mark(desk, session, b)
            seen = digests.file_digest(session.overlay_path)
        desk.refresh_soon()
        return {"field": field_json(item), "overlay": seen}

    @routes.post("/api/mark/remove")
    def remove() -> Any:
        b = sent.body()
        session = desk.session()
        with session.editing():
            _check_seen(session, b)
            marking.remove(session, sent.text(b, "name"))
            return {"overlay": digests.file_digest(session.overlay_path)}

    @routes.post("/api/preview")
    def preview() -> Any:
        item = desk.field(desk.session(), sent.body().get("name"))
        return plain(_preview(desk, item))

    @routes.post("/api/suggest")
    def suggest() -> Any:
        def work(task: Task) -> suggestions.Suggestions:
            return suggestions.suggest(desk.session(), desk.manner.reader)

        return plain(desk.begin("suggest", work).as_json())

    @routes.get("/api/suggest")
    def suggested() -> Any:
        task = desk.task("suggest")
        return plain({} if task is None else {**task.as_json(), **_suggestions(task)})

    return routes


def _suggestions(task: Task) -> dict[str, Any]:
    found = task.result
    if not isinstance(found, suggestions.Suggestions):
        return {}
    height, width = found.image.shape[:2]
    return {
        "clip": found.clip,
        "time_s": found.time_s,
        "frame": [width, height],
        "candidates": [
            {"box": c.box.as_list(), "texts": list(c.texts[:6]), "decimals": c.decimals}
            for c in found.candidates
        ],
    }


def _check_seen(session: Session, values: Mapping[str, Any]) -> None:
    if digests.file_digest(session.overlay_path) != sent.text(values, "seen"):
        raise ChangedMeanwhileError(
            "overlay.toml was changed meanwhile, in another tab or by hand; what it says now is "
            "shown, nothing was saved"
        )


def _mark(desk: Desk, session: Session, values: Mapping[str, Any]) -> Field:
    _, clip = desk.find(values.get("clip"))
    name, was = sent.text(values, "name").strip(), sent.text(values, "was")
    overlay = desk.overlay(session)
    names = [f.name for f in overlay.fields] if overlay else []
    if was != name and name in names:
        raise OverlayError(f"there is a number called '{name}' already; choose another name")
    spot = marking.Spot(sent.box(values), clip, sent.number(values, "time_s"))
    changes, insist = _changes(values), values.get("insist") is True
    reader_name = desk.manner.reader
    if was and was != name:
        # Asked before the name is changed: a refusal changes nothing.
        marking.proposed(session, was, spot, changes, reader_name=reader_name, insist=insist)
        corrections_editing.rename_field(session, was, name)
        insist = True
    return marking.mark(session, name, spot, changes, reader_name=reader_name, insist=insist).field


def _changes(values: Mapping[str, Any]) -> dict[str, Any]:
    changes: dict[str, Any] = {key: sent.optional_number(values, key) for key in NUMBERS}
    decimals = sent.optional_number(values, "decimals")
    changes["decimals"] = None if decimals is None else int(min(max(decimals, 0), 6))
    better = sent.text(values, "better") or None
    if better not in (None, "higher", "lower"):
        raise UsageError("better must be higher or lower")
    return changes | {"unit": sent.text(values, "unit").strip(), "better": better}


def _live(desk: Desk, values: Mapping[str, Any]) -> dict[str, Any]:
    """Read a rectangle, saved or not, on the frame shown and on those of the strip."""
    session, name = desk.find(values.get("clip"))
    clip = desk.probe(session, name)
    drawn, frame = sent.box(values), (clip.width, clip.height)
    check_box(drawn, frame, "the rectangle")
    # Under the name it has: what was taught for it counts.
    known_as = sent.text(values, "was") or "number"
    item = Field(known_as, frame, drawn, also=_other_places(desk, session, values, frame))
    here = Look(name, clip, sent.number(values, "time_s"))
    desk.frames.get(clip, here.time_s)
    first, *others = _read_on(desk, item, [here, *strip(desk, session)], WHOLE, wait=False)
    return {"here": first, "strip": others}


def _other_places(
    desk: Desk, session: Session, values: Mapping[str, Any], frame: tuple[int, int]
) -> tuple[Any, ...]:
    """Return where the number stands in pictures of other shapes, as marked before."""
    overlay = desk.overlay(session)
    known = [f for f in overlay.fields if f.name == values.get("was")] if overlay else []
    if not known:
        return ()
    places = (Place(known[0].frame, known[0].box), *known[0].also)
    return tuple(p for p in places if p.frame != frame)


def _preview(desk: Desk, item: Field) -> dict[str, Any]:
    """Read a saved field on the strip, tightened as it will be when the clips are read."""
    session = desk.session()
    overlay = session.overlay()
    shares = box_tightening.tight_shares(session, overlay, desk.reader())
    looks = strip(desk, session)
    return {"strip": _read_on(desk, item, looks, shares.get(item.name, WHOLE))}


def _read_on(
    desk: Desk, item: Field, looks: Sequence[Look], share: Share, *, wait: bool = True
) -> list[dict[str, Any]]:
    """Read a field at several places; without `wait` only where the frame is decoded already."""
    found: list[dict[str, Any]] = []
    crops: list[tuple[int, Crop, Crop]] = []
    for look in looks:
        entry: dict[str, Any] = {"clip": look.name, "time_s": look.time_s}
        found.append(entry)
        try:
            box = item.box_for(look.clip.width, look.clip.height)
            if not wait and not desk.frames.at_hand(look.clip, look.time_s):
                entry["pending"] = True
                continue
            picture = desk.frames.get(look.clip, look.time_s)[1]
        except ClipError as error:
            entry |= {"problem": str(error), "frame": [look.clip.width, look.clip.height]}
            continue
        read = box_of_share(box, share).clipped(look.clip.width, look.clip.height)
        cut = squeezed(cut_out(picture, read), share.squeeze)
        crops.append((len(found) - 1, cut, cut_out(picture, box)))
        around = cut_out(picture, box.widened(ROOM, look.clip.width, look.clip.height))
        entry["crop"] = _as_address(rgb(around, look.clip.colour))
    lines, gate = desk.read([crop for _, crop, _ in crops])
    taught = readers.lessons(desk.manner.reader, desk.session().glyphs_path).of(item.name)
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


def _as_address(picture: npt.NDArray[np.uint8]) -> str:
    content = base64.b64encode(jpeg(picture, CROP_WIDTH_PX)).decode()
    return f"data:image/jpeg;base64,{content}"
