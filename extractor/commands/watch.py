"""``extractor watch``."""

from __future__ import annotations

import time
from typing import Annotated

import typer

from extractor.commands.options import Jobs, ReaderName, SessionFolder
from extractor.commands.screen import Bars, note, report_problems, summary_table, warn
from extractor.errors import UsageError


def watch(
    session: SessionFolder,
    every: Annotated[
        float, typer.Option(min=0.1, help="Look at the folder so often, seconds.")
    ] = 2.0,
    settle: Annotated[
        float, typer.Option(min=0.0, help="A clip must have stopped growing for so long, s.")
    ] = 3.0,
    reader: ReaderName = "network",
    jobs: Jobs = 0,
) -> None:
    """Watch the folder and read each clip as it lands; Ctrl-C ends it.

    A clip is taken when it has stopped growing and its container is complete.
    """
    from extractor import pipeline
    from extractor.reading.clip_job import ReadOptions
    from extractor.session.folder import Session
    from extractor.video.arrivals import Watch

    watcher = Watch(session, settle_s=settle)
    options = ReadOptions(reader=reader, jobs=jobs)
    Session(session).overlay()
    note(f"watching {session}; Ctrl-C ends it")
    while True:
        try:
            ready = watcher.ready()
        except UsageError as gone:
            warn(f"{gone}; waiting for it")
            ready = []
        if ready:
            try:
                with Bars() as bars:
                    report = pipeline.read_session(
                        Session(session), options, only=ready, watcher=bars
                    )
            except UsageError as vanished:
                warn(str(vanished))  # a clip that went away meanwhile
                continue
            new = [row for row in report.rows if set(str(row["clip"]).split(";")) & set(ready)]
            summary_table(new)
            report_problems(report)
        time.sleep(every)
