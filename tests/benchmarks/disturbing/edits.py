"""The page, killed while edits are posted: what it answered must be in its files."""

from __future__ import annotations

import contextlib
import csv
import http.client
import json
import os
import random
import signal
import subprocess
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from disturbing.sessions import (
    CLIPS,
    ENVIRONMENT,
    ROOT,
    broken,
    copy,
    differences,
    extractor,
    finish,
    tables,
)

Place = tuple[str, float]
"""Clip and time in seconds of a reading."""

#: A page that does not start within this time has failed, seconds.
START_S = 60.0


class Page:
    """One session with its page; three browsers' worth of edits at once."""

    def __init__(self, calm: Path, folder: Path) -> None:
        self.calm = calm
        self.folder = copy(calm, folder)
        self.counts: Counter[str] = Counter()
        self._number = 0

    def in_peace(self) -> list[str]:
        """Read the session, then edit it for a moment and close the page by itself."""
        code, err = finish(extractor("read", self.folder, "--quiet", "--jobs", 2))
        if code:
            return [f"exit code {code}: {err}"]
        self._base = self._runs()
        self._times = [
            (clip, float(row["time_s"]))
            for clip in CLIPS
            for row in _rows(self.folder / "results" / "readings" / f"{clip[0]}.csv")
        ]
        return self._served(1.0, signal.SIGTERM)

    def round(self, chance: random.Random) -> tuple[str, list[str]]:
        """Kill the page amid edits; say what it answered and did not write."""
        return "killed", self._served(chance.uniform(0.05, 0.8), signal.SIGKILL)

    def at_the_end(self) -> list[str]:
        """Compare with a session that has the same tables and was never disturbed."""
        undisturbed = copy(self.calm, self.folder.with_name("page in peace"))
        for name in ("runs.csv", "corrections.csv"):
            (undisturbed / name).write_bytes((self.folder / name).read_bytes())
        for folder in (undisturbed, self.folder):
            code, err = finish(extractor("read", folder, "--quiet", "--jobs", 2))
            if code:
                return [f"exit code {code}: {err}"]
        # What was said of single readings is not made by reading.
        found = {n: raw for n, raw in tables(self.folder).items() if "checked" not in n}
        return differences(found, tables(undisturbed))

    def _served(self, for_s: float, ending: int) -> list[str]:
        """Open the page, let three write for a while, end it; say what is lost."""
        with subprocess.Popen(
            extractor("open", self.folder, "--no-browser"),
            cwd=ROOT,
            env=ENVIRONMENT,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            start_new_session=True,
        ) as process:
            assert process.stdout is not None
            line = process.stdout.readline()
            if "http://" not in line:
                process.kill()
                return [f"the page does not open: {line}"]
            door = _Door(line[line.index("http://") :].strip())
            self._number += 1
            notes = [_Notes(door, row, self._number) for row in self._runs()[:2]]
            corrections = _Corrections(door, self._corrections(), self._times, self._number)
            writers = [*notes, corrections]
            threads = [threading.Thread(target=one.write) for one in writers]
            for thread in threads:
                thread.start()
            _wait(lambda: all(one.answered for one in writers) or process.poll() is not None)
            time.sleep(for_s)
            os.killpg(process.pid, ending)
            process.wait()
            for thread in threads:
                thread.join()
        for one in writers:
            self.counts["edits answered by the page"] += one.answered
            self.counts["edits refused by the page"] += len(one.refused)
        silent = [f"no edit was answered: {w.refused[-1:]}" for w in writers if not w.answered]
        return [*silent, *self._lost(notes, corrections), *broken(self.folder)]

    def _lost(self, notes: list[_Notes], corrections: _Corrections) -> list[str]:
        faults = []
        runs = {row["run"]: row for row in self._runs()}
        for one in notes:
            stands = runs.get(one.run, {}).get("notes")
            if stands not in (one.stands, one.under_way):
                self.counts["answered edits missing"] += 1
                faults.append(f"runs.csv: {one.run} says {stands!r}, answered was {one.stands!r}")
        if _without_notes(runs.values()) != _without_notes(self._base):
            faults.append("runs.csv: other cells than the edited ones have changed")
        found = self._corrections()
        allowed = {key: {value} for key, value in corrections.stands.items()}
        if corrections.under_way:
            key, value = corrections.under_way
            allowed.setdefault(key, {None}).add(value)
        wrong = [k for k in found.keys() | allowed.keys() if found.get(k) not in allowed.get(k, ())]
        if wrong:
            self.counts["answered edits missing"] += len(wrong)
            faults.append(
                f"corrections.csv: {len(wrong)} of {len(allowed)} corrections are not as answered, "
                f"such as {sorted(wrong)[0]}"
            )
        return faults

    def _runs(self) -> list[dict[str, str]]:
        return _rows(self.folder / "runs.csv")

    def _corrections(self) -> dict[Place, str | None]:
        path = self.folder / "corrections.csv"
        rows = _rows(path) if path.exists() else []
        return {(row["clip"], float(row["time_s"])): row["value"] for row in rows}


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def _without_notes(rows: Iterable[dict[str, str]]) -> list[dict[str, str]]:
    return [{**row, "notes": ""} for row in rows]


def _wait(done: Callable[[], bool]) -> None:
    ends = time.monotonic() + START_S
    while not done() and time.monotonic() < ends:
        time.sleep(0.005)


class _Door:
    """Where the page is, and the cookie that it gave."""

    def __init__(self, address: str) -> None:
        self.host, _, path = address.removeprefix("http://").partition("/")
        connection = http.client.HTTPConnection(self.host, timeout=START_S)
        connection.request("GET", f"/{path}")
        answer = connection.getresponse()
        answer.read()
        self.headers = {
            "Cookie": (answer.getheader("Set-Cookie") or "").partition(";")[0],
            "Origin": f"http://{self.host}",
            "Content-Type": "application/json",
        }


class _Writer:
    """Posts one edit after the other until nobody answers any more."""

    path = ""

    def __init__(self, door: _Door) -> None:
        self._door = door
        self.answered = 0
        self.refused: list[str] = []

    def write(self) -> None:
        connection = http.client.HTTPConnection(self._door.host, timeout=START_S)
        with contextlib.suppress(OSError, http.client.HTTPException):
            while True:
                connection.request(
                    "POST", self.path, json.dumps(self.next_edit()), self._door.headers
                )
                answer = connection.getresponse()
                said = answer.read().decode()
                if answer.status == 200:
                    self.answered += 1
                    self.take()
                else:
                    self.refused.append(f"{answer.status} {said[:300]}")
                    time.sleep(0.01)

    def next_edit(self) -> dict[str, Any]:
        """Return what to ask for next, which is then under way."""
        raise NotImplementedError

    def take(self) -> None:
        """Note that what was under way was answered."""
        raise NotImplementedError


class _Notes(_Writer):
    """Writes into the notes of one run over and over."""

    path = "/api/run"

    def __init__(self, door: _Door, row: dict[str, str], number: int) -> None:
        super().__init__(door)
        self.run, self.stands, self._number = row["run"], row["notes"], number
        self.under_way: str | None = None

    def next_edit(self) -> dict[str, Any]:
        self.under_way = f"opened {self._number} times, edited {self.answered + 1} times"
        key = f"run:{self.run}"
        return {"key": key, "column": "notes", "old": self.stands, "new": self.under_way}

    def take(self) -> None:
        self.stands, self.under_way = self.under_way or "", None


class _Corrections(_Writer):
    """Corrects one reading after the other, round and round."""

    path = "/api/judge"

    def __init__(
        self, door: _Door, stands: dict[Place, str | None], places: list[Place], number: int
    ) -> None:
        super().__init__(door)
        self.stands, self._places, self._number = stands, places, number
        self.under_way: tuple[Place, str] | None = None

    def next_edit(self) -> dict[str, Any]:
        place = self._places[(self.answered + 7 * self._number) % len(self._places)]
        value = f"{20 + self._number % 10}.{self.answered % 10}"
        self.under_way = place, value
        clip, time_s = place
        return {
            "clip": clip,
            "field": "bitrate",
            "text": "",
            "times": [time_s],
            "changes": [[time_s, self.stands.get(place), value]],
            "verdict": "wrong",
            "mode": "doubtful",
        }

    def take(self) -> None:
        if self.under_way:
            self.stands[self.under_way[0]] = self.under_way[1]
        self.under_way = None
