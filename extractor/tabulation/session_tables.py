"""The tables of a session: readings clip by clip, the summary; only what changed is made anew."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from extractor.reading import cache
from extractor.reading.cache import ClipState
from extractor.reading.session_clips import SessionReport
from extractor.results import summary_columns
from extractor.session import digests
from extractor.session.atomic import read_json, write_json, write_text
from extractor.session.csv_tables import format_table
from extractor.session.folder import Session
from extractor.session.overlay import Overlay, direction_question
from extractor.session.user_tables import Correction, Run
from extractor.tabulation import clip_tables


@dataclass(slots=True)
class ClipTable:
    """One clip's flagged series, made when first asked for."""

    known: ClipState
    overlay: Overlay
    corrections: tuple[Correction, ...]
    """Those of this clip."""
    key: str
    """Changes whenever the table may."""
    _made: clip_tables.ClipSeries | None = None

    def made(self) -> clip_tables.ClipSeries:
        """Return the series with flags and corrections."""
        if self._made is None:
            self._made = clip_tables.clip_series(self.known, self.overlay.fields, self.corrections)
        return self._made


def table_of(
    session: Session,
    overlay: Overlay,
    clip: str,
    known: ClipState,
    corrections: Sequence[Correction],
) -> ClipTable:
    """Return one clip's table."""
    own = tuple(c for c in corrections if c.clip == clip)
    read = digests.file_digest(cache.state_path(session, clip))
    key = digests.digest_of(clip_tables.TABLES_VERSION, read, overlay.fields, own)
    return ClipTable(known, overlay, own, key)


def tabulate(
    session: Session,
    overlay: Overlay,
    known: Mapping[str, ClipState],
    corrections: Sequence[Correction],
    report: SessionReport,
) -> dict[str, ClipTable]:
    """Write the readings of every clip whose table is not up to date."""
    path = session.state / "tables.json"
    before, now = read_json(path), {}
    tables = {}
    for clip, one in known.items():
        table = tables[clip] = table_of(session, overlay, clip, one, corrections)
        entry = before.get(clip, {})
        if entry.get("key") != table.key or not session.readings_path(clip).exists():
            clip_tables.write_readings(session.readings_path(clip), table.made().series)
            entry = {
                "key": table.key,
                "notes": list(table.made().notes),
                "unmatched": [[c.field, c.time_s] for c in table.made().unmatched],
                "outside": list(table.made().outside),
            }
        now[clip] = entry
        report.warnings += [
            f"corrections.csv: {clip} has no reading of {name} near {time_s:g} s; kept, not used"
            for name, time_s in entry["unmatched"]
        ]
        report.warnings += [f"corrections.csv: {one}" for one in entry["outside"]]
    if now != before:
        write_json(path, now)
    _add_notes(report, now)
    report.warnings += [
        f"corrections.csv names {clip}, which is not in the folder"
        for clip in sorted({c.clip for c in corrections} - set(session.clips))
    ]
    return tables


def _add_notes(report: SessionReport, entries: Mapping[str, Mapping[str, Any]]) -> None:
    for i, one in enumerate(report.clips):
        if one.clip in entries and one.outcome == "kept":
            report.clips[i] = replace(one, notes=tuple(entries[one.clip]["notes"]))


def summarise_runs(
    session: Session,
    overlay: Overlay,
    runs: Sequence[Run],
    tables: Mapping[str, ClipTable],
    report: SessionReport,
) -> None:
    """Write ``summary.csv``; rows whose run did not change are taken from the last time."""
    path = session.state / "summary.json"
    before, now = read_json(path), {}
    report.warnings += [direction_question(f.name) for f in overlay.fields if not f.direction]
    for run in runs:
        parts = [tables[c] for c in run.clips if c in tables]
        if len(parts) < len(run.clips) or not run.counts:
            continue
        key = digests.digest_of(run, [t.key for t in parts], overlay.fields, summary_columns())
        now[key] = before.get(key) or clip_tables.run_rows(
            run,
            [t.known for t in parts],
            [t.made().series for t in parts],
            overlay.fields,
        )
        report.rows += now[key]
    text = format_table(summary_columns(), report.rows)
    if now != before or not session.summary_path.exists():
        write_text(session.summary_path, text)
        write_json(path, now)
