"""Clips that grow, are replaced or deleted while they are read."""

from __future__ import annotations

import os
import random
import threading
import time
from collections import Counter
from pathlib import Path

from disturbing.sessions import (
    CLIPS,
    broken,
    copy,
    differences,
    extractor,
    finish,
    start,
    tables,
    unreadable,
)

#: A clip that grows is written in so many pieces.
PIECES = 10
WAYS = ("grown", "replaced", "deleted")
#: When a change comes, in shares of what reading takes: on the way, or just after.
WHEN = (0.1, 1.2)


class Changes:
    """One session, read while one of its clips changes."""

    def __init__(self, calm: Path, folder: Path) -> None:
        self.calm, self.folder = calm, folder
        self.counts: Counter[str] = Counter()
        self._ends: dict[str, tuple[int, dict[str, bytes]]] = {}

    def in_peace(self) -> list[str]:
        """Read the session as it is; say what went wrong."""
        began_s = time.monotonic()
        code, _ = self._end("whole")
        self.takes_s = time.monotonic() - began_s
        return [*([f"exit code {code}"] if code else []), *unreadable(self.folder)]

    def _end(self, end: str) -> tuple[int, dict[str, bytes]]:
        """Return exit code and tables of a session that a change ended in, read in peace."""
        if end not in self._ends:
            folder = copy(self.calm, self.folder)
            what, _, clip = end.partition(" ")
            if what == "replaced":
                self._replace(clip)
            elif what == "deleted":
                (folder / clip).unlink()
            code, _ = self._read()
            self._ends[end] = code, tables(folder)
        return self._ends[end]

    def round(self, chance: random.Random) -> tuple[str, list[str]]:
        """Change a clip while it is read, then read again; say what is not as in peace."""
        clip = chance.choice(CLIPS)
        what = chance.choice(WAYS)
        end = "whole" if what == "grown" else f"{what} {clip}"
        expected, files = self._end(end)
        if what != "grown" and files == self._end("whole")[1]:
            return "not comparable", [f"{end}: gives the tables of the session as it was"]
        copy(self.calm, self.folder)
        whole = (self.folder / clip).read_bytes()
        if what == "grown":
            (self.folder / clip).write_bytes(whole[: len(whole) // 3])
        process = start(extractor("read", self.folder, "--quiet", "--jobs", 2))
        change = threading.Thread(
            target=self._change, args=(what, clip, whole, chance.uniform(*WHEN) * self.takes_s)
        )
        self._hit = False
        change.start()
        with process:
            _, err = process.communicate(timeout=120)
        hit = self._hit
        change.join()
        faults = [] if process.returncode in (0, 3) else [f"{end}: exit code {process.returncode}"]
        faults += [f"{end}: {err[-300:]}"] if "Traceback" in err else []
        faults += broken(self.folder)
        code, err = self._read()
        if code != expected:
            faults.append(f"{end}, read again: exit code {code}, in peace {expected}: {err[-300:]}")
        found = tables(self.folder)
        # Readings of a clip that is gone may stay.
        found = {n: raw for n, raw in found.items() if n in files or what != "deleted"}
        faults += [f"{end}, read again: {text}" for text in differences(found, files)]
        self.counts[f"clips {what} while or just after they were read"] += 1
        return "changed on the way" if hit else "changed just after", faults

    def at_the_end(self) -> list[str]:
        """Nothing is left to do."""
        return []

    def _read(self) -> tuple[int, str]:
        return finish(extractor("read", self.folder, "--quiet", "--jobs", 2))

    def _replace(self, clip: str) -> None:
        # By the same pictures of another clip, in one step, as a copying program does.
        other = self.calm / CLIPS[(CLIPS.index(clip) + 1) % len(CLIPS)]
        part = self.folder / ".incoming"
        part.write_bytes(other.read_bytes())
        part.replace(self.folder / clip)

    def _change(self, what: str, clip: str, whole: bytes, after_s: float) -> None:
        path = self.folder / clip
        if what == "grown":
            begun = len(whole) // 3
            step = (len(whole) - begun) // PIECES + 1
            for at in range(begun, len(whole), step):
                time.sleep(after_s / PIECES)
                with path.open("ab") as stream:
                    stream.write(whole[at : at + step])
                    os.fsync(stream.fileno())
        else:
            time.sleep(after_s)
            if what == "deleted":
                path.unlink()
            else:
                self._replace(clip)
        self._hit = True
