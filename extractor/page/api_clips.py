"""Clips, runs, conditions and pictures."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from flask import Blueprint, Response

from extractor.page import request_parsing as sent
from extractor.page.service import desk
from extractor.page.session_view import overview
from extractor.session import conditions, runs_editing, undoing
from extractor.video.crops import rgb
from extractor.video.picture_files import jpeg

#: Pictures carry their file's version in the address, so what is kept is never out of date.
KEPT_S = 3600


routes = Blueprint("clips", __name__)


@routes.get("/api/session")
def show() -> Any:
    """Return all of the session at a glance."""
    return overview(desk())


def _edited(change: Callable[..., object], *asked: Any) -> Any:
    change(desk().session(), *asked)
    desk().refresh_soon()
    return overview(desk())


@routes.post("/api/run")
def edit_run() -> Any:
    """Change a cell of ``runs.csv``."""
    return _edited(runs_editing.edit_run, *sent.texts("key", "column", "old", "new"))


@routes.post("/api/port-role")
def set_port_role() -> Any:
    """Say whether a port also transmits."""
    return _edited(runs_editing.set_port_role, *sent.texts("port", "role"))


@routes.post("/api/run/split")
def split_run() -> Any:
    """Cut a run in two."""
    return _edited(runs_editing.split_run, sent.text("key"), sent.number("at_s"))


@routes.post("/api/run/span")
def set_span() -> Any:
    """Change when a run starts and ends."""
    span = sent.optional_number("start_s"), sent.optional_number("end_s")
    seen = sent.texts("old_start", "old_end")
    return _edited(runs_editing.edit_span, sent.text("key"), seen, span)


@routes.post("/api/run/add")
def add_run() -> Any:
    """Add a run that is a part of a clip."""
    _, clip = desk().find(sent.values().get("clip"))
    return _edited(runs_editing.add_run, clip, sent.number("start_s"), sent.number("end_s"))


@routes.post("/api/run/remove")
def remove_run() -> Any:
    """Take a run out of ``runs.csv``."""
    return _edited(runs_editing.remove_run, sent.text("key"))


@routes.post("/api/runs/checked")
def checked() -> Any:
    """Take drafted rows as right."""
    return _edited(runs_editing.confirm_drafts)


@routes.post("/api/condition")
def edit_condition() -> Any:
    """Change a key of ``session.toml``."""
    return _edited(conditions.edit_condition, *sent.texts("key", "old", "new"))


@routes.post("/api/undo")
def undo() -> Any:
    """Take the last edit of a file back."""
    return _edited(undoing.undo, *sent.texts("name", "seen"))


@routes.get("/api/frame")
def frame() -> Response:
    """Return a clip's picture at a time."""
    session, name = desk().find(sent.values().get("clip"))
    time_s = max(0.0, sent.number("t", 0.0))
    width = int(min(max(sent.number("w", 4096), 16), 4096))
    clip = desk().probe(session, name)
    _, picture = desk().frames.get(clip, time_s)
    return as_picture(jpeg(rgb(picture, clip.colour), width), "image/jpeg")


def as_picture(content: bytes, kind: str) -> Response:
    """Return a picture that the browser may keep for itself."""
    response = Response(content, mimetype=kind)
    response.headers["Cache-Control"] = f"private, max-age={KEPT_S}"
    return response
