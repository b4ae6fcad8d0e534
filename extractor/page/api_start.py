"""Choosing, beginning and filling a session."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from flask import Blueprint, current_app, request

from extractor.errors import UsageError
from extractor.page import request_parsing as sent
from extractor.page.guard import DROP
from extractor.page.service import Desk
from extractor.session import dropping, sessions
from extractor.session.folder import Session

routes = Blueprint("start", __name__)


@routes.get("/api/start")
def start() -> Any:
    """Return which sessions were open last, where others may lie, and where a new one would."""
    found = sessions.recent()
    home = sessions.places()[0]
    videos = home / "Videos"
    parent = found[0].parent if found else videos if videos.is_dir() else home
    desk: Desk | None = current_app.extensions["desk"]
    return {
        "session": None if desk is None else str(desk.root.resolve()),
        "recent": [_folder(path) for path in found],
        "places": [_folder(path) for path in sessions.places()],
        "new": {"parent": str(parent), "name": sessions.free_name(parent)},
    }


def _folder(path: Path) -> dict[str, Any]:
    return {"path": str(path), "name": path.name or str(path), "clips": sessions.clips_in(path)}


@routes.get("/api/folders")
def folders() -> Any:
    """Return what can be chosen in a folder."""
    path = sessions.confined(sent.text("path"))
    up = path.parent if path not in sessions.places() else None
    return {
        **_folder(path),
        "up": None if up is None else str(up),
        "folders": [_folder(one) for one in sessions.subfolders(path)],
        "free": sessions.free_name(path),
    }


def _session(path: str) -> Session:
    """Return the session of that path, the one on the page where it is empty."""
    desk: Desk | None = current_app.extensions["desk"]
    if path:
        return Session(sessions.confined(path))
    if desk is None:
        raise UsageError("no session is open on this page; choose one")
    return desk.session()


def _shown(root: Path) -> Any:
    show = current_app.extensions["show"]
    if show is None:
        raise UsageError("no further page can be opened here")
    return {"path": str(root), "address": show(root)}


@routes.post("/api/open")
def open_() -> Any:
    """Open a page on a session and return its address."""
    return _shown(_session(sent.text("path")).root)


@routes.post("/api/new")
def new() -> Any:
    """Make a session's folder."""
    parent = sessions.confined(sent.text("parent"))
    return {"path": str(sessions.new_session(parent, sent.text("name")))}


@routes.post("/api/round")
def next_round() -> Any:
    """Make the next round of a session and open a page on it."""
    return _shown(sessions.next_round(_session(sent.text("path"))))


@routes.post(DROP)
def drop() -> Any:
    """Take a piece of a clip."""
    asked = request.args  # the body is the clip's
    numbers = {key: sent.as_number(asked.get(key), key) for key in ("at", "size", "modified_s")}
    done = dropping.take_piece(
        _session(asked.get("path", "")),
        sent.as_text(asked.get("name", ""), "name"),
        request.get_data(),
        at=int(numbers["at"]),
        size=int(numbers["size"]),
        modified_s=numbers["modified_s"],
    )
    return {"done": done}
