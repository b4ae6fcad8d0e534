"""Long work beside the page: one thread a kind, progress to be asked for, cancelling."""

from __future__ import annotations

import sys
import threading
import time
import traceback
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from extractor.errors import ExtractorError
from extractor.reading.clip_job import ClipJob
from extractor.reading.session_clips import ClipReport


class CancelledError(Exception):
    """The user pressed cancel; raised where the work next says how far it is."""


class Task:
    """One piece of work in a thread of its own; also a `session_clips.Watcher`.

    Parameters
    ----------
    kind : str
        What it is, for the page.
    work : callable
        Called with the task; what it returns is kept in `result`.
    lengths_s : mapping
        About how long each clip is, for the time left.
    """

    def __init__(
        self,
        kind: str,
        work: Callable[[Task], Any],
        lengths_s: Mapping[str, float | None] | None = None,
    ) -> None:
        self.kind = kind
        self.state = "running"
        """running, done, failed, cancelled."""
        self.message = ""
        self.result: Any = None
        self.clips: dict[str, dict[str, Any]] = {}
        """By clip: state (waiting, reading, done, failed), seconds, message."""
        self._lengths_s = dict(lengths_s or {})
        self._cancelled = threading.Event()
        self._work = work
        self._began = time.monotonic()
        self._took_s: float | None = None
        self._thread = threading.Thread(target=self._run, name=f"page-{kind}", daemon=True)
        self._thread.start()

    @property
    def running(self) -> bool:
        """Tell whether it still works."""
        return self.state == "running"

    def cancel(self) -> None:
        """Ask it to stop; it does at its next word."""
        self._cancelled.set()

    def join(self, timeout_s: float) -> None:
        """Wait for its end."""
        self._thread.join(timeout_s)

    def check(self) -> None:
        """Raise `CancelledError` if the user wants it to stop."""
        if self._cancelled.is_set():
            raise CancelledError

    def _run(self) -> None:
        try:
            self.result = self._work(self)
            self._end("done")
        except CancelledError:
            self._end("cancelled", "Cancelled; clips that were finished stay finished.")
        except ExtractorError as error:
            self._end("failed", str(error))
        except Exception as error:
            traceback.print_exc(file=sys.stderr)
            self._end("failed", f"a fault in the program: {type(error).__name__}: {error}")

    def _end(self, state: str, message: str = "") -> None:
        for one in self.clips.values():
            if one["state"] in ("waiting", "reading"):
                one["state"] = "stopped"
        self._took_s = time.monotonic() - self._began
        self.message, self.state = message, state

    def started(self, jobs: Sequence[ClipJob]) -> None:
        """Hear which clips are going to be read."""
        self._began = time.monotonic()
        self.clips = {j.clip: {"state": "waiting", "seconds": 0.0, "message": ""} for j in jobs}
        self.check()

    def progress(self, clip: str, seconds: float) -> None:
        """Hear how much of a clip is done."""
        one = self.clips.setdefault(clip, {"message": ""})
        one.update(state="reading", seconds=seconds)
        self.check()

    def ended(self, report: ClipReport) -> None:
        """Hear that one clip is done or has failed."""
        failed = report.outcome == "failed"
        self.clips[report.clip] = {
            "state": "failed" if failed else "done",
            "seconds": self._lengths_s.get(report.clip) or 0.0,
            "message": report.message,
            "said": report.said,
        }
        self.check()

    def as_json(self) -> dict[str, Any]:
        """Return how far it is."""
        clips = {
            name: {**one, "length_s": self._lengths_s.get(name)}
            for name, one in list(self.clips.items())
        }
        share = self._share(clips)
        elapsed_s = self._took_s if self._took_s is not None else time.monotonic() - self._began
        left_s = elapsed_s * (1 - share) / share if share and self.running else None
        return {
            "kind": self.kind,
            "state": self.state,
            "message": self.message,
            "clips": clips,
            "share": share,
            "elapsed_s": elapsed_s,
            "left_s": left_s,
        }

    def _share(self, clips: Mapping[str, Mapping[str, Any]]) -> float:
        total = done = 0.0
        for one in clips.values():
            length = one["length_s"] or 1.0
            total += length
            ended = one["state"] in ("done", "failed")
            done += length if ended else min(one["seconds"], length)
        return done / total if total else 0.0
