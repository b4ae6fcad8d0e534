"""Clips, runs, conditions and pictures."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from flask import Blueprint, Response, request

from extractor.page import request_parsing as sent
from extractor.page.service import Desk, plain
from extractor.page.session_view import overview
from extractor.session import conditions, runs_editing
from extractor.session.folder import Session
from extractor.video.crops import rgb
from extractor.video.picture_files import jpeg

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
        b = sent.body()
        asked = [sent.text(b, key) for key in ("key", "column", "old", "new")]
        return edited(lambda session: runs_editing.edit_run(session, *asked))

    @routes.post("/api/run/split")
    def split_run() -> Any:
        b = sent.body()
        key, at_s = sent.text(b, "key"), sent.number(b, "at_s")
        return edited(lambda session: runs_editing.split_run(session, key, at_s))

    @routes.post("/api/run/span")
    def set_span() -> Any:
        b = sent.body()
        key = sent.text(b, "key")
        start, end = sent.optional_number(b, "start_s"), sent.optional_number(b, "end_s")
        seen = sent.text(b, "old_start"), sent.text(b, "old_end")
        return edited(lambda session: runs_editing.edit_span(session, key, seen, (start, end)))

    @routes.post("/api/run/add")
    def add_run() -> Any:
        b = sent.body()
        _, clip = desk.find(b.get("clip"))
        start, end = sent.number(b, "start_s"), sent.number(b, "end_s")
        return edited(lambda session: runs_editing.add_run(session, clip, start, end))

    @routes.post("/api/run/remove")
    def remove_run() -> Any:
        key = sent.text(sent.body(), "key")
        return edited(lambda session: runs_editing.remove_run(session, key))

    @routes.post("/api/runs/checked")
    def checked() -> Any:
        return edited(runs_editing.confirm_drafts)

    @routes.post("/api/condition")
    def edit_condition() -> Any:
        b = sent.body()
        asked = [sent.text(b, key) for key in ("key", "old", "new")]
        return edited(lambda session: conditions.edit_condition(session, *asked))

    @routes.get("/api/frame")
    def frame() -> Response:
        session, name = desk.find(request.args.get("clip"))
        time_s = max(0.0, sent.number(request.args, "t", 0.0))
        width = int(min(max(sent.number(request.args, "w", 4096), 16), 4096))
        clip = desk.probe(session, name)
        _, picture = desk.frames.get(clip, time_s)
        return as_picture(jpeg(rgb(picture, clip.colour), width), "image/jpeg")

    return routes


def as_picture(content: bytes, kind: str) -> Response:
    """Return a picture that the browser may keep for itself."""
    response = Response(content, mimetype=kind)
    response.headers["Cache-Control"] = f"private, max-age={KEPT_S}"
    return response
