"""The stages in their order: read this file first.

    clips -> frames -> crops -> readings -> series -> flagged series -> clip statistics
    clip statistics -> comparison -> report

`read_session` does the first line for a session folder: worker processes read the clips that are
new or changed (`reading.clip_job`), their readings become flagged tables
(`tabulation.clip_tables`), the tables become the summary (`tabulation.session_tables`). One clip
that fails does not stop the others. `compare_sessions` does the second line; what shows its
outcome stands in ``report/``.

Where to change what: a dash or any other text, `reading.number_parsing.interpret`; a new reader,
`reading.readers.create`; a colour, `report.theme`. ``DEVELOPERS.md`` follows
one reading from the clip to the report, file by file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from extractor.errors import ChangedMeanwhileError, StorageError, UsageError
from extractor.reading import session_clips
from extractor.reading.cache import ClipState
from extractor.reading.clip_job import ReadOptions
from extractor.reading.session_clips import SessionReport, Silent, Watcher, read_report
from extractor.review.checked import answers_in
from extractor.session import atomic, dropping
from extractor.session.folder import Session
from extractor.session.user_tables import Run
from extractor.tabulation import clip_tables, doubted_digits
from extractor.tabulation.doubted_digits import doubts_in
from extractor.tabulation.session_tables import SessionTables

if TYPE_CHECKING:
    from extractor.comparison.carried import Carried
    from extractor.comparison.compare import Comparison
    from extractor.comparison.loading import RunTable
    from extractor.radio.calibration_findings import CalibrationReport
    from extractor.statistics.missing_digits import Numbers

#: Half-written files of the user's own are another process's at work, unless older than this.
LEFTOVER_S = 60.0
#: Digits that never show are looked for after each clip up to this many, and at the end.
SAID_AT_ONCE = 40
#: A clip counts as readable in the quick look when this share of its keyframes is.
READABLE_SHARE = 0.8


def read_session(
    session: Session,
    options: ReadOptions | None = None,
    *,
    only: Sequence[str] = (),
    watcher: Watcher | None = None,
) -> SessionReport:
    """Read, clean and summarise a session's clips and write its tables.

    Parameters
    ----------
    session : Session
        The folder.
    options : ReadOptions, optional
        How to read; with `quick` keyframes alone are looked at and nothing is written.
    only : sequence of str
        Names of clips to read; the summary still holds all that is known.
    watcher : Watcher, optional
        Is told of progress.

    Raises
    ------
    UsageError, SessionFileError, ReaderUnavailableError, StorageError, SessionBusyError
        If nothing at all can be done. A clip that fails is in the report instead.

    Examples
    --------
    >>> from extractor import Session, read_session
    >>> report = read_session(Session("sample_clips"))
    >>> len(report.clips), report.failed
    (16, [])
    """
    session.require_clips()
    options, watcher = options or ReadOptions(), watcher or Silent()
    if options.quick:
        return _look(session, options, only, watcher)
    with session.working():
        return _read_session(session, options, only, watcher)


def _read_session(
    session: Session, options: ReadOptions, only: Sequence[str], watcher: Watcher
) -> SessionReport:
    chosen, overlay, report = session.choose(only), session.overlay(), SessionReport()
    _draft(session, report)
    tables = SessionTables(session, overlay, report, partial(answers_in, session))
    _clean_up(session)
    tables.write(_read_clips(tables, chosen, options, watcher))
    return report


def _clean_up(session: Session) -> None:
    """Remove what a killed run left half-written."""
    own = (session.results, session.state, session.state / "clips", session.readings_folder)
    for folder in own:
        atomic.clean_up(folder)
    for name in ("overlay.toml", "session.toml", "runs.csv", "corrections.csv"):
        atomic.clean_up(session.root, name, older_than_s=LEFTOVER_S)
    atomic.clean_up(session.pictures, older_than_s=LEFTOVER_S)
    atomic.clean_up(session.root, f"*{dropping.MARK}", dropping.GIVEN_UP_S)


def _draft(session: Session, report: SessionReport) -> None:
    """Draft ``runs.csv``; where that fails the clips are read all the same."""
    from extractor.video import runs_draft

    try:
        report.drafted = runs_draft.draft(session)
    except (ChangedMeanwhileError, StorageError) as error:
        report.warnings.append(str(error))


def _read_clips(
    tables: SessionTables, chosen: Sequence[str], options: ReadOptions, watcher: Watcher
) -> dict[str, ClipState]:
    """Return what is known of each clip, having read those that are new or changed."""
    session, overlay, report = tables.session, tables.overlay, tables.report
    found: dict[str, ClipState] = {}
    waiting = []
    for job in session_clips.jobs_of(session, overlay, chosen, options):
        known = None if options.again else session_clips.up_to_date(session, job)
        if known is None:
            waiting.append(job)
        else:
            found[job.clip] = known
            report.clips.append(read_report(job.clip, known, (), "kept"))
    # Not asked for now: what is known of them stays in the summary.
    found |= session_clips.remembered(session, overlay, set(session.measured) - set(chosen))
    numbers: dict[str, Mapping[str, Numbers]] = {}
    for clip, known in session_clips.read_all(waiting, options, watcher, report, session):
        found[clip] = known
        # Written at once: what is finished stays finished, whatever happens next.
        table = tables.of(clip, known)
        numbers[clip] = table.made.numbers
        # Said while it reads; what no longer stands goes when all is known.
        at_once = len(numbers) <= SAID_AT_ONCE
        doubts = doubts_in(numbers, tables.corrections, tables.answers) if at_once else []
        if doubts:
            doubted_digits.save(session, doubts)
        tables.write_first(clip, table)
        entry = read_report(clip, known, table.made.notes)
        report.note(replace(entry, said=tables.said(clip, found, table)), watcher)
    return {clip: found[clip] for clip in session.clips if clip in found}


def summarise_session(session: Session) -> SessionReport:
    """Make the tables anew from what was read before; no clip is opened.

    For changes that matter after the reading: corrections, runs, limits.

    Raises
    ------
    SessionFileError, StorageError, SessionBusyError
        If a file of the session is wrong or a table cannot be written.

    Examples
    --------
    >>> from extractor import Session, summarise_session
    >>> report = summarise_session(Session("sample_clips"))
    >>> first = report.rows[0]
    >>> first["run"], first["field"], round(first["mean"], 2)
    ('run01', 'bitrate', 26.53)
    """
    with session.working():
        overlay, report = session.overlay(), SessionReport()
        tables = SessionTables(session, overlay, report, partial(answers_in, session))
        tables.write(session_clips.remembered(session, overlay, session.measured))
    return report


def _look(
    session: Session, options: ReadOptions, only: Sequence[str], watcher: Watcher
) -> SessionReport:
    """Look at keyframes alone and summarise each clip; writes nothing."""
    chosen, overlay, report = session.choose(only), session.overlay(), SessionReport()
    jobs = session_clips.jobs_of(session, overlay, chosen, options)
    for clip, known in session_clips.read_all(jobs, options, watcher, report):
        series = clip_tables.clip_series(known, overlay.fields, ())
        report.note(read_report(clip, known, series.notes), watcher)
        run = Run(run=session.stems[clip], clips=(clip,))
        rows = clip_tables.run_rows(run, [known], [series.series], overlay.fields, steady=False)
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


def compare_sessions(
    paths: Sequence[str | Path],
    *,
    field: str | None = None,
    measure: str | None = None,
    factor: str = "antenna",
    reference: str | None = None,
    confidence: float = 0.95,
    pool: bool = False,
    equal_within: float | None = None,
    spread_from: Sequence[str | Path] = (),
) -> Comparison:
    """Compare the antennas of one or more sessions, or of tables made by hand.

    Steps of a calibration, angles of a sweep and clips that tell a cause are set apart; what the
    calibration says in decibels stands behind the other findings.

    Parameters
    ----------
    paths : sequence of str or Path
        Session folders whose clips were read, or CSV files with ``antenna`` and ``value``, a row
        a run, and where known ``port``, ``mounting``, ``session``, ``order`` and more.
    field : str, optional
        The number to compare by; the session's primary one when absent.
    measure : str, optional
        Column of the summary that stands for a run: mean, mean_with_outages, median, p25, p05 or
        availability (in percent). Left out: the mean, or, where the link's ceiling cuts clips,
        the median or p25.
    factor : str
        Column of ``runs.csv`` whose levels are compared.
    reference : str, optional
        Compare every antenna with this one alone.
    confidence : float
        Of all statements about pairs together, 0.5 to 0.999.
    pool : bool
        Pool runs that differ in rate mode, power, channel or width.
    equal_within : float, optional
        Difference, in the field's unit, up to which two antennas count as equal.
    spread_from : sequence of str or Path
        Other sessions or tables; what they know of the spread between mountings counts too.

    Raises
    ------
    UsageError
        If an option does not fit the sessions, or they share no antenna.
    TableError
        If a file cannot be understood.

    Examples
    --------
    >>> from extractor import compare_sessions
    >>> comparison = compare_sessions(["sample_clips"])
    >>> comparison.ranking["antenna"].tolist()
    ['Slab', 'Fan', 'Coil', 'Stub']
    """
    from extractor.comparison.compare import compare_table
    from extractor.comparison.lost_links import events_in
    from extractor.radio.aims import session_aims
    from extractor.radio.two_scales import scale_findings

    table, straight, report = _set_apart(paths, field, measure, factor, confidence)
    lending = [Path(p) for p in spread_from]
    if {p.resolve() for p in lending} & {Path(p).resolve() for p in paths}:
        raise UsageError("a session can't lend its spread to itself; give earlier ones")
    compared = compare_table(
        straight,
        reference=reference,
        confidence=confidence,
        pool=pool,
        equal_within=equal_within,
        carried=earlier_spread(lending, straight.field, measure, factor) if lending else None,
        also=[*(report.findings if report else ()), *session_aims(paths, table, report)],
    )
    found = [*scale_findings(compared, report), *compared.findings, *events_in(paths, compared)]
    return replace(compared, findings=tuple(sorted(found, key=lambda f: f.part != "verdict")))


def earlier_spread(
    paths: Sequence[Path],
    field: str | None = None,
    measure: str | None = None,
    factor: str = "antenna",
) -> Carried:
    """Return the spread between mountings that earlier sessions show, as they are compared.

    See `compare_sessions` for parameters; raises `UsageError` where no antenna was mounted twice.
    """
    from extractor.comparison.carried import carried_spread

    return carried_spread(_set_apart(paths, field, measure, factor)[1])


def _set_apart(
    paths: Sequence[str | Path],
    field: str | None,
    measure: str | None,
    factor: str,
    confidence: float = 0.95,
) -> tuple[RunTable, RunTable, CalibrationReport | None]:
    """Return all runs, those that can be compared with each other, and what dB say of all."""
    from extractor.comparison.loading import load_sessions
    from extractor.radio.calibration_findings import set_apart
    from extractor.radio.causes import clips_that_tell

    table = load_sessions([Path(p) for p in paths], field, measure, factor)
    table = replace(table, runs=clips_that_tell(table.runs)[0])
    return (table, *set_apart(table, confidence))
