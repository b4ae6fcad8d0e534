"""The stages in their order: read this file first.

    clips -> frames -> crops -> readings -> series -> flagged series -> clip statistics

`read_session` does all of it for a session folder: a worker reads a clip (`jobs.read_clip_job`),
its readings become a flagged table (`tabulating`), the tables become the summary. What was read
before and has not changed is taken from ``results/.state/``; one clip that fails does not stop
the others. Comparison and report start from the summary.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Protocol

from extractor import tabulation
from extractor.errors import ChangedMeanwhileError, ClipError, StorageError
from extractor.reading import cache, dask_cluster, process_pool, readers
from extractor.reading.cache import ClipState
from extractor.reading.clip_job import ClipJob, Options, read_clip_job
from extractor.results import summary_columns
from extractor.session import atomic, digests
from extractor.session.atomic import read_json, write_json
from extractor.session.csv_tables import format_table
from extractor.session.folder import Correction, Run, Session
from extractor.session.overlay import Overlay, direction_question

if TYPE_CHECKING:
    from extractor.comparison import Comparison

#: Half-written files of the user's own are another process's at work, unless older than this.
LEFTOVER_S = 60.0
#: A clip counts as readable in the quick look when this share of its keyframes is.
READABLE_SHARE = 0.8


@dataclass(frozen=True, slots=True)
class ClipReport:
    """What became of one clip."""

    clip: str
    outcome: Literal["read", "kept", "failed"]
    """kept: nothing had changed since the last time."""
    message: str = ""
    """Why it failed, or why it could not be read to its end."""
    complete: str = ""
    """yes, no, unknown; empty where it failed."""
    undecodable: int = 0
    """Damaged packets and frames."""
    notes: tuple[str, ...] = ()


@dataclass(slots=True)
class SessionReport:
    """What became of the session."""

    clips: list[ClipReport] = field(default_factory=list)
    rows: list[dict[str, Any]] = field(default_factory=list)
    """Rows of ``summary.csv``."""
    warnings: list[str] = field(default_factory=list)
    drafted: str = ""
    """What was drafted into ``runs.csv``, and what is left to fill."""

    @property
    def failed(self) -> list[ClipReport]:
        """Return the clips that gave no readings."""
        return [c for c in self.clips if c.outcome == "failed"]


class Watcher(Protocol):
    """Is told what happens while it happens; calls come in the caller's own process."""

    def started(self, jobs: Sequence[ClipJob]) -> None:
        """Hear which clips are going to be read."""

    def progress(self, clip: str, seconds: float) -> None:
        """Hear how much of a clip is done."""

    def ended(self, report: ClipReport) -> None:
        """Hear that one clip is done or has failed."""


class Silent:
    """A `Watcher` that does nothing."""

    def started(self, jobs: Sequence[ClipJob]) -> None:
        """Do nothing."""

    def progress(self, clip: str, seconds: float) -> None:
        """Do nothing."""

    def ended(self, report: ClipReport) -> None:
        """Do nothing."""


@dataclass(slots=True)
class ClipTable:
    """One clip's flagged series, made when first asked for."""

    known: ClipState
    overlay: Overlay
    corrections: tuple[Correction, ...]
    """Those of this clip."""
    key: str
    """Changes whenever the table may."""
    _made: tabulation.ClipSeries | None = None

    def made(self) -> tabulation.ClipSeries:
        """Return the series with flags and corrections."""
        if self._made is None:
            self._made = tabulation.clip_series(self.known, self.overlay.fields, self.corrections)
        return self._made


def read_session(
    session: Session,
    options: Options | None = None,
    *,
    only: Sequence[str] = (),
    watcher: Watcher | None = None,
) -> SessionReport:
    """Read, clean and summarise a session's clips and write its tables.

    Parameters
    ----------
    session : Session
        The folder.
    options : Options, optional
        How to read.
    only : sequence of str
        Names of clips to read; the summary still holds all that is known.
    watcher : Watcher, optional
        Is told of progress.

    Raises
    ------
    UsageError, SessionFileError, ReaderUnavailableError, StorageError, SessionBusyError
        If nothing at all can be done. A clip that fails is in the report instead.
    """
    session.require_clips()
    with session.working():
        return _read_session(session, options or Options(), only, watcher or Silent())


def _read_session(
    session: Session, options: Options, only: Sequence[str], watcher: Watcher
) -> SessionReport:
    chosen = session.choose(only)
    overlay = session.overlay()
    report = SessionReport()
    _draft(session, report)
    runs = session.runs()
    corrections = session.corrections()
    own = (session.results, session.state, session.state / "clips", session.readings_folder)
    for folder in own:
        atomic.clean_up(folder)
    for name in ("overlay.toml", "session.toml", "runs.csv", "corrections.csv"):
        atomic.clean_up(session.root, name, older_than_s=LEFTOVER_S)
    atomic.clean_up(session.pictures, older_than_s=LEFTOVER_S)
    report.warnings += session.run_warnings(runs)
    known = _read_clips(session, overlay, chosen, options, watcher, report)
    tables = _tabulate(session, overlay, known, corrections, report)
    _summarise(session, overlay, runs, tables, report)
    return report


def _draft(session: Session, report: SessionReport) -> None:
    """Draft ``runs.csv``; where that fails the clips are read all the same."""
    from extractor.video import runs_draft

    try:
        report.drafted = runs_draft.draft(session)
    except (ChangedMeanwhileError, StorageError) as error:
        report.warnings.append(str(error))


def summarise_session(session: Session) -> SessionReport:
    """Make the tables anew from what was read before; no clip is opened.

    For changes that matter after the reading: corrections, runs, limits.

    Raises
    ------
    SessionFileError, StorageError, SessionBusyError
        If a file of the session is wrong or a table cannot be written.
    """
    with session.working():
        overlay, runs, corrections = session.overlay(), session.runs(), session.corrections()
        report = SessionReport(warnings=session.run_warnings(runs))
        known = _remembered(session, overlay, session.clips)
        tables = _tabulate(session, overlay, known, corrections, report)
        _summarise(session, overlay, runs, tables, report)
    return report


def compare_sessions(
    paths: Sequence[Path],
    *,
    field: str | None = None,
    measure: str = "mean",
    factor: str = "antenna",
    reference: str | None = None,
    confidence: float = 0.95,
    pool: bool = False,
    assumed_spread: float | None = None,
) -> Comparison:
    """Compare the antennas of one or more sessions, or of tables made by hand.

    Steps of a calibration and angles of a sweep are set apart; what the calibration says in
    decibels stands behind the other findings. See `load_sessions` and `compare_table`.

    Raises
    ------
    UsageError
        If an option does not fit the sessions, or they share no antenna.
    TableError
        If a file cannot be understood.
    """
    from extractor.comparison import compare_table, load_sessions
    from extractor.radio.calibration_findings import set_apart

    table = load_sessions(paths, field, measure, factor)
    straight, in_decibels = set_apart(table, confidence)
    return compare_table(
        straight,
        reference=reference,
        confidence=confidence,
        pool=pool,
        assumed_spread=assumed_spread,
        also=in_decibels,
    )


def quick_session(
    session: Session,
    options: Options,
    *,
    only: Sequence[str] = (),
    watcher: Watcher | None = None,
) -> SessionReport:
    """Look at keyframes alone and summarise each clip; writes nothing.

    See `read_session` for parameters and errors.
    """
    watcher = watcher or Silent()
    chosen = session.choose(only)
    overlay = session.overlay()
    report = SessionReport()
    for clip, known in _work(_jobs(session, overlay, chosen, options), options, watcher, report):
        series = tabulation.clip_series(known, overlay.fields, ())
        _note(report, watcher, _success(clip, known, series.notes))
        run = Run(run=session.stems[clip], clips=(clip,))
        rows = tabulation.run_rows(run, [known], [series.series], overlay.fields, steady=False)
        report.rows += rows
    report.rows.sort(key=lambda row: str(row["run"]))
    return report


def quick_verdicts(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return one sentence a field that says whether the numbers can be read."""
    verdicts = []
    for name in dict.fromkeys(row["field"] for row in rows):
        own = [row for row in rows if row["field"] == name]
        poor = [str(row["run"]) for row in own if not row["coverage"] >= READABLE_SHARE]
        if poor:
            verdicts.append(
                f"{name}: readable in {len(own) - len(poor)} of {len(own)} clips; look at "
                f"{', '.join(poor)} (is the box right? is a number shown?)"
            )
        else:
            verdicts.append(f"{name}: readable in all {len(own)} clips")
    return verdicts


def _jobs(
    session: Session, overlay: Overlay, chosen: Sequence[str], options: Options
) -> list[ClipJob]:
    from extractor.reading.box_tightening import tight_shares

    reader = readers.create(options.reader)
    tight = tight_shares(session, overlay, reader)
    named = f"{reader.name} {reader.version()}"
    taught = readers.lessons(options.reader, session.glyphs_path)
    if taught.lessons:
        named = f"{reader.name}+glyphs {reader.version()}/{taught.digest()}"
    asked = cache.asked_digest(
        overlay.fields, tight, named, options.rate_hz, options.crosscheck_of(reader.name)
    )
    cores = os.cpu_count() or 1
    at_once = min(options.jobs or cores, len(chosen))
    return [
        ClipJob(
            clip=clip,
            path=session.path(clip),
            state_path=None if options.quick else cache.state_path(session, clip),
            fields=overlay.fields,
            tight=tight,
            reader=named,
            asked=asked,
            options=options,
            glyphs=session.glyphs_path if taught.lessons else None,
            # Cores that no other clip needs help to decode this one.
            threads=max(1, cores // max(1, at_once)),
        )
        for clip in chosen
    ]


def _read_clips(
    session: Session,
    overlay: Overlay,
    chosen: Sequence[str],
    options: Options,
    watcher: Watcher,
    report: SessionReport,
) -> dict[str, ClipState]:
    """Return what is known of each clip, having read those that are new or changed."""
    found: dict[str, ClipState] = {}
    waiting = []
    for job in _jobs(session, overlay, chosen, options):
        known = None if options.again else _known(session, job)
        if known is None:
            waiting.append(job)
        else:
            found[job.clip] = known
            report.clips.append(_success(job.clip, known, (), "kept"))
    # Not asked for now: what is known of them stays in the summary.
    found |= _remembered(session, overlay, set(session.clips) - set(chosen))
    corrections = session.corrections()
    for clip, known in _work(waiting, options, watcher, report, session):
        found[clip] = known
        # Written at once: what is finished stays finished, whatever happens next.
        table = _table(session, overlay, clip, known, corrections)
        tabulation.write_readings(session.readings_path(clip), table.made().series)
        _note(report, watcher, _success(clip, known, table.made().notes))
    return {clip: found[clip] for clip in session.clips if clip in found}


def _remembered(session: Session, overlay: Overlay, names: Iterable[str]) -> dict[str, ClipState]:
    """Return what was read of these clips for all fields, whether or not it is up to date."""
    fields = {f.name for f in overlay.fields}
    states = {clip: cache.load(cache.state_path(session, clip)) for clip in names}
    return {c: s for c, s in states.items() if s is not None and fields <= set(s.fields)}


def _work(
    jobs: Sequence[ClipJob],
    options: Options,
    watcher: Watcher,
    report: SessionReport,
    session: Session | None = None,
) -> Any:
    """Do the jobs and yield ``(clip, state)``; those that fail go to the report."""
    watcher.started(jobs)
    count = options.jobs or os.cpu_count() or 1
    way = None
    if options.scheduler:
        way = dask_cluster.on(options.scheduler)
    for job, known, error in process_pool.run(jobs, read_clip_job, count, watcher.progress, way):
        if known is not None:
            yield job.clip, known
            continue
        if not isinstance(error, ClipError):
            raise error or AssertionError("a job ended without result and without error")
        if session is not None:
            _forget(session, job.clip)
        _note(report, watcher, ClipReport(job.clip, "failed", str(error)))


def _known(session: Session, job: ClipJob) -> ClipState | None:
    known = cache.load(cache.state_path(session, job.clip))
    if known is None or known.stalled or known.asked_digest != job.asked:
        return None
    try:
        return known if known.clip_digest == cache.clip_digest(job.path) else None
    except ClipError:
        return None


def _forget(session: Session, clip: str) -> None:
    # Readings of what the clip was before would look like readings of what it is now.
    cache.state_path(session, clip).unlink(missing_ok=True)
    session.readings_path(clip).unlink(missing_ok=True)


def _success(
    clip: str,
    known: ClipState,
    notes: tuple[str, ...],
    outcome: Literal["read", "kept"] = "read",
) -> ClipReport:
    return ClipReport(clip, outcome, known.note, known.complete, known.undecodable, notes)


def _note(report: SessionReport, watcher: Watcher, entry: ClipReport) -> None:
    report.clips.append(entry)
    watcher.ended(entry)


def _table(
    session: Session,
    overlay: Overlay,
    clip: str,
    known: ClipState,
    corrections: Sequence[Correction],
) -> ClipTable:
    own = tuple(c for c in corrections if c.clip == clip)
    read = digests.file_digest(cache.state_path(session, clip))
    key = digests.digest_of(tabulation.TABLES_VERSION, read, overlay.fields, own)
    return ClipTable(known, overlay, own, key)


def _tabulate(
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
        table = tables[clip] = _table(session, overlay, clip, one, corrections)
        entry = before.get(clip, {})
        if entry.get("key") != table.key or not session.readings_path(clip).exists():
            tabulation.write_readings(session.readings_path(clip), table.made().series)
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
            notes = tuple(entries[one.clip]["notes"])
            report.clips[i] = ClipReport(
                one.clip, one.outcome, one.message, one.complete, one.undecodable, notes
            )


def _summarise(
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
        if len(parts) < len(run.clips):
            continue
        key = digests.digest_of(run, [t.key for t in parts], overlay.fields)
        now[key] = before.get(key) or tabulation.run_rows(
            run,
            [t.known for t in parts],
            [t.made().series for t in parts],
            overlay.fields,
        )
        report.rows += now[key]
    text = format_table(summary_columns(), report.rows)
    if now != before or not session.summary_path.exists():
        atomic.write_text(session.summary_path, text)
        write_json(path, now)
