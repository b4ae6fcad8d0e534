"""Clips, runs, conditions and pictures."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from flask import Blueprint, Response, request

from extractor import conditions, editing
from extractor.page import asking
from extractor.page.desk import Desk, plain
from extractor.page.frames import jpeg
from extractor.page.overview import overview
from extractor.session import Session

#: Pictures carry their file's version in the address, so what is kept is never out of date.
KEPT_S = 3600


def blueprint(desk: Desk) -> Blueprint:
    """Return the routes."""
    routes = Blueprint("clips", __name__)

    @routes.get("/api/session")
    def show() -> Any:
        return plain(overview(desk))

    def edited(change: Callable[[Session], object]) -> Any:
        change(desk.session())
        desk.refresh_soon()
        return plain(overview(desk))

    @routes.post("/api/run")
    def edit_run() -> Any:
        b = asking.body()
        asked = [asking.text(b, key) for key in ("key", "column", "old", "new")]
        return edited(lambda session: editing.edit_run(session, *asked))

    @routes.post("/api/run/split")
    def split_run() -> Any:
        b = asking.body()
        key, at_s = asking.text(b, "key"), asking.number(b, "at_s")
        return edited(lambda session: editing.split_run(session, key, at_s))

    @routes.post("/api/run/span")
    def set_span() -> Any:
        b = asking.body()
        key = asking.text(b, "key")
        start, end = asking.optional_number(b, "start_s"), asking.optional_number(b, "end_s")
        seen = (asking.text(b, "old_start"), asking.text(b, "old_end"))
        return edited(lambda session: editing.edit_span(session, key, seen, (start, end)))

    @routes.post("/api/run/add")
    def add_run() -> Any:
        b = asking.body()
        _, clip = desk.find(b.get("clip"))
        start, end = asking.number(b, "start_s"), asking.number(b, "end_s")
        return edited(lambda session: editing.add_run(session, clip, start, end))

    @routes.post("/api/run/remove")
    def remove_run() -> Any:
        key = asking.text(asking.body(), "key")
        return edited(lambda session: editing.remove_run(session, key))

    @routes.post("/api/runs/checked")
    def checked() -> Any:
        return edited(editing.confirm_drafts)

    @routes.post("/api/condition")
    def edit_condition() -> Any:
        b = asking.body()
        asked = [asking.text(b, key) for key in ("key", "old", "new")]
        return edited(lambda session: conditions.edit_condition(session, *asked))

    @routes.get("/api/frame")
    def frame() -> Response:
        session, name = desk.find(request.args.get("clip"))
        time_s = max(0.0, asking.number(request.args, "t", 0.0))
        width = int(min(max(asking.number(request.args, "w", 4096), 16), 4096))
        _, picture = desk.frames.get(desk.probe(session, name), time_s)
        return as_picture(jpeg(picture, width))

    return routes


def as_picture(content: bytes) -> Response:
    """Return a JPEG that the browser may keep for itself."""
    response = Response(content, mimetype="image/jpeg")
    response.headers["Cache-Control"] = f"private, max-age={KEPT_S}"
    return response
