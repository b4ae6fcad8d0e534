"""The clips of a session: which have to be read, reading them, and what became of each."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol

from extractor.errors import ClipError
from extractor.reading import cache, dask_cluster, process_pool, readers
from extractor.reading.cache import ClipState
from extractor.reading.clip_job import ClipJob, ReadOptions, read_clip_job
from extractor.session.folder import Session
from extractor.session.overlay import Overlay


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
    said: str = ""
    """What it shows: the level of each number in its run, and what was not read most."""


@dataclass(slots=True)
class SessionReport:
    """What became of the session."""

    clips: list[ClipReport] = field(default_factory=list)
    rows: list[dict[str, Any]] = field(default_factory=list)
    """Rows of ``summary.csv``."""
    warnings: list[str] = field(default_factory=list)
    drafted: str = ""
    """What was drafted into ``runs.csv``, and what is left to fill."""

    def note(self, entry: ClipReport, watcher: Watcher) -> None:
        """Put down what became of one clip, and tell it."""
        self.clips.append(entry)
        watcher.ended(entry)

    @property
    def failed(self) -> list[ClipReport]:
        """Return the clips that gave no readings."""
        return [c for c in self.clips if c.outcome == "failed"]


class Watcher(Protocol):
    """Is told what happens while it happens; calls come in the caller's own process."""

    def started(self, jobs: Sequence[ClipJob]) -> None:
        """Hear which clips are going to be read."""
        return

    def progress(self, clip: str, seconds: float) -> None:
        """Hear how much of a clip is done."""
        return

    def ended(self, report: ClipReport) -> None:
        """Hear that one clip is done or has failed."""
        return


class Silent(Watcher):
    """A `Watcher` that does nothing."""


def jobs_of(
    session: Session, overlay: Overlay, chosen: Sequence[str], options: ReadOptions
) -> list[ClipJob]:
    """Return one job a clip, all asking the same: the fields, where they stand, the reader."""
    from extractor.reading.box_tightening import tight_shares

    reader = readers.create(options.reader)
    tight = tight_shares(session, overlay, reader)
    named = f"{reader.name} {reader.version()}"
    taught = readers.lessons(options.reader, session.glyphs_path)
    if taught.lessons:
        named = f"{reader.name}+glyphs {reader.version()}/{taught.digest()}"
    crosscheck = options.crosscheck_of(reader.name)
    asked = cache.asked_digest(
        overlay.fields, tight, named, options.rate_hz, crosscheck, options.exact
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


def remembered(session: Session, overlay: Overlay, names: Iterable[str]) -> dict[str, ClipState]:
    """Return what was read of these clips for all fields, whether or not it is up to date."""
    fields = {f.name for f in overlay.fields}
    states = {clip: cache.load(cache.state_path(session, clip)) for clip in names}
    return {c: s for c, s in states.items() if s is not None and fields <= set(s.fields)}


def up_to_date(session: Session, job: ClipJob) -> ClipState | None:
    """Return what is known of a clip, if neither it nor the question has changed since."""
    known = cache.load(cache.state_path(session, job.clip))
    if known is None or known.stalled or known.asked_digest != job.asked:
        return None
    try:
        return known if known.clip_digest == cache.clip_digest(job.path) else None
    except ClipError:
        return None


def read_all(
    jobs: Sequence[ClipJob],
    options: ReadOptions,
    watcher: Watcher,
    report: SessionReport,
    session: Session | None = None,
) -> Iterator[tuple[str, ClipState]]:
    """Do the jobs and yield ``(clip, state)``; those that fail go to the report."""
    watcher.started(jobs)
    count = options.jobs or os.cpu_count() or 1
    if jobs:
        # Missed here, in the caller's own process, not in the workers clip by clip.
        import cv2  # noqa: F401
    if count > 1:
        # The longest first: no worker is left with one while the others have nothing to do.
        jobs = sorted(jobs, key=lambda job: -job.path.stat().st_size if job.path.exists() else 0)
    if options.scheduler:
        outcomes = dask_cluster.run(jobs, read_clip_job, options.scheduler, watcher.progress)
    else:
        outcomes = process_pool.run(jobs, read_clip_job, count, watcher.progress)
    for job, known, error in outcomes:
        if known is not None:
            yield job.clip, known
            continue
        if not isinstance(error, ClipError):
            raise error or AssertionError("a job ended without result and without error")
        if session is not None:
            # Readings of what the clip was before would look like readings of what it is now.
            cache.state_path(session, job.clip).unlink(missing_ok=True)
            session.readings_path(job.clip).unlink(missing_ok=True)
        report.note(ClipReport(job.clip, "failed", str(error)), watcher)


def read_report(
    clip: str, known: ClipState, notes: tuple[str, ...], outcome: Literal["read", "kept"] = "read"
) -> ClipReport:
    """Return the report of a clip that was read."""
    return ClipReport(clip, outcome, known.note, known.complete, known.undecodable, notes)


def damage(complete: str, why: str, undecodable: int) -> list[str]:
    """Say what of a clip is missing, a sentence each.

    Parameters
    ----------
    complete : str
        Whether it was recorded to its end: yes, no, unknown.
    why : str
        Why it could not be read to its end; may be empty.
    undecodable : int
        Damaged packets and frames.
    """
    found = []
    if complete == "no":
        reason = f" ({why})" if why else ""
        found.append(f"the recording was cut off{reason}; read to where it ends")
    if undecodable:
        found.append(f"{undecodable} damaged packets or frames")
    return found
