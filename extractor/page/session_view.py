"""All that the page shows of a session at a glance, as plain values for JSON."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from extractor.errors import ExtractorError
from extractor.page.service import Desk
from extractor.reading.cache import ClipState
from extractor.report.run_sheet import SHEET
from extractor.session import conditions, digests, runs_editing, sessions, undoing
from extractor.session.folder import SESSION_KEYS, Session
from extractor.session.overlay import USUAL_UNITS, Field, usual_direction
from extractor.session.user_tables import RUN_COLUMNS, is_proposed
from extractor.tabulation import doubted_digits
from extractor.video.clips import Clip

#: Work whose progress the page shows.
KINDS = ("read", "suggest", "compare", "report", "show")


def overview(desk: Desk) -> dict[str, Any]:
    """Return clips, runs, conditions, marks and work in progress."""
    session = desk.session()
    problems: list[str] = []
    fields = _or_problem(session.fields, problems) or ()
    rows = _or_problem(lambda: runs_editing.run_rows(session), problems)
    understood = rows is not None and _or_problem(session.runs, problems) is not None
    standing = _or_problem(session.conditions, problems) or {}
    reading = desk.task("read")
    cells = [r.cells for r in rows or ()]
    columns = dict.fromkeys(c for own in cells for c in own)
    measured = frozenset(session.measured)
    clips = [_clip(desk, session, name, fields) for name in session.clips]
    for clip in clips:
        if clip["clip"] not in measured:
            clip |= {"state": "aside", "message": ""}
    return {
        "name": session.root.name or str(session.root),
        "clips": clips,
        "rows": [
            {
                "key": r.key,
                "stored": r.stored,
                "drafted": r.drafted,
                "clips": r.clips,
                "cells": r.cells,
            }
            for r in rows or ()
        ],
        "editable": understood,
        "columns": [c for c in columns if c not in RUN_COLUMNS],
        # Those that say an antenna which the tool took from the clip's name.
        "drafts": sum(
            bool(c.get("antenna")) and c.get("use") != "no" and is_proposed(c.get("notes", ""))
            for c in cells
        ),
        "conditions": [
            {"key": k, "value": conditions.condition_text(standing.get(k))}
            for k in dict.fromkeys([*SESSION_KEYS, *standing])
        ],
        "antennas": session.antenna_names(),
        "usual": {
            name: {"unit": unit, "better": usual_direction(name, unit)}
            for name, unit in USUAL_UNITS.items()
        },
        "fields": [field_json(f) for f in fields],
        "overlay": digests.file_digest(session.overlay_path),
        "rounds": [path.name for path in sessions.rounds(session)[1:]],
        "seen": undoing.seen(session),
        "problems": problems + desk.problems,
        "doubts": [
            {"field": d.field, "sentence": d.sentence} for d in doubted_digits.load(session)
        ],
        "tasks": {k: t.as_json() for k in KINDS if (t := desk.task(k))},
        "summary": session.summary_path.exists(),
        "sheet": (session.results / SHEET).exists(),
        "reading": bool(reading and reading.running),
    }


def _or_problem(get: Any, problems: list[str]) -> Any:
    try:
        return get()
    except ExtractorError as error:
        problems.append(str(error))
        return None


def _clip(desk: Desk, session: Session, name: str, fields: Sequence[Field]) -> dict[str, Any]:
    path = session.path(name)
    probed = desk.probes.soon(path)
    known = desk.known(session, name)
    status, message = _status(desk, name, probed, known, fields)
    try:
        stat = path.stat()
        size, version = stat.st_size, f"{stat.st_mtime_ns:x}-{stat.st_size:x}"
    except OSError:
        size, version = 0, ""
    found: dict[str, Any] = {"clip": name, "size": size, "version": version}
    found |= {"state": status, "message": message}
    if isinstance(probed, Clip):
        found |= {
            "width": probed.width,
            "height": probed.height,
            "length_s": probed.length_s if known is None else known.duration_s,
            "rate_hz": probed.frame_rate_hz,
            "codec": probed.codec,
        }
    return found


def _status(
    desk: Desk,
    name: str,
    probed: Clip | str | None,
    known: ClipState | None,
    fields: Sequence[Field],
) -> tuple[str, str]:
    """Return one word (new, looking, waiting, reading, done, cut, stale, failed) and a reason."""
    task = desk.task("read")
    work: Mapping[str, Any] = task.clips.get(name, {}) if task else {}
    if task and task.running and work.get("state") in ("waiting", "reading"):
        return work["state"], ""
    if work.get("state") == "failed":
        return "failed", work["message"]
    if isinstance(probed, str):
        return "failed", probed
    if known is not None and fields:
        if any(desk.is_stale(known, f) for f in fields):
            return "stale", "was read with other marks than now; read again"
        if known.complete == "no":
            return "cut", known.note or "the recording was broken off; read to where it ends"
        return "done", " ".join(known.remarks)
    return ("looking" if probed is None else "new"), ""


def field_json(item: Field) -> dict[str, Any]:
    """Return a field as the page holds it."""
    also = [{"frame": p.frame, "box": p.box.as_list()} for p in item.also]
    return asdict(item) | {"box": item.box.as_list(), "better": item.direction or "", "also": also}
