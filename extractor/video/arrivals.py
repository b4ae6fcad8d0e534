"""Watching a session's folder: a clip is taken once it has stopped growing and is whole.

By looking again and again, which works on memory cards and network shares too, where the
operating system tells nobody that a file has changed.
"""

from __future__ import annotations

import contextlib
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


_Sign = tuple[int, int]
"""Size and modification time."""


@dataclass(slots=True)
class Watch:
    """Finds clips that are ready to be read, each once for every state it is seen in."""

    root: Path
    settle_s: float = SETTLE_S
    patience_s: float = PATIENCE_S
    clock: Callable[[], float] = time.monotonic
    _seen: dict[str, tuple[_Sign, float]] = field(default_factory=dict)
    """How each clip is, and when it was first seen like this, on the watcher's clock."""
    _given: dict[str, _Sign] = field(default_factory=dict)

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
        found: dict[str, tuple[_Sign, float]] = {}
        for name in session.measured:
            # One may be gone between listing and looking: a card pulled, a file renamed.
            with contextlib.suppress(OSError):
                status = session.path(name).stat()
                sign = (status.st_size, status.st_mtime_ns)
                before = self._seen.get(name)
                found[name] = before if before and before[0] == sign else (sign, now)
        self._seen = found
        self._given = {name: was for name, was in self._given.items() if name in found}
        ready = [n for n in found if self._is_ready(session.path(n), n, now)]
        for name in ready:
            self._given[name] = found[name][0]
        return ready

    def _is_ready(self, path: Path, name: str, now: float) -> bool:
        (size, modified_ns), since_s = self._seen[name]
        if self._given.get(name) == (size, modified_ns) or size == 0:
            return False
        if now - since_s < self.settle_s:
            return False
        try:
            whole = integrity.state(path) != "cut"
        except OSError:
            return False
        return whole or now - since_s >= self.patience_s
