"""Commands that are killed, and the files that each writes."""

from __future__ import annotations

import contextlib
import csv
import os
import random
import shutil
import signal
import subprocess
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from disturbing.sessions import (
    CLIPS,
    PLAN,
    broken,
    copy,
    differences,
    extractor,
    finish,
    results,
    start,
    unreadable,
)

#: Workers whose parent was killed may live on for so long, seconds.
ORPHANS_S = 10.0
#: Share of kills after which the deed is done again to its end.
AGAIN_SHARE = 0.3
#: Share of kills that come with one of the first so many changes of a file.
CHANGE_SHARE = 0.5
MOST_CHANGES = 4

Files = dict[str, bytes]


@dataclass(frozen=True)
class Deed:
    """Something that the tool does to a session."""

    prepare: Callable[[Path], None]
    """Bring a session to where the deed begins."""
    command: Callable[[Path], list[str]]
    files: Callable[[Path], Files]
    """What it writes, by path."""
    fresh: bool = False
    """Every second round begins without any of these files."""


class Killing:
    """One deed, killed again and again in one session."""

    def __init__(self, deed: Deed, calm: Path, folder: Path) -> None:
        self.deed = deed
        self.folder = copy(calm, folder)
        self.counts: Counter[str] = Counter()

    def in_peace(self) -> list[str]:
        """Do it twice without a kill; say what went wrong or was not the same both times."""
        ends = []
        for _ in range(2):
            self._clear()
            self.deed.prepare(self.folder)
            self.before = self.deed.files(self.folder)
            began_s = time.monotonic()
            code, err = finish(self.deed.command(self.folder))
            self.takes_s = time.monotonic() - began_s
            if code:
                return [f"exit code {code}: {err}"]
            ends.append(self.deed.files(self.folder))
        self.after = ends[-1]
        if self.after == self.before:
            return ["it changes nothing"]
        lacking = unreadable(self.folder) if self.deed.files is results else []
        return [*broken(self.folder), *lacking, *differences(*ends)]

    def round(self, chance: random.Random) -> tuple[str, list[str]]:
        """Kill it once; return whether it was killed, and what is wrong afterwards."""
        fresh = self.deed.fresh and chance.random() < 0.5
        if fresh:
            self._clear()
        if not self.deed.fresh:
            self.deed.prepare(self.folder)
        stood = self.deed.files(self.folder)
        killed, faults = self._kill(chance)
        faults += broken(self.folder)
        found = self.deed.files(self.folder)
        faults += [f"{name}: lost" for name in sorted(stood.keys() - found.keys())]
        for name, content in found.items():
            if content not in (stood.get(name), self.after.get(name)):
                faults.append(f"{name}: neither what it was nor what it becomes in peace")
        self.counts["files compared after a kill"] += len(found)
        if killed and found != self.after and chance.random() < AGAIN_SHARE:
            faults += self._completed(found)
        return "killed" if killed else "had ended", faults

    def at_the_end(self) -> list[str]:
        """Do it to its end once more; say what is not as in peace."""
        return self._completed(self.deed.files(self.folder))

    def _clear(self) -> None:
        if self.deed.fresh:
            shutil.rmtree(self.folder / "results", ignore_errors=True)

    def _kill(self, chance: random.Random) -> tuple[bool, list[str]]:
        process = start(self.deed.command(self.folder))
        if chance.random() < CHANGE_SHARE:
            _wait_for_change(self.folder, process, chance)
        else:
            time.sleep(chance.uniform(0.1, 1.0) * self.takes_s)
        killed = process.poll() is None
        whole_group = chance.random() < 0.5
        with process:
            if killed and whole_group:
                os.killpg(process.pid, signal.SIGKILL)
            elif killed:
                process.kill()
            # Its workers hold the other end of this pipe until they end.
            try:
                _, err = process.communicate(timeout=ORPHANS_S)
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)
                return killed, ["its workers live on without it"]
        faults = [f"on stderr: {err[-300:]}"] if "Traceback" in err else []
        if not killed and process.returncode:
            faults.append(f"exit code {process.returncode}: {err[-300:]}")
        return killed, faults

    def _completed(self, found: Files) -> list[str]:
        if found == self.after:
            return []
        # What a killed reading had finished stays finished.
        states = _written(self.folder) if self.deed.fresh else {}
        command = self.deed.command(self.folder)
        code, err = finish([word for word in command if word != "--again"])
        if code:
            return [f"done again: exit code {code}: {err[-300:]}"]
        self.counts["deeds done again to their end"] += 1
        now = _written(self.folder)
        faults = [f"{name}: read a second time" for name in states if states[name] != now.get(name)]
        return faults + differences(self.deed.files(self.folder), self.after)


def _written(folder: Path) -> dict[str, tuple[int, int]]:
    states = (folder / "results" / ".state" / "clips").glob("*.json")
    return {p.name: (p.stat().st_ino, p.stat().st_mtime_ns) for p in states if p.name[0] != "."}


def _wait_for_change(folder: Path, process: subprocess.Popen[str], chance: random.Random) -> None:
    """Wait for one of the first changes of any file under a folder, and a moment longer."""
    for _ in range(chance.randint(1, MOST_CHANGES)):
        before = set(_listed(folder))
        while process.poll() is None and set(_listed(folder)) == before:
            time.sleep(0.001)
    time.sleep(chance.choice((0.0, 0.0, 0.002, 0.02)))


def _listed(folder: Path) -> Iterator[tuple[str, int, int]]:
    for path in folder.rglob("*"):
        with contextlib.suppress(OSError):
            status = path.stat()
            if path.is_file() and path.name != "lock":
                yield str(path), status.st_size, status.st_mtime_ns


def _only(*names: str) -> Callable[[Path], Files]:
    def files(folder: Path) -> Files:
        return {n: (folder / n).read_bytes() for n in names if (folder / n).exists()}

    return files


def _samples_overlay(folder: Path) -> None:
    from disturbing.sessions import SAMPLES

    shutil.copy(SAMPLES / "overlay.toml", folder)


def _planned(folder: Path) -> None:
    lines = "".join(f"run{i},,Slab,Red,{i},{i},kept\n" for i, _ in enumerate(CLIPS, 1))
    (folder / "runs.csv").write_text(PLAN + lines)


def _old_statistics(folder: Path) -> None:
    (folder / "statistics.csv").write_text("run,field\nbefore,rate\n")


def _shown(folder: Path, place: float) -> tuple[str, str]:
    """Return when, at about a share of the first clip, and what was read there; read it first."""
    path = folder / "results" / "readings" / "a.csv"
    if not path.exists():
        finish(extractor("read", folder, "--quiet", "--jobs", 1))
    with path.open(encoding="utf-8") as stream:
        rows = [r for r in csv.DictReader(stream) if r["bitrate_flag"] == "ok"]
    row = rows[int(place * len(rows))]
    return row["time_s"], row["bitrate_text"]


def _teach(folder: Path, place: float) -> list[str]:
    at, text = _shown(folder, place)
    what = ("--field", "bitrate", "--clip", "a.mp4", "--at", at, "--text", text)
    return extractor("teach", folder, *what, "--quiet")


def _taught_once(folder: Path) -> None:
    path, kept = folder / "overlay_glyphs.npz", folder / "first lesson"
    if not kept.exists():
        finish(_teach(folder, 0.1))
        shutil.copy(path, kept)
    shutil.copy(kept, path)


KINDS: dict[str, Deed] = {
    "read": Deed(
        lambda folder: None,
        lambda folder: extractor("read", folder, "--again", "--quiet", "--jobs", 2),
        results,
        fresh=True,
    ),
    "mark": Deed(
        _samples_overlay,
        lambda folder: extractor(
            *("mark", folder, "--field", "bitrate", "--maximum", 44, "--quiet"),
            *("--box", "668,20,147,53"),
        ),
        _only("overlay.toml"),
    ),
    "match": Deed(
        _planned,
        lambda folder: extractor("match", folder, "--by", "modified", "--yes", "--quiet"),
        _only("runs.csv"),
    ),
    "teach": Deed(_taught_once, lambda folder: _teach(folder, 0.6), _only("overlay_glyphs.npz")),
    "summarise": Deed(
        _old_statistics,
        lambda folder: extractor(
            *("summarise", folder / "log.csv", "--time", "time", "--value", "rate"),
            *("--out", folder / "statistics.csv", "--quiet"),
        ),
        _only("statistics.csv"),
    ),
}
