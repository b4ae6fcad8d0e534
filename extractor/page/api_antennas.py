"""What is known of the antennas, what physics expects of them, and the steps of a calibration."""

from __future__ import annotations

from typing import Any, cast

from flask import Blueprint

from extractor.page import request_parsing as sent
from extractor.page.service import desk
from extractor.page.session_view import overview
from extractor.report.step_sheet import Padded, write_steps
from extractor.session import antennas_editing
from extractor.session.runs_editing import run_rows

routes = Blueprint("antennas", __name__)


@routes.get("/api/antennas")
def show() -> Any:
    """Return what stands in ``antennas.csv`` of each antenna in use, in order of their runs."""
    session = desk().session()
    known = antennas_editing.antenna_cells(session)
    used = [row.cells.get("antenna", "") for row in run_rows(session)]
    sending = session.conditions().get("transmitter_antenna")
    names = [name for name in dict.fromkeys([*used, *known, str(sending or "")]) if name]
    return {"antennas": {name: known.get(name, {}) for name in names}, "transmitter": sending}


@routes.post("/api/antenna")
def edit() -> Any:
    """Change what is known of an antenna."""
    antennas_editing.edit_antenna(desk().session(), *sent.texts("antenna", "column", "old", "new"))
    return show()


@routes.post("/api/steps")
def steps() -> Any:
    """Plan the attenuator steps of a calibration."""
    own = desk()
    write_steps(own.root, sent.text("antenna"), cast("Padded", sent.text("padded")))
    own.refresh_soon()
    return overview(own)


@routes.get("/api/expect")
def expect() -> Any:
    """Return what physics expects and how the results stand to it; null where nothing is known."""
    from extractor.report.expected_words import expected_part

    session = desk().session()
    fields = [f.name for f in session.fields()]
    name = session.primary_field(fields) if fields else "bitrate"
    return {"expected": expected_part(session.root, name)}
