"""What is remembered while the page is open: pictures, tables, the reader, work in progress."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from flask import current_app

from extractor import pipeline
from extractor.errors import ClipError, ExtractorError, SessionBusyError, UsageError
from extractor.page.background import Task
from extractor.page.frame_cache import Crops, Frames, Probes, Recent, Sign, sign_of
from extractor.reading import cache, readers
from extractor.reading.cache import ClipState
from extractor.reading.clip_job import ReadOptions
from extractor.reading.readers.base import Line, Reader
from extractor.reading.session_clips import SessionReport
from extractor.session import digests
from extractor.session.folder import Session
from extractor.session.overlay import Field
from extractor.tabulation import clip_tables, doubted_digits
from extractor.video.clips import Clip
from extractor.video.crops import Crop

#: Edits often come in a row; the summary waits for the last of them.
REFRESH_AFTER_S = 0.6
STOP_WITHIN_S = 5.0


class UnknownNameError(UsageError):
    """The page asked for a clip, field or file that is not in the session."""


class Desk:
    """One session on the page.

    Parameters
    ----------
    root : Path
        The session folder.
    options : ReadOptions
        How to read.
    """

    def __init__(self, root: Path, options: ReadOptions | None = None) -> None:
        self.root = root
        self.options = options or ReadOptions()
        self._lock = threading.RLock()
        self.probes, self.frames, self.crops = Probes(), Frames(), Crops()
        self._tasks: dict[str, Task] = {}
        self._series: Recent[clip_tables.ClipSeries] = Recent(200)
        self._reader: Reader | None = None
        self._reading = threading.Lock()
        self._tables = threading.Lock()
        self._timer: threading.Timer | None = None
        self.problems: list[str] = []
        """What went wrong when the tables were last made anew."""

    def session(self) -> Session:
        """Return the folder as it is now."""
        return Session(self.root)

    def find(self, name: object) -> tuple[Session, str]:
        """Return the session and the clip of that name.

        No name from outside becomes a path: it must be one of those found in the folder.

        Raises
        ------
        UnknownNameError
            If there is no such clip.
        """
        session = self.session()
        if not isinstance(name, str) or name not in session.clips:
            raise UnknownNameError("no such clip in this session")
        return session, name

    def probe(self, session: Session, name: str) -> Clip:
        """Return a clip's header; see `Probes.now`."""
        return self.probes.now(session.path(name))

    def field(self, session: Session, name: object) -> Field:
        """Return the marked field of that name.

        Raises
        ------
        UnknownNameError
            If there is none.
        """
        for item in session.fields():
            if item.name == name:
                return item
        raise UnknownNameError("no such number is marked in this session")

    def known(self, session: Session, name: str) -> ClipState | None:
        """Return what was read of a clip."""
        try:
            return _loaded(sign_of(cache.state_path(session, name)))
        except ClipError:
            return None

    def series(
        self, session: Session, name: str, fields: Sequence[Field]
    ) -> clip_tables.ClipSeries | None:
        """Return a clip's flagged series, corrections not applied; None where not read."""
        known = self.known(session, name)
        own = [f for f in fields if known is not None and f.name in known.fields]
        if known is None or not own:
            return None
        doubts = [d for d in doubted_digits.load(session) if d.concerns(name)]
        key = (name, id(known), digests.digest_of(own, [d.key() for d in doubts]))
        found = self._series.get(key)
        if found is None:
            found = clip_tables.clip_series(known, own, (), doubts)
            self._series.put(key, found)
        return found

    def is_stale(self, known: ClipState, item: Field) -> bool:
        """Tell whether a clip was read with another mark than the one that stands now."""
        return known.marks.get(item.name) != cache.places_of(item)

    def read(self, crops: Sequence[Crop]) -> tuple[list[Line], float]:
        """Read crops with the session's reader; return lines and the gate.

        Raises
        ------
        ReaderUnavailableError
            If the reader cannot run.
        """
        with self._reading:  # a reader belongs to one thread at a time
            if self._reader is None:
                self._reader = self.reader()
            return self._reader.read(crops), self._reader.gate

    def reader(self) -> Reader:
        """Return a reader of its own for longer work."""
        return readers.create(self.options.reader)

    def task(self, kind: str) -> Task | None:
        """Return the work of that kind begun last."""
        return self._tasks.get(kind)

    def begin(self, kind: str, work: Callable[[Task], Any], *, lengths: bool = False) -> Task:
        """Begin a piece of work unless one of that kind still runs.

        Raises
        ------
        UsageError
            If one does.
        """
        with self._lock:
            before = self._tasks.get(kind)
            if before is not None and before.running:
                raise UsageError("that is already being done")
            task = Task(kind, work, self.lengths_s() if lengths else None)
            self._tasks[kind] = task
            return task

    def read_clips(self, *, again: bool) -> Task:
        """Begin to read what is new or changed.

        Raises
        ------
        UsageError
            If reading is going on already.
        """
        options = replace(self.options, again=again)

        def work(task: Task) -> SessionReport:
            try:
                with self._tables:
                    return pipeline.read_session(self.session(), options, watcher=task)
            finally:
                self.refresh_soon()  # corrections made while it read

        return self.begin("read", work, lengths=True)

    def refresh_soon(self) -> None:
        """Have the tables made anew shortly: runs, limits or corrections have changed."""
        with self._lock:
            if self._timer is not None:
                self._timer.cancel()
            self._timer = threading.Timer(REFRESH_AFTER_S, self._refresh)
            self._timer.daemon = True
            self._timer.start()

    def _refresh(self) -> None:
        task = self._tasks.get("read")
        if task is not None and task.running:
            self.refresh_soon()
            return
        session = self.session()
        if not session.overlay_path.exists() or not (session.state / "clips").is_dir():
            return
        try:
            with self._tables:
                pipeline.summarise_session(session)
            self.problems = []
        except SessionBusyError:
            self.refresh_soon()  # a command in a terminal is at work
        except ExtractorError as error:
            self.problems = [str(error)]

    def lengths_s(self) -> Mapping[str, float | None]:
        """Return about how long each clip is, where that is known by now."""
        session = self.session()
        found: dict[str, float | None] = {}
        for name in session.clips:
            probed = self.probes.soon(session.path(name))
            found[name] = probed.length_s if isinstance(probed, Clip) else None
        return found

    def close(self) -> None:
        """Stop what still runs."""
        with self._lock:
            if self._timer is not None:
                self._timer.cancel()
        for task in self._tasks.values():
            task.cancel()
        # Worker processes must not outlive the page, nor an encoder its interpreter.
        for task in self._tasks.values():
            task.join(STOP_WITHIN_S)


@lru_cache(maxsize=200)
def _loaded(sign: Sign) -> ClipState | None:
    return cache.load(Path(sign[0]))


def desk() -> Desk:
    """Return the desk of the session whose page asks; only while a request is answered.

    Raises
    ------
    UnknownNameError
        On the start page.
    """
    found: Desk | None = current_app.extensions["desk"]
    if found is None:
        raise UnknownNameError("no session is open on this page")
    return found


def plain(value: Any) -> Any:
    """Return a value as JSON can hold it: NaN and infinities become None, arrays lists."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    return value
