"""Series and results: what was read, drawn and compared."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from flask import Blueprint, Response

from extractor.comparison.loading import require_measure
from extractor.errors import ExtractorError
from extractor.page import request_parsing as sent
from extractor.page.service import UnknownNameError, desk
from extractor.pipeline import compare_sessions
from extractor.radio.cautions import session_cautions
from extractor.review.cards import number_text, standing_corrections
from extractor.session.csv_tables import read_table
from extractor.session.folder import RESULTS, Session
from extractor.session.numerals import is_numeral
from extractor.tabulation import clip_tables

TABLES = ("summary", "ranking", "ports", "pairs")
#: The report is a page of its own: it may show pictures and its own style, nothing else.
REPORT_POLICY = "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:"


routes = Blueprint("results", __name__)


@routes.get("/api/series")
def series() -> Any:
    """Return a clip's series of a field, of the first where none is named."""
    session, name = desk().find(sent.values().get("clip"))
    marked, field = session.fields(), sent.values().get("field")
    if not marked:
        raise UnknownNameError("nothing is marked yet")
    item = marked[0] if field is None else desk().field(session, field)
    known, made = desk().known(session, name), desk().series(session, name, [item])
    if known is None or made is None:
        return {"field": item.name, "unit": item.unit, "times": []}
    frame = made.series[item.name]
    values, flags = frame["value"].tolist(), [str(f) for f in frame["flag"]]
    own = [c for c in session.corrections() if (c.clip, c.field) == (name, item.name)]
    for row, text in standing_corrections(frame["time_s"].tolist(), own).items():
        values[row], flag = clip_tables.corrected(text, item)
        flags[row] = str(flag)
    return {
        "field": item.name,
        "unit": item.unit,
        "ceiling": item.ceiling,
        "times": frame["time_s"],
        "values": values,
        "flags": flags,
        "texts": frame["text"],
        "shown": [number_text(v, "", item.decimals) for v in values],
        "confidence": frame["confidence"],
        "duration_s": known.duration_s,
        "stale": desk().is_stale(known, item),
    }


@routes.get("/api/cautions")
def shown_cautions() -> Any:
    """Return what to take care of."""
    return [asdict(c) for c in session_cautions(desk().session())]


@routes.get("/api/results")
def results() -> Any:
    """Return tables and findings, and which files there are."""
    session = desk().session()
    summary, ranking = (session.results / f"{n}.csv" for n in ("summary", "ranking"))
    made = ranking.exists() and summary.exists()
    return {
        "tables": {name: _table(session.results / f"{name}.csv") for name in TABLES},
        "findings": _json(session.results / "findings.json"),
        "outdated": made and summary.stat().st_mtime > ranking.stat().st_mtime,
        "files": sorted(_files(session)),
    }


def _begun(kind: str, work: Callable[[Path, dict[str, Any]], None]) -> Any:
    """Begin work on the session with the options of the comparison that were asked for."""
    name, measure = sent.text("field") or None, sent.text("measure") or None
    own = desk()
    if name is not None:
        own.field(own.session(), name)
    require_measure(measure)
    within = sent.optional_number("equal_within")
    asked = {"field": name, "measure": measure, "equal_within": within}
    return own.begin(kind, lambda task: work(own.root, asked)).as_json()


@routes.post("/api/report")
def report() -> Any:
    """Begin to write the report."""

    def work(root: Path, asked: dict[str, Any]) -> None:
        from extractor.report.html_report import Options, write_report

        write_report([root], options=Options(**asked))

    return _begun("report", work)


@routes.post("/api/compare")
def compare() -> Any:
    """Begin to compare."""

    def work(root: Path, asked: dict[str, Any]) -> None:
        compare_sessions([root], **asked).write(root / RESULTS)

    return _begun("compare", work)


@routes.get("/api/file")
def file() -> Response:
    """Return a file of the results."""
    path = _files(desk().session()).get(sent.text("name"))
    if path is None:
        raise UnknownNameError("no such file among the results")
    try:
        content = path.read_bytes()
    except OSError as error:
        raise UnknownNameError(f"{path.name}: cannot be read ({error.strerror})") from error
    if path.suffix == ".html":
        response = Response(content, mimetype="text/html")
        response.headers["Content-Security-Policy"] = REPORT_POLICY
        return response
    response = Response(content, mimetype="text/csv")
    response.headers.set("Content-Disposition", "attachment", filename=path.name)
    return response


def _table(path: Path) -> dict[str, Any] | None:
    if not path.exists():
        return None
    try:
        table = read_table(path)
    except ExtractorError as error:
        return {"problem": str(error), "columns": [], "rows": []}
    rows = [[_with_point(row[c]) for c in table.columns] for row in table.rows]
    return {"columns": table.columns, "rows": rows}


def _with_point(cell: str) -> str:
    return cell.replace(",", ".") if is_numeral(cell) else cell


def _json(path: Path) -> Any:
    try:
        return json.loads(path.read_text("utf-8"))
    except (OSError, ValueError, RecursionError):
        return None


def _files(session: Session) -> dict[str, Path]:
    """Return what may be fetched, by the name under which it is offered."""
    names = [*(f"{name}.csv" for name in TABLES), "checked.csv", "report.html", "run_sheet.html"]
    found = {name: session.results / name for name in names}
    readings = map(session.readings_path, session.measured)
    found |= {f"readings/{path.name}": path for path in readings}
    return {name: path for name, path in found.items() if path.is_file()}
