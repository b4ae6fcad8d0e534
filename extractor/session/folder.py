"""The session folder: which clips, runs, conditions and corrections are in it."""

from __future__ import annotations

import hashlib
import os
import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from functools import cached_property, wraps
from pathlib import Path, PurePosixPath
from typing import Any, Concatenate, ParamSpec, TypeVar

from extractor.errors import SessionFileError, TableError, UsageError, reading
from extractor.session import overlay
from extractor.session.atomic import locked
from extractor.session.csv_tables import Table, read_table
from extractor.session.numerals import parse_number
from extractor.session.recordings import Span, counted_twice, digests_of, originals
from extractor.session.spelling import objections
from extractor.session.toml_files import parse_toml

P = ParamSpec("P")
T = TypeVar("T")

#: Kept here and not in `clips`, so that looking into a folder loads no video library.
VIDEO_SUFFIXES = frozenset(
    {
        *(".mp4", ".m4v", ".mov", ".mkv", ".webm", ".ts", ".mts", ".m2ts", ".avi", ".mpg"),
        *(".mpeg", ".flv", ".wmv", ".3gp", ".ogv", ".mxf"),
    }
)
RESULTS = "results"
RUN_COLUMNS = (
    "run",
    "clip",
    "start_s",
    "end_s",
    "antenna",
    "port",
    "others",
    "mounting",
    "position",
    "repeat",
    "order",
    "notes",
)
#: How the notes of a row of ``runs.csv`` begin that the tool drafted and nobody has checked.
DRAFT = "draft:"
CORRECTION_COLUMNS = ("clip", "time_s", "field", "value")
SESSION_KEYS = (
    "place",
    "distance_m",
    "walls",
    "channel_mhz",
    "width_mhz",
    "power_mw",
    "rate_mode",
    "firmware",
    "transmitter_antenna",
    "cooling",
    "supply",
    "notes",
)
#: Longest name of a results file, in bytes, before it is cut and given a digest.
_NAME_BYTES = 200
#: Edits take moments: who waits longer than this waits for something that hangs.
_EDITING_WAIT_S = 30.0
_WORKING_WAIT_S = 2.0
#: Control characters, and bytes that are not UTF-8.
_NO_TEXT = re.compile(r"[\x00-\x1f\x7f-\x9f\udc80-\udcff]")


@dataclass(frozen=True, slots=True)
class Run:
    """One row of ``runs.csv``: usually a clip, or a part of one, or several in a row."""

    run: str
    clips: tuple[str, ...]
    """Paths in the session with suffix, in the order in which they were recorded."""
    start_s: float | None = None
    """Seconds from the start of the first clip; later clips append."""
    end_s: float | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    """All cells of the row as text, those beyond the standard ones too."""

    def cell(self, column: str) -> str:
        """Return a cell's text, empty where the column is missing."""
        return self.columns.get(column, "")


@dataclass(frozen=True, slots=True)
class Correction:
    """One row of ``corrections.csv``."""

    clip: str
    time_s: float
    field: str
    value: str
    """A number, "" (not readable), "--" (no link) or "hidden"."""


class Session:
    """A folder with clips in it.

    Parameters
    ----------
    root : str or Path
        The folder.

    Raises
    ------
    UsageError
        If it is not a folder.

    Examples
    --------
    >>> from extractor import Session
    >>> session = Session("sample_clips")
    >>> len(session.clips), [field.name for field in session.overlay().fields]
    (16, ['bitrate', 'latency'])
    """

    def __init__(self, root: str | Path) -> None:
        root = Path(root)
        if not root.is_dir():
            what = "is a file, not a folder" if root.exists() else "not there"
            raise UsageError(f"{root}: {what}; give the folder that holds the clips")
        self.root = root
        self.overlay_path = root / overlay.FILE_NAME
        """Where the marks are kept."""
        self.conditions_path = root / "session.toml"
        """What holds for every run, the user's own."""
        self.runs_path = root / "runs.csv"
        """Table of the runs, the user's own."""
        self.corrections_path = root / "corrections.csv"
        """Table of the corrections by hand, the user's own."""
        self.glyphs_path = root / "overlay_glyphs.npz"
        """Where the glyphs taught for this overlay are kept."""
        self.results = root / RESULTS
        """Folder of everything that the tool makes."""
        self.state = self.results / ".state"
        """Folder of what the tool remembers between runs."""
        self.pictures = self.results / "pictures"
        """Folder of pictures for the user."""
        self.readings_folder = self.results / "readings"
        """Folder of the readings, one table a clip."""
        self.summary_path = self.results / "summary.csv"
        """Table of one row a run and field."""

    @cached_property
    def clips(self) -> tuple[str, ...]:
        """Paths of all clips in the session, ``/`` between, sorted.

        ``results/`` and folders whose name begins with a dot are not searched. Names are read as
        UTF-8 whatever the system's locale; bytes that are none, and control characters, stand
        as ``%E4``.
        """
        return tuple(sorted(self._paths))

    @cached_property
    def _paths(self) -> Mapping[str, Path]:
        found = {}
        for folder, subfolders, files in os.walk(self.root):
            here = Path(folder)
            top = here == self.root
            subfolders[:] = [
                s for s in subfolders if not s.startswith(".") and not (top and s == RESULTS)
            ]
            for name in files:
                path = here / name
                if name.startswith(".") or path.suffix.lower() not in VIDEO_SUFFIXES:
                    continue
                # A pipe would make every look at it wait for ever. What is not there (a broken
                # link) stays in: it is named when it is read.
                if path.is_file() or not path.exists():
                    found[spelled(path.relative_to(self.root))] = path
        return found

    def require_clips(self) -> tuple[str, ...]:
        """Return `clips`.

        Raises
        ------
        UsageError
            If there are none.
        """
        if not self.clips:
            kinds = " ".join(sorted(s.lstrip(".") for s in VIDEO_SUFFIXES))
            raise UsageError(f"{self.root}: holds no clips (looked for: {kinds})")
        return self.clips

    def choose(self, names: Sequence[str]) -> tuple[str, ...]:
        """Return the clips of these names, all where `names` is empty.

        A name is the path in the session with suffix; a file name alone will do where it is
        unique.

        Raises
        ------
        UsageError
            If a name fits none or several.
        """
        if not names:
            return self.require_clips()
        return tuple(dict.fromkeys(self._one(name) for name in names))

    def _one(self, name: str) -> str:
        wanted = PurePosixPath(Path(name).as_posix())
        if wanted.as_posix() in self.clips:
            return wanted.as_posix()
        fits = [c for c in self.clips if PurePosixPath(c).name == wanted.name]
        if len(fits) == 1 and len(wanted.parts) == 1:
            return fits[0]
        reason = "several clips are called that, give the path" if fits else "no such clip"
        raise UsageError(f"{name}: {reason} in {self.root}")

    def path(self, clip: str) -> Path:
        """Return where a clip lies, or would lie."""
        return self._paths.get(clip, self.root / clip)

    @cached_property
    def stems(self) -> Mapping[str, str]:
        """For each clip the name, without suffix, of its files under ``results/``.

        It is the path without suffix, ``/`` written as ``__``; clips that would share a name
        keep their suffix, and where that is still not enough, or too long for a file name, a
        digest of the path is added.
        """
        plain = {c: _flat(str(PurePosixPath(c).with_suffix(""))) for c in self.clips}
        # Folded: some file systems do not tell capitals apart.
        count = Counter(s.casefold() for s in plain.values())
        kept = {c: s if count[s.casefold()] == 1 else _flat(c) for c, s in plain.items()}
        count = Counter(s.casefold() for s in kept.values())
        return {
            c: s
            if count[s.casefold()] == 1 and len(s.encode()) <= _NAME_BYTES
            else _with_digest(s, c)
            for c, s in kept.items()
        }

    def readings_path(self, clip: str) -> Path:
        """Return the path of a clip's table of readings."""
        return self.readings_folder / f"{self.stems[clip]}.csv"

    def working(self) -> AbstractContextManager[None]:
        """Hold the results while they are made: one process at a time, minutes long."""
        return locked(self.state / "lock", self.root, wait_s=_WORKING_WAIT_S)

    def editing(self) -> AbstractContextManager[None]:
        """Hold the user's own files from the look at them to the last write, for moments.

        Reading clips does not hold it, so that one can edit meanwhile. Whoever needs both
        takes `working` first.
        """
        return locked(self.state / "editing_lock", self.root, wait_s=_EDITING_WAIT_S)

    def overlay(self) -> overlay.Overlay:
        """Read ``overlay.toml``; see `overlay.load`."""
        return overlay.load(self.overlay_path)

    def conditions(self) -> dict[str, Any]:
        """Read ``session.toml``: the conditions that hold for every run; empty if not there.

        Raises
        ------
        SessionFileError
            If it is not valid TOML.
        """
        path = self.conditions_path
        if not path.exists():
            return {}
        with reading(SessionFileError, path):
            raw = path.read_bytes()
        return parse_toml(raw, str(path))

    def antenna_names(self) -> tuple[str, ...]:
        """Return the names in ``antennas.csv``; none where it is missing or not understood."""
        try:
            table = read_table(self.root / "antennas.csv")
        except TableError:
            return ()
        return tuple(row["antenna"] for row in table.rows if row.get("antenna"))

    def runs(self) -> tuple[Run, ...]:
        """Return the runs of ``runs.csv``; without that file each clip is one run.

        Raises
        ------
        TableError
            If the table is wrong; the message names line and column.
        """
        if not self.runs_path.exists():
            return tuple(Run(run=self.stems[c], clips=(c,)) for c in self.clips)
        return parse_runs(read_table(self.runs_path))

    def run_warnings(self, runs: Sequence[Run]) -> list[str]:
        """Name what is odd in ``runs.csv`` and among the clips.

        Clips that ``runs.csv`` lacks and those that it names in vain, copies of one recording,
        names that are likely one.
        """
        named = {c for r in runs for c in r.clips}
        warnings = [
            f"{c}: the file's name is no plain text (not UTF-8, unpacked from an old archive?), so "
            "tables call it this; better rename the file"
            for c in self.clips
            if os.fsencode(self.path(c).relative_to(self.root).as_posix()) != c.encode()
        ]
        warnings += [
            f"runs.csv names {c}, which is not in the folder"
            for c in sorted(named - set(self.clips))
        ]
        warnings += [
            f"{c} is in the folder, but no run of runs.csv names it"
            for c in sorted(set(self.clips) - named)
        ]
        warnings += [
            f"{copy} is the same recording as {first}, byte for byte: only one of them may count; "
            "take the other out of the folder and of runs.csv"
            for copy, first in originals(digests_of(self, self.clips)).items()
            if copy != first
        ]
        return warnings + [f"runs.csv: {one}" for one in objections(r.columns for r in runs)]

    def corrections(self) -> tuple[Correction, ...]:
        """Return the corrections by hand; none if the file is not there.

        Raises
        ------
        TableError
            If a row is wrong; the message names line and column.
        """
        if not self.corrections_path.exists():
            return ()
        return parse_corrections(read_table(self.corrections_path))


def spelled(path: Path) -> str:
    """Return a path as text for tables and messages, ``/`` between; see `Session.clips`."""
    raw = os.fsencode(path.as_posix())
    return _NO_TEXT.sub(_as_percent, raw.decode("utf-8", "surrogateescape"))


def _as_percent(found: re.Match[str]) -> str:
    return "".join(f"%{byte:02X}" for byte in found[0].encode("utf-8", "surrogateescape"))


def edits(change: Callable[Concatenate[Session, P], T]) -> Callable[Concatenate[Session, P], T]:
    """Have a function hold the session's own files (`Session.editing`) while it runs."""

    @wraps(change)
    def alone(session: Session, *args: P.args, **more: P.kwargs) -> T:
        with session.editing():
            return change(session, *args, **more)

    return alone


def results_folder(place: Path) -> Path:
    """Return the folder for what is made of a session, or of a pack or table that lies alone."""
    return (place if place.is_dir() else place.parent) / RESULTS


def _flat(path: str) -> str:
    return path.replace("/", "__")


def _with_digest(name: str, clip: str) -> str:
    short = name.encode()[: _NAME_BYTES - 20].decode(errors="ignore")
    return f"{short}~{hashlib.blake2b(clip.encode(), digest_size=6).hexdigest()}"


def parse_runs(table: Table) -> tuple[Run, ...]:
    """Turn ``runs.csv`` into runs.

    A row without ``run`` is called after its first clip; a row without ``clip`` is one that is
    planned but not yet recorded, and is left out.

    Raises
    ------
    TableError
        If a cell cannot be understood, a run's name stands twice or two runs cover the same
        seconds.
    """
    table.require("clip")
    runs: list[Run] = []
    spans: list[Span] = []
    for i, row in enumerate(table.rows):
        clips = clips_of(row["clip"])
        table.number(i, "order")
        if not clips:
            continue
        start, end = table.number(i, "start_s"), table.number(i, "end_s")
        if start is not None and end is not None and end <= start:
            raise TableError(f"{table.where}: line {i + 2}: end_s {end:g} is not after start_s")
        name = row.get("run") or str(PurePosixPath(clips[0]).with_suffix(""))
        runs.append(Run(name, clips, start, end, row))
        if row.get("use") != "no":
            spans.append(Span.of(f"line {i + 2} (run '{name}')", clips, start, end))
    _check_unique_runs(runs, table.where)
    _check_unique_mountings(runs, table.where)
    _check_counted_once(spans, table.where)
    return tuple(runs)


def clips_of(cell: str) -> tuple[str, ...]:
    """Return the clips that a cell of the column ``clip`` names."""
    return tuple(c.strip() for c in cell.split(";") if c.strip())


def _check_counted_once(spans: Sequence[Span], where: str) -> None:
    for span in spans:
        if len(set(span.clips)) < len(span.clips):
            raise TableError(f"{where}: {span.label} names a clip twice; name each once")
    found = counted_twice(spans, {})
    if found is not None:
        first, second = found
        clip = next(c for c in first.clips if c in second.clips)
        raise TableError(
            f"{where}: {first.label} and {second.label} cover the same seconds of {clip}, so they "
            "are no two measurements; take one out, or correct clip, start_s and end_s (what hung "
            "on the other ports belongs into the column others)"
        )


def _check_unique_runs(runs: Sequence[Run], where: str) -> None:
    for name, count in Counter(r.run for r in runs).items():
        if count > 1:
            raise TableError(f"{where}: the run '{name}' stands {count} times; name each once")


def _check_unique_mountings(runs: Sequence[Run], where: str) -> None:
    for run in runs:
        if run.cell("mounting") and not run.cell("antenna"):
            raise TableError(f"{where}: run '{run.run}' has a mounting, but no antenna")


def parse_corrections(table: Table) -> tuple[Correction, ...]:
    """Turn ``corrections.csv`` into corrections.

    Raises
    ------
    TableError
        If a row is wrong; the message names line and column.
    """
    table.require(*CORRECTION_COLUMNS)
    found = []
    for i, row in enumerate(table.rows):
        time_s = table.number(i, "time_s")
        line = f"{table.where}: line {i + 2}"
        if time_s is None:
            raise TableError(f"{line}, column 'time_s': is empty")
        value = row["value"]
        if value not in ("", "--", "hidden") and parse_number(value) is None:
            raise TableError(
                f"{line}, column 'value': '{value}' must be a number, empty (not readable), "
                "-- (no link) or hidden"
            )
        found.append(Correction(row["clip"], time_s, row["field"], value))
    return tuple(found)
