"""Series and results: what was read, drawn and compared."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from flask import Blueprint, Response

from extractor.comparison.findings import Finding, by_question, from_json, headline
from extractor.errors import ExtractorError
from extractor.page import request_parsing as sent
from extractor.page.service import UnknownNameError, desk
from extractor.pipeline import compare_sessions
from extractor.radio.cautions import session_cautions
from extractor.report.plain_words import BEHIND, explained, glossary, plain_table
from extractor.report.step_sheet import SHEET as STEP_SHEET
from extractor.review.cards import number_text, standing_corrections
from extractor.session import sessions
from extractor.session.csv_tables import read_table
from extractor.session.folder import RESULTS, Session
from extractor.session.numerals import is_numeral
from extractor.session.overlay import FILE_NAME
from extractor.session.overlay_file import check_limits, save
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
    raw = {name: _table(session.results / f"{name}.csv") for name in TABLES}
    found = _findings(session.results / "findings.json")
    ranked = raw["ranking"]["rows"][0] if raw["ranking"] and raw["ranking"]["rows"] else {}
    return {
        "tables": {
            name: _plain(name, table, ranked.get("unit", "")) for name, table in raw.items()
        },
        "chart": raw["ranking"],
        "bold": headline(found),
        "questions": [
            {
                "question": question,
                "findings": list(map(_said, own)),
                "tables": BEHIND.get(question),
            }
            for question, own in by_question(found).items()
        ],
        "without_low": _without_low(session, raw["summary"]),
        "outdated": made and summary.stat().st_mtime > ranking.stat().st_mtime,
        "files": sorted(_files(session)),
    }


def _begun(kind: str, work: Callable[[list[Path], dict[str, Any]], None]) -> Any:
    """Begin work on the session with the options of the comparison that were asked for."""
    from extractor.comparison.loading import require_measure

    name, measure = sent.text("field") or None, sent.text("measure") or None
    own = desk()
    if name is not None:
        own.field(own.session(), name)
    require_measure(measure)
    within = sent.optional_number("equal_within")
    asked = {"field": name, "measure": measure, "equal_within": within}
    together = sent.values().get("rounds") is True
    roots = sessions.rounds(own.session()) if together else [own.root]
    return own.begin(kind, lambda task: work(roots, asked)).as_json()


@routes.post("/api/report")
def report() -> Any:
    """Begin to write the report."""

    def work(roots: list[Path], asked: dict[str, Any]) -> None:
        from extractor.report.html_report import Options, write_report

        write_report(roots, options=Options(**asked))

    return _begun("report", work)


@routes.post("/api/compare")
def compare() -> Any:
    """Begin to compare."""

    def work(roots: list[Path], asked: dict[str, Any]) -> None:
        compare_sessions(roots, **asked).write(roots[0] / RESULTS)

    return _begun("compare", work)


@routes.post("/api/low")
def set_low() -> Any:
    """Say below which number the link counts as out."""
    own = desk()
    session, low = own.session(), sent.number("low")
    with session.editing():
        item = own.field(session, sent.text("field"))
        fields = [replace(f, low=low) if f == item else f for f in session.fields()]
        check_limits(replace(item, low=low), FILE_NAME)
        save(session.overlay_path, fields)
    own.refresh_soon()
    return {}


@routes.get("/api/words")
def words() -> Any:
    """Return the words that are explained, each with its explanation."""
    return glossary()


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
        return {"problem": str(error), "rows": []}
    return {"rows": [{c: _with_point(cell) for c, cell in row.items()} for row in table.rows]}


def _with_point(cell: str) -> str:
    return cell.replace(",", ".") if is_numeral(cell) else cell


def _plain(name: str, table: dict[str, Any] | None, unit: str) -> dict[str, Any] | None:
    if table is None or "problem" in table:
        return table
    return plain_table(name, table["rows"], unit)


def _said(one: Finding) -> dict[str, Any]:
    own = asdict(one) | {"text": one.sentence}
    return own | {key: explained(getattr(one, key)) for key in ("sentence", "how_we_know")}


def _findings(path: Path) -> list[Finding]:
    try:
        return from_json(path.read_text("utf-8"))
    except (OSError, ValueError):
        return []


def _without_low(session: Session, summary: dict[str, Any] | None) -> list[str]:
    """Return the numbers of which nobody knows below what the link counts as out."""
    rows = (summary or {}).get("rows", [])
    known = {row["field"] for row in rows if row.get("availability")}
    marked = session.fields() if session.overlay_path.exists() else ()
    return [f.name for f in marked if f.direction == "higher" and f.name not in known]


def _files(session: Session) -> dict[str, Path]:
    """Return what may be fetched, by the name under which it is offered."""
    names = [*(f"{name}.csv" for name in TABLES), "checked.csv", "report.html"]
    names += ["run_sheet.html", STEP_SHEET]
    found = {name: session.results / name for name in names}
    readings = map(session.readings_path, session.measured)
    found |= {f"readings/{path.name}": path for path in readings}
    return {name: path for name, path in found.items() if path.is_file()}
