"""Watching a session's folder: a clip is taken once it has stopped growing and is whole.

By looking again and again, which works on memory cards and network shares too, where the
operating system tells nobody that a file has changed.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from extractor.session.folder import Session
from extractor.video import integrity

SETTLE_S = 3.0
#: A file whose structure says that something is missing may still be on its way; when it has
#: not grown for this long, it is a recording that was cut off and is read to where it ends.
PATIENCE_S = 60.0


@dataclass(slots=True)
class _Seen:
    size: int
    modified_ns: int
    since_s: float
    """When it was first seen like this, on the watcher's clock."""


@dataclass(slots=True)
class Watch:
    """Finds clips that are ready to be read, each once for every state it is seen in."""

    root: Path
    settle_s: float = SETTLE_S
    patience_s: float = PATIENCE_S
    clock: Callable[[], float] = time.monotonic
    _seen: dict[str, _Seen] = field(default_factory=dict)
    _given: dict[str, tuple[int, int]] = field(default_factory=dict)

    def ready(self) -> list[str]:
        """Look once; return the clips that have become ready since the last look.

        A clip that is replaced by another file becomes ready again; one that vanishes or is
        renamed on the way is forgotten.

        Raises
        ------
        UsageError
            If the folder itself is gone.
        """
        now = self.clock()
        session = Session(self.root)
        found = {}
        for name in session.clips:
            state = self._state(session.path(name), now, self._seen.get(name))
            if state is not None:
                found[name] = state
        self._seen = found
        self._given = {name: was for name, was in self._given.items() if name in found}
        ready = [n for n, s in found.items() if self._is_ready(session.path(n), n, s, now)]
        for name in ready:
            self._given[name] = (found[name].size, found[name].modified_ns)
        return ready

    def waiting(self) -> list[str]:
        """Return the clips that are there and not ready yet."""
        return [n for n, s in self._seen.items() if self._given.get(n) != (s.size, s.modified_ns)]

    def _state(self, path: Path, now: float, before: _Seen | None) -> _Seen | None:
        try:
            status = path.stat()
        except OSError:
            return None  # gone between listing and looking: a card pulled, a file renamed
        if before and (before.size, before.modified_ns) == (status.st_size, status.st_mtime_ns):
            return before
        return _Seen(status.st_size, status.st_mtime_ns, now)

    def _is_ready(self, path: Path, name: str, seen: _Seen, now: float) -> bool:
        if self._given.get(name) == (seen.size, seen.modified_ns) or seen.size == 0:
            return False
        if now - seen.since_s < self.settle_s:
            return False
        try:
            whole = integrity.state(path) != "cut"
        except OSError:
            return False
        return whole or now - seen.since_s >= self.patience_s
