"""The web application: who may ask, what answers, and what becomes of errors."""

from __future__ import annotations

import mimetypes
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

from flask import Flask, Response, jsonify, request
from flask.json.provider import DefaultJSONProvider
from werkzeug.exceptions import HTTPException

from extractor.errors import ChangedMeanwhileError, ConsentError, ExtractorError
from extractor.page import (
    api_antennas,
    api_check,
    api_clips,
    api_mark,
    api_plan,
    api_results,
    api_show,
    api_start,
)
from extractor.page.guard import AGAIN, ENTER, HEADERS, MOST_PIECE_BYTES, Guard
from extractor.page.service import Desk, UnknownNameError, plain

STATIC = Path(__file__).with_name("static")
#: Leads on to the page from a navigation of our own: browsers hold back a SameSite=Strict cookie
#: on one that another program or site began, redirects included.
_WELCOME = """<!doctype html><html lang="en"><head><meta charset="utf-8">
<meta http-equiv="refresh" content="0;url=/"><link rel="icon" href="data:,">
<title>extractor</title></head>
<body><p><a href="/">Go on to the page</a></p></body></html>"""
_REFUSED = """<!doctype html><html lang="en"><head><meta charset="utf-8"><title>extractor</title>
</head><body><h1>This page is not open to you</h1><p>{reason}.</p>
<p>In a terminal: <code>extractor open FOLDER</code>. The address it prints works once; run it
again for a new one.</p></body></html>"""

_STATUS = {ChangedMeanwhileError: 409, ConsentError: 428, UnknownNameError: 404}


class _Json(DefaultJSONProvider):
    """Answers as JSON can hold them."""

    sort_keys = False

    def dumps(self, obj: Any, **kwargs: Any) -> str:
        return super().dumps(plain(obj), **kwargs)


def create(desk: Desk | None, guard: Guard, show: Callable[[Path], str] | None = None) -> Flask:
    """Return the application for one session, or for the start page.

    Parameters
    ----------
    desk : Desk, optional
        The session and what is remembered of it; without one it is the start page.
    guard : Guard
        Decides who may ask.
    show : callable, optional
        Opens a page on a session's folder beside this one and gives an address that lets in.
    """
    app = Flask(__name__, static_folder=None)
    app.config["MAX_CONTENT_LENGTH"] = MOST_PIECE_BYTES
    app.json = _Json(app)
    app.extensions.update(desk=desk, show=show)
    _add_doors(app, guard)
    _add_static(app)
    _add_errors(app)
    modules = (api_start, api_clips, api_plan, api_mark, api_check, api_antennas, api_results)
    for module in (*modules, api_show):
        app.register_blueprint(module.routes)
    return app


def _add_doors(app: Flask, guard: Guard) -> None:
    @app.before_request
    def refuse() -> Any:
        objection = guard.objection(request)
        if objection is None:
            return None
        return _refusal(*objection)

    @app.get(ENTER)
    def enter() -> Response:
        visitor = guard.admit(request.args.get("token", ""))
        if visitor is None:
            return _refusal(403, "the address was used before, or is not one of mine")
        response = Response(_WELCOME, mimetype="text/html")
        response.set_cookie(guard.cookie, visitor, httponly=True, samesite="Strict", path="/")
        return response

    @app.post(AGAIN)
    def again() -> Any:
        return {"address": guard.address()}

    @app.after_request
    def harden(response: Response) -> Response:
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        response.headers.setdefault("Cache-Control", "no-store")
        return response


def _refusal(status: int, reason: str) -> Response:
    if request.path.startswith("/api/"):
        response = jsonify(error=reason)
    else:
        response = Response(_REFUSED.format(reason=reason), mimetype="text/html")
    response.status_code = status
    return response


def _add_static(app: Flask) -> None:
    # Read once: no name from outside ever becomes a path.
    files = {path.name: path.read_bytes() for path in STATIC.iterdir() if path.is_file()}

    @app.get("/")
    @app.get("/static/<name>")
    def static(name: str = "index.html") -> Response:
        if name not in files:
            raise UnknownNameError("no such file")
        kind = "text/javascript" if name.endswith(".js") else mimetypes.guess_type(name)[0]
        return Response(files[name], content_type=f"{kind}; charset=utf-8")


def _add_errors(app: Flask) -> None:
    @app.errorhandler(ExtractorError)
    def told(error: ExtractorError) -> Any:
        status = next((s for kind, s in _STATUS.items() if isinstance(error, kind)), 400)
        return jsonify(error=str(error)), status

    @app.errorhandler(HTTPException)
    def refused(error: HTTPException) -> Any:
        return jsonify(error=error.description), error.code or 500

    @app.errorhandler(Exception)
    def fault(error: Exception) -> Any:
        traceback.print_exc(file=sys.stderr)
        return jsonify(error=f"a fault in the program: {type(error).__name__}"), 500
