"""The report: one self-contained page, and every chart as PNG and SVG beside it."""

from __future__ import annotations

import base64
import contextlib
import platform
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace
from importlib import metadata
from pathlib import Path
from typing import Any

from extractor import __version__
from extractor.comparison.compare import Comparison
from extractor.comparison.findings import Finding, by_question, headline
from extractor.comparison.loading import doubt_findings
from extractor.comparison.lost_links import lost_in
from extractor.comparison.model import records
from extractor.errors import UsageError
from extractor.pipeline import compare_sessions
from extractor.radio.cautions import session_cautions
from extractor.report import chart_files, pack, theme
from extractor.report.chart_files import Picture
from extractor.report.charts import session as session_charts
from extractor.report.expected_words import expected_part
from extractor.report.filling import filled
from extractor.report.plain_words import BEHIND, explained, plain_table, shown
from extractor.report.story import round_findings
from extractor.results import Results, load, main_field, second_field, titled
from extractor.review import pictures
from extractor.review.cards import Card
from extractor.review.checked import waiting
from extractor.session.atomic import write_text
from extractor.session.folder import results_folder
from extractor.statistics.flags import Flag

#: Doubtful readings shown.
DOUBTS = 16
REPORT_FILE = "report.html"
_SECTIONS = {
    "ranking": "Ranking",
    "ports": "Ports",
    "clips": "Every run",
    "distribution": "By antenna",
    "beside": "Beside each other",
    "drift": "Over the session",
    "quality": "Reading quality",
}
_PACKAGES = ("numpy", "pandas", "scipy", "matplotlib", "av", "opencv-python")

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Options:
    """What the comparison in the report is about; see `extractor.comparison.compare`."""

    field: str | None = None
    measure: str | None = None
    factor: str = "antenna"
    reference: str | None = None
    confidence: float = 0.95
    pool: bool = False
    equal_within: float | None = None
    spread_from: tuple[str | Path, ...] = ()
    title: str | None = None


def write_report(
    sessions: Sequence[str | Path],
    out: str | Path | None = None,
    options: Options | None = None,
    progress: Progress | None = None,
) -> tuple[Path, ...]:
    """Write the report of one or more sessions or packs.

    Parameters
    ----------
    sessions : sequence of str or Path
        Session folders whose clips were read, or packs.
    out : str or Path, optional
        Folder for the page, the tables and ``pictures/``; ``results/`` of the first session,
        or beside the first pack.
    options : Options, optional
        For the comparison: `extractor.report.html_report.Options`.
    progress : callable, optional
        Is told what is being made.

    Returns
    -------
    tuple of Path
        The page first, then tables and pictures.

    Raises
    ------
    UsageError
        If a session was not read yet or has no such field.
    SessionFileError, StorageError
        If a file is wrong or cannot be written.

    Examples
    --------
    >>> from extractor import write_report
    >>> page, *others = write_report(["sample_clips"], out="report")
    >>> page.name, "ranking.csv" in [path.name for path in others]
    ('report.html', True)
    """
    tell = progress or (lambda what: None)
    places = [Path(one) for one in sessions]
    folder = Path(out) if out else results_folder(places[0])
    chosen = options or Options()
    lending = [Path(one) for one in chosen.spread_from]
    with pack.opened_all(places) as folders, pack.opened_all(lending) as lent:
        results = [load(one) for one in folders]
        info = main_field(results, chosen.field)
        tell("comparison")
        comparison, reason = _compare(folders, info.name, replace(chosen, spread_from=tuple(lent)))
        second = second_field(results, info.name)
        material = session_charts.Material(tuple(results), info, second, comparison)
        # Cutting the crops out of the clips is decoding, which runs beside the drawing.
        with ThreadPoolExecutor(1) as aside:
            doubts = aside.submit(lambda: [d for one in results for d in _doubts(one)])
            pictures = chart_files.draw(material, folder, tell)
            tell("doubtful readings")
            page = _render(material, chosen, reason, pictures, doubts.result())
    written = [path for picture in pictures for path in picture.files]
    if comparison is not None:
        written += comparison.write(folder)
    path = folder / REPORT_FILE
    write_text(path, page)
    return (path, *written)


def _compare(folders: Sequence[Path], name: str, options: Options) -> tuple[Comparison | None, str]:
    """Return the comparison, or why there is none."""
    try:
        return compare_sessions(folders, **_asked(options, name)), ""
    except UsageError as error:
        if options != Options(field=options.field, title=options.title):
            raise  # an option that cannot be followed is not passed over
        return None, str(error)


def _asked(options: Options, name: str) -> dict[str, Any]:
    """Return what is asked of the comparison, for a field of that name."""
    return {k: v for k, v in asdict(options).items() if k != "title"} | {"field": name}


def _render(
    material: session_charts.Material,
    options: Options,
    reason: str,
    pictures: Sequence[Picture],
    doubts: Sequence[Mapping[str, Any]],
) -> str:
    comparison, name = material.comparison, material.field.name
    root = material.results[0].session.root
    findings = _findings(material, comparison)
    return filled(
        "report.html",
        {"number": shown, "label": _label, "explained": explained},
        title=options.title or titled(material.results),
        sessions=[_session_part(one) for one in material.results],
        many=len(material.results) > 1,
        field=material.field,
        bold=headline(findings),
        expected=expected_part(root, name, options.measure)
        if comparison is not None and len(material.results) == 1
        else None,
        questions=by_question(findings),
        behind=BEHIND,
        reason=reason,
        sections=_SECTIONS,
        pictures=pictures,
        light=theme.VARIABLES,
        dark=theme.DARK,
        doubts=doubts,
        tables=_tables(material),
        cautions=session_cautions(material.results[0].session),
        settings=_settings(material, options),
        versions=_versions(),
    )


def _findings(material: session_charts.Material, comparison: Comparison | None) -> list[Finding]:
    """Return the findings, what changed from round to round after the first of them.

    Without a comparison what can be said all the same: doubted digits, lost links.
    """
    results, name = material.results, material.field.name
    if comparison is None:
        doubted = [f for one in results for f in doubt_findings(one.session, one.name, name)]
        return [*doubted, *lost_in(results, name)]
    found = comparison.findings
    return [*found[:1], *round_findings(results, comparison), *found[1:]]


def _session_part(one: Results) -> dict[str, Any]:
    rows = one.summary.drop_duplicates("run")
    antennas = sorted({str(a) for a in rows["antenna"] if a})
    mounted = rows[rows["antenna"] != ""].drop_duplicates(["antenna", "mounting"])
    return {
        "name": one.name,
        "conditions": [(k, v) for k, v in one.conditions.items() if k != "decimal"],
        "runs": len(rows),
        "clips": len({c for cell in rows["clip"] for c in str(cell).split(";")}),
        "antennas": antennas,
        "mountings": len(mounted),
        "not_read": [c for c in one.session.measured if not one.session.readings_path(c).exists()],
    }


def _doubts(one: Results) -> list[dict[str, Any]]:
    found = pictures.stored(one.session.results) if pack.manifest_of(one.session.root) else None
    if found is None:
        found = pictures.with_pictures(one, waiting(one)[:DOUBTS])
    packed = ((d.card, base64.b64encode(d.picture).decode("ascii")) for d in found[:DOUBTS])
    return [{"card": card, "picture": picture, "read": _read(card)} for card, picture in packed]


def _read(card: Card) -> str:
    if card.flag in (Flag.UNREADABLE, Flag.NO_LINK):
        guess = card.text.replace("-", "\N{NON-BREAKING HYPHEN}")
        known = guess and card.flag == Flag.UNREADABLE
        return f"not read (perhaps {guess})" if known else "not read"
    return f"read as {card.text if card.flag == Flag.OK and card.text else card.number}"


#: Ends of keys that name a unit.
_KEY_UNITS = {"_m": "m", "_mhz": "MHz", "_mw": "mW", "_db": "dB", "_dbm": "dBm", "_s": "s"}


def _label(key: str) -> str:
    """Return a key of ``session.toml`` in words, its unit set apart."""
    for end, unit in _KEY_UNITS.items():
        if key.endswith(end):
            return f"{key.removesuffix(end).replace('_', ' ')}, {unit}"
    return key.replace("_", " ")


def _tables(material: session_charts.Material) -> dict[str, Any]:
    """Return the tables under their names; of several sessions each has its own summary."""
    comparison, found = material.comparison, {}
    if comparison is not None:
        for name in ("ranking", "pairs", "ports"):
            found[name] = plain_table(name, records(getattr(comparison, name)), comparison.unit)
    for one in material.results:
        table = plain_table("summary", records(one.summary)) or {}
        found[f"summary {one.name}"] = table | {"title": f"{table['title']} ({one.name})"}
    return {name: table for name, table in found.items() if table}


def _settings(material: session_charts.Material, options: Options) -> dict[str, Any]:
    clips, overlays = [], []
    for one in material.results:
        path = one.session.overlay_path
        text = path.read_text("utf-8-sig") if path.exists() else ""
        overlays.append({"name": one.name, "text": text})
        packed = {e["clip"]: e for e in pack.manifest_of(one.session.root).get("clips", [])}
        for clip in one.session.measured:
            known = packed.get(clip) or pack.reading_settings(one.session, clip)
            digest = known.get("sha256") or known.get("state_digest", "")
            unknown = {"reader": "not known", "boxes": {}}
            clips.append({**unknown, **known, "clip": clip, "digest": digest})
    asked = _asked(options, material.field.name)
    asked["reference"] = options.reference or "all pairs"
    asked["spread_from"] = ", ".join(map(str, options.spread_from)) or None
    return {"asked": asked, "clips": clips, "overlays": overlays}


def _versions() -> list[tuple[str, str]]:
    found = [("extractor", __version__), ("Python", platform.python_version())]
    for name in _PACKAGES:
        with contextlib.suppress(metadata.PackageNotFoundError):
            found.append((name, metadata.version(name)))
    return found
