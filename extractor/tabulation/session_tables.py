"""The tables of a session: readings clip by clip, the summary; only what changed is made anew."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from extractor.errors import TableError
from extractor.reading import cache
from extractor.reading.cache import ClipState
from extractor.reading.session_clips import SessionReport
from extractor.results import summary_columns
from extractor.session import digests
from extractor.session.atomic import read_json, write_json
from extractor.session.csv_tables import wants_commas, write_table
from extractor.session.folder import Session
from extractor.session.overlay import Overlay, direction_question
from extractor.session.user_tables import Correction, Run
from extractor.statistics.missing_digits import Numbers
from extractor.tabulation import clip_tables, doubted_digits
from extractor.tabulation.doubted_digits import Answers, Doubt

#: What was said of each clip's table when it was written, and by what key.
TABLES = "tables.json"


@dataclass(frozen=True)
class ClipTable:
    """One clip's flagged series, made when first asked for."""

    known: ClipState
    overlay: Overlay
    corrections: tuple[Correction, ...]
    """Those of this clip."""
    key: str
    """Changes whenever the table may."""
    doubts: tuple[Doubt, ...] = ()
    """Those that concern this clip."""

    @cached_property
    def made(self) -> clip_tables.ClipSeries:
        """The series with flags and corrections."""
        fields = self.overlay.fields
        return clip_tables.clip_series(self.known, fields, self.corrections, self.doubts)

    def doubted(self, clip: str, doubts: Sequence[Doubt]) -> ClipTable:
        """Return it with the digits in doubt taken into account."""
        own = tuple(d for d in doubts if d.concerns(clip))
        key = digests.digest_of(self.key, [d.key() for d in own])
        return replace(self, doubts=own, key=key) if own else self


class SessionTables:
    """The tables of a session, made of what is known of its clips.

    Parameters
    ----------
    session : Session
        The folder; its runs and corrections are read.
    overlay : Overlay
        What is marked.
    report : SessionReport
        Gets the rows of the summary and what the user should know.
    answers : callable
        Gives what people said of readings, see `doubted_digits.doubts_in`.

    Raises
    ------
    TableError
        If ``runs.csv`` or ``corrections.csv`` is wrong.
    """

    def __init__(
        self,
        session: Session,
        overlay: Overlay,
        report: SessionReport,
        answers: Callable[[], Answers],
    ) -> None:
        self.session, self.overlay, self.report, self.answers = session, overlay, report, answers
        self.runs, self.corrections = session.runs(), session.corrections()
        report.warnings += session.run_warnings(self.runs)

    def of(self, clip: str, known: ClipState) -> ClipTable:
        """Return one clip's table."""
        own = tuple(c for c in self.corrections if c.clip == clip)
        read = digests.file_digest(cache.state_path(self.session, clip))
        commas = [True] if wants_commas(self.session.summary_path) else []
        key = digests.digest_of(clip_tables.TABLES_VERSION, read, self.overlay.fields, own, *commas)
        return ClipTable(known, self.overlay, own, key)

    def write_first(self, clip: str, table: ClipTable) -> None:
        """Write the readings of a clip that was just read; `write` does when all is known."""
        path = self.session.state / TABLES
        entries = read_json(path)
        if entries.pop(clip, None):
            write_json(path, entries)
        clip_tables.write_readings(self.session.readings_path(clip), table.made.series)

    def said(self, clip: str, known: Mapping[str, ClipState], table: ClipTable) -> str:
        """Say what a clip that was just read shows, by the runs as ``runs.csv`` has them now.

        Parameters
        ----------
        clip : str
            The clip.
        known : mapping
            What is known of all clips by now; a run is said when its last file is there.
        table : ClipTable
            The clip's own.
        """
        self.look_again()
        own = [r for r in self.runs if clip in r.clips and r.counts and {*r.clips} <= {*known}]
        sentences = []
        for run in own:
            parts = [table if c == clip else self.of(c, known[c]) for c in run.clips]
            sentences += [clip_tables.row_sentence(row) for row in self._rows(run, parts)]
        return " · ".join(sentences)

    def _rows(self, run: Run, parts: Sequence[ClipTable]) -> list[dict[str, Any]]:
        states, series = [t.known for t in parts], [t.made.series for t in parts]
        return clip_tables.run_rows(run, states, series, self.overlay.fields)

    def look_again(self) -> None:
        """Take the runs as they are by now; those before where the table is wrong at the moment."""
        with suppress(TableError):
            self.runs = self.session.runs()

    def write(self, known: Mapping[str, ClipState]) -> None:
        """Write the readings of every clip whose table is not up to date, and the summary.

        Raises
        ------
        StorageError
            If a table cannot be written.
        """
        session, report = self.session, self.report
        self.look_again()
        path = session.state / TABLES
        before, now = read_json(path), {}
        tables = {clip: self.of(clip, one) for clip, one in known.items()}
        numbers = {c: _numbers(table, before.get(c, {})) for c, table in tables.items()}
        read = {
            clip: {name: Numbers.from_json(**one) for name, one in own["by_field"].items()}
            for clip, own in numbers.items()
        }
        doubts = doubted_digits.doubts_in(read, self.corrections, self.answers)
        tables = {clip: table.doubted(clip, doubts) for clip, table in tables.items()}
        for clip, table in tables.items():
            entry = before.get(clip, {})
            if entry.get("key") != table.key or not session.readings_path(clip).exists():
                clip_tables.write_readings(session.readings_path(clip), table.made.series)
                entry = _entry(table)
            now[clip] = entry = {**entry, "numbers": numbers[clip]}
            report.warnings += [
                f"corrections.csv: {clip} has no reading of {name} near {time_s:g} s; kept, not "
                "used"
                for name, time_s in entry["unmatched"]
            ]
            report.warnings += [f"corrections.csv: {one}" for one in entry["outside"]]
        if now != before:
            write_json(path, now)
        for i, clip_report in enumerate(report.clips):
            if clip_report.clip in now and clip_report.outcome == "kept":
                notes = tuple(now[clip_report.clip]["notes"])
                report.clips[i] = replace(clip_report, notes=notes)
        self._say_doubts(doubts, now)
        report.warnings += [
            f"corrections.csv names {clip}, which is not in the folder"
            for clip in sorted({c.clip for c in self.corrections} - set(session.clips))
        ]
        self._summarise(tables)

    def _say_doubts(
        self, doubts: Sequence[Doubt], entries: Mapping[str, Mapping[str, Any]]
    ) -> None:
        left_out = {
            d: sum(e["left_out"].get(d.field, 0) for clip, e in entries.items() if d.concerns(clip))
            for d in doubts
        }
        # Where each reading in question was put right by hand, nothing is in doubt any more.
        standing = [replace(d, left_out=n) for d, n in left_out.items() if n or not d.digit.read_as]
        doubted_digits.save(self.session, standing)
        self.report.warnings[:0] = [d.sentence for d in standing]

    def _summarise(self, tables: Mapping[str, ClipTable]) -> None:
        """Write ``summary.csv``; rows whose run did not change are taken from the last time."""
        path, fields, report = self.session.state / "summary.json", self.overlay.fields, self.report
        before, now = read_json(path), {}
        report.warnings += [direction_question(f.name) for f in fields if not f.direction]
        for run in self.runs:
            parts = [tables[c] for c in run.clips if c in tables]
            if len(parts) < len(run.clips) or not run.counts:
                continue
            key = digests.digest_of(run, [t.key for t in parts], fields, summary_columns())
            now[key] = before.get(key) or self._rows(run, parts)
            report.rows += now[key]
        if now != before or not self.session.summary_path.exists():
            write_table(self.session.summary_path, summary_columns(), report.rows)
            write_json(path, now)


def _entry(table: ClipTable) -> dict[str, Any]:
    """Return what is remembered of a table that was written."""
    made = table.made
    return {
        "key": table.key,
        "notes": list(made.notes),
        "unmatched": [[c.field, c.time_s] for c in made.unmatched],
        "outside": list(made.outside),
        "left_out": dict(made.left_out),
    }


def _numbers(table: ClipTable, entry: Mapping[str, Any]) -> dict[str, Any]:
    """Return a clip's separate numbers as JSON, from the last time where nothing has changed."""
    known: dict[str, Any] = entry.get("numbers", {})
    if known.get("key") == table.key:
        return known
    made = {name: n.as_json() for name, n in table.made.numbers.items()}
    return {"key": table.key, "by_field": made}
