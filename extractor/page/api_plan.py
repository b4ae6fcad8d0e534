"""Planning an evening, and which clip is which planned run."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import asdict, replace
from itertools import zip_longest
from pathlib import Path
from typing import Any

from flask import Blueprint

from extractor.comparison.run_order import REFERENCE_MOUNTINGS, packs_needed, total_minutes
from extractor.errors import ExtractorError, UsageError
from extractor.page import request_parsing as sent
from extractor.page.service import desk
from extractor.page.session_view import overview
from extractor.pipeline import earlier_spread
from extractor.report.run_sheet import Plan, sizes, write_plan
from extractor.session import runs_editing, sessions
from extractor.session.folder import Session
from extractor.statistics.power import Spreads
from extractor.video import recording_order
from extractor.video.pairing import Answers

MOST_NAMES = 12
KINDS = ("split", "full", "listed")
BY: dict[str, recording_order.By] = {"created": "created", "name": "name", "modified": "modified"}


routes = Blueprint("plan", __name__)


@routes.get("/api/plan")
def show() -> Any:
    """Return what a plan begins with: the names in use here or in the round before."""
    session = desk().session()
    rounds = [Session(path) for path in sessions.rounds(session)]
    found: dict[str, Any] = {"antennas": [], "ports": [], "companions": [], "mountings": 3}
    for one in rounds:
        names = _names(one)
        found |= {k: v for k, v in names.items() if v and not found.get(k)}
        if names["antennas"]:
            found["mountings"] = names["mountings"] or 3
            break
    found["antennas"] = found["antennas"] or list(session.antenna_names())
    spreads = _known_spreads([one.root for one in rounds])
    return found | {
        "spreads": spreads and asdict(spreads),
        "before": rounds[1].root.name if len(rounds) > 1 else None,
        "reference_mountings": REFERENCE_MOUNTINGS,
    }


def _names(session: Session) -> dict[str, Any]:
    try:
        rows = [row.cells for row in runs_editing.run_rows(session)]
    except ExtractorError:
        rows = []
    hung = [pair.partition("=")[2] for r in rows for pair in r.get("others", "").split(";")]
    mountings = {(r.get("antenna"), r["mounting"]) for r in rows if r.get("mounting")}
    antennas = list(dict.fromkeys(r["antenna"] for r in rows if r.get("antenna")))
    return {
        "antennas": antennas,
        "ports": list(dict.fromkeys(r["port"] for r in rows if r.get("port"))),
        "companions": list(dict.fromkeys(h for h in hung if h and h not in antennas))[:1],
        "mountings": len(mountings) // len(antennas) if antennas else 0,
    }


def _known_spreads(roots: Sequence[Path]) -> Spreads | None:
    """Return the spreads that this session, or the latest round that knows them, shows."""
    for root in roots:
        try:
            return earlier_spread([root]).planning()
        except ExtractorError:
            continue
    return None


def _asked() -> Plan:
    kind = sent.text("kind")
    if kind not in KINDS:
        raise UsageError(f"kind must be one of {', '.join(KINDS)}")
    lists = {key: _list(key) for key in ("antennas", "ports", "companions")}
    whole = {key: int(sent.number(key)) for key in ("mountings", "repeats")}
    plan = Plan(
        **lists, **whole, kind=kind, reference=sent.text("reference") or None,  # type: ignore[arg-type]
        seed=secrets.randbelow(100_000),
    )  # fmt: skip
    seconds = min(max(sent.number("seconds", 60.0), 1.0), 3600.0)
    return replace(plan, timing=replace(plan.timing, seconds=seconds))


def _list(key: str) -> tuple[str, ...]:
    values = sent.values().get(key)
    if not isinstance(values, list) or len(values) > MOST_NAMES:
        raise UsageError(f"{key} must be a list of at most {MOST_NAMES} names")
    return tuple(sent.as_text(value, key).strip() for value in values)


@routes.post("/api/plan/size")
def size() -> Any:
    """Return how long a plan takes, and what the difference that matters needs."""
    plan = _asked()
    plan.check()
    runs = plan.runs()
    found = {
        "clips": len(runs),
        "minutes": total_minutes(runs, plan.timing),
        "packs": packs_needed(runs, plan.timing),
        "more": plan.more,
        "sentences": [],
    }
    detect, sd, clip_sd = (sent.optional_number(key) for key in ("detect", "sd", "clip_sd"))
    if detect is not None and sd is not None:
        amount = f"{detect:g} {sent.text('unit')}".strip()
        needed = sizes(plan, detect, Spreads(abs(sd), abs(clip_sd or 0.0)))
        found["sentences"] = [one.sentence(amount) for one in needed]
    return found


@routes.post("/api/plan")
def write() -> Any:
    """Write ``runs.csv`` and the run sheet."""
    plan = _asked()
    write_plan(desk().root, plan, replace=sent.values().get("replace") is True)
    desk().refresh_soon()
    return overview(desk())


def _matching() -> recording_order.Matching:
    """Return clips beside runs, as answered; unanswered with what is proposed."""
    session, by = desk().session(), BY.get(sent.text("by"))
    if sent.values().get("answers") is None:
        found = recording_order.match(session, by=by)
        said = found.proposal
        if said is None:
            return found
        answered = recording_order.match(session, by=by, **_options(said))
        return replace(answered, proposal=said)
    said = Answers(*(_names_of(key) for key in ("skip", "missing", "join")))
    return recording_order.match(session, by=by, **_options(said))


def _options(said: Answers) -> dict[str, tuple[str, ...]]:
    return {"skip": said.skip, "missing": said.missing, "join": said.join}


def _names_of(key: str) -> tuple[str, ...]:
    answers = sent.values()["answers"]
    values = answers.get(key) if isinstance(answers, dict) else None
    if not isinstance(values, list):
        raise UsageError("answers must hold lists: skip, missing, join")
    return tuple(sent.as_text(value, key) for value in values)


@routes.post("/api/match")
def match() -> Any:
    """Return planned runs and clips beside each other, with what is proposed where they differ."""
    found = _matching()
    said = found.proposal or Answers()
    marks = dict(found.marks)
    pairs = zip_longest(found.runs, found.recordings)
    return {
        "by": found.by,
        "notes": found.notes,
        "questions": found.questions,
        "answers": _options(said),
        "doubts": said.doubts,
        "missing": [_run(row) for row in found.missed],
        "skipped": [_file(row.clips[0], marks) for row in found.skipped],
        "pairs": [
            {"run": a and _run(a), "files": [_file(c, marks) for c in b.clips] if b else []}
            for a, b in pairs
        ],
    }


def _run(row: runs_editing.RunRow) -> dict[str, str]:
    cells = ("run", "antenna", "port", "mounting", "order")
    return {column: row.cells.get(column, "") for column in cells}


def _file(name: str, marks: dict[str, str]) -> dict[str, Any]:
    made = recording_order.recording(desk().session(), name)
    return {
        "clip": name,
        "created": made.created and made.created.isoformat(),
        "length_s": made.length_s,
        "mark": marks.get(name, ""),
    }


@routes.post("/api/match/fill")
def fill() -> Any:
    """Write the pairs into ``runs.csv`` and set the skipped clips aside."""
    if sent.values().get("answers") is None:
        raise UsageError("nothing was answered; look at the pairs first")
    with desk().session().editing():
        recording_order.fill(desk().session(), _matching())
    desk().refresh_soon()
    return overview(desk())
