"""``extractor watch``."""

from __future__ import annotations

import time
from pathlib import Path

from extractor.commands.screen import Bars, note, report_problems, say, warn
from extractor.errors import ExtractorError, UsageError


def watch(
    session: Path, every: float = 2.0, settle: float = 3.0, reader: str = "network", jobs: int = 0
) -> None:
    """Watch the folder and read each clip as it lands; Ctrl-C ends it.

    A clip is taken when it has stopped growing and its container is complete. A line says what it
    shows, another how the antennas stand, anew when runs.csv changes. With looks in the plan it
    says at each whether you can stop.
    """
    from extractor import pipeline
    from extractor.reading.clip_job import ReadOptions
    from extractor.session.folder import Session
    from extractor.video.arrivals import Watch

    watcher = Watch(session, settle_s=settle)
    options = ReadOptions(reader=reader, jobs=jobs)
    Session(session).overlay()
    note(f"watching {session}; Ctrl-C ends it")
    plan = 0
    while True:
        try:
            ready = watcher.ready()
        except UsageError as gone:
            warn(f"{gone}; waiting for it")
            ready = []
        if ready:
            try:
                opened = Session(session)
                with Bars(say) as bars:
                    report = pipeline.read_session(opened, options, only=ready, watcher=bars)
            except UsageError as vanished:
                warn(str(vanished))  # a clip that went away meanwhile
                continue
            report_problems(report)
        runs = Session(session).runs_path if session.is_dir() else session
        seen = runs.stat().st_mtime_ns if runs.is_file() else 0
        if seen and (ready or seen != plan):
            for line in _look(session) or _standing(session):
                say(line)
            # What was said of the plan as it lay before the look.
            plan = seen
        time.sleep(every)


def _standing(session: Path) -> list[str]:
    """Return how the antennas stand by now, in one sentence; nothing as long as they can't."""
    from extractor import pipeline
    from extractor.session.folder import Session

    try:
        pipeline.summarise_session(Session(session))
        found = pipeline.compare_sessions([session]).findings
    except ExtractorError:
        return []  # one antenna, or none named yet
    return [f"So far: {found[0].sentence}"] if found else []


def _look(session: Path) -> list[str]:
    """Return what the look that is due says; nothing without looks in the plan."""
    from extractor import pipeline
    from extractor.comparison.looks import planned_looks
    from extractor.session.csv_tables import read_table
    from extractor.session.folder import Session
    from extractor.video import recording_order

    folder = Session(session)
    try:
        looks = planned_looks(read_table(folder.runs_path))
        if not looks:
            return []
        try:
            open_ = recording_order.match(folder)
        except UsageError:
            pass  # every clip has its run
        else:
            whole = not open_.questions
            return ["The clips of a look are all here: extractor match"] if whole else []
        pipeline.summarise_session(folder)
        found = pipeline.compare_sessions([session])
    except ExtractorError as error:
        return [str(error)]
    due = found.ranking["mountings"].min() in looks
    return [f.sentence for f in found.findings if f.kind == "looks" and due]
