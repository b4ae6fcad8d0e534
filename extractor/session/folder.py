"""The session folder: which clips, runs, conditions and corrections are in it."""

from __future__ import annotations

import hashlib
import os
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from functools import cached_property
from pathlib import Path, PurePosixPath
from typing import Any

from extractor.errors import SessionFileError, TableError, UsageError
from extractor.session import overlay, overlay_file
from extractor.session.atomic import locked
from extractor.session.csv_tables import RESULTS, read_table
from extractor.session.overlay import Field
from extractor.session.recordings import digests_of, originals
from extractor.session.spelling import objections
from extractor.session.toml_files import read_toml
from extractor.session.user_tables import Correction, Run, parse_corrections, parse_runs

#: Kept here and not in `clips`, so that looking into a folder loads no video library.
VIDEO_SUFFIXES = frozenset(
    {
        *(".mp4", ".m4v", ".mov", ".mkv", ".webm", ".ts", ".mts", ".m2ts", ".avi", ".mpg"),
        *(".mpeg", ".flv", ".wmv", ".3gp", ".ogv", ".mxf"),
    }
)
KINDS = " ".join(sorted(suffix.lstrip(".") for suffix in VIDEO_SUFFIXES))
SESSION_KEYS = (
    *("place", "distance_m", "walls", "line_of_sight", "channel_mhz", "width_mhz", "power_mw"),
    *("rate_mode", "firmware", "transmitter_antenna", "cooling", "supply", "decimal", "notes"),
)
#: Longest name of a results file, in bytes, before it is cut and given a digest.
_NAME_BYTES = 200
#: Edits take moments: who waits longer than this waits for something that hangs.
_EDITING_WAIT_S = 30.0
_WORKING_WAIT_S = 2.0
#: Control characters, and bytes that are not UTF-8.
_NO_TEXT = re.compile(r"[\x00-\x1f\x7f-\x9f\udc80-\udcff]")


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
            raise UsageError(f"{self.root}: holds no clips (looked for: {KINDS})")
        return self.clips

    @property
    def measured(self) -> tuple[str, ...]:
        """The clips that hold a run or may hold one: without those set aside by ``use``."""
        try:
            runs = self.runs()
        except TableError:
            return self.clips  # what is wrong is named where the table itself is asked for
        used = {clip for run in runs if run.counts for clip in run.clips}
        aside = {clip for run in runs for clip in run.clips} - used
        return tuple(clip for clip in self.clips if clip not in aside)

    def choose(self, names: Sequence[str]) -> tuple[str, ...]:
        """Return the clips of these names, all `measured` ones where `names` is empty.

        A name is the path in the session with suffix; a file name alone will do where it is
        unique.

        Raises
        ------
        UsageError
            If a name fits none or several.
        """
        if not names:
            self.require_clips()
            return self.measured
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
        """Read ``overlay.toml``; see `overlay_file.load`."""
        return overlay_file.load(self.overlay_path)

    def fields(self) -> tuple[Field, ...]:
        """Return what is marked; nothing where ``overlay.toml`` is not there yet."""
        return self.overlay().fields if self.overlay_path.exists() else ()

    def conditions(self) -> dict[str, Any]:
        """Read ``session.toml``: the conditions that hold for every run; empty if not there.

        Raises
        ------
        SessionFileError
            If it is not valid TOML.
        """
        return read_toml(self.conditions_path) if self.conditions_path.exists() else {}

    def primary_field(self, known: Sequence[str]) -> str:
        """Return which of the fields in `known` decides the session.

        ``primary`` of ``session.toml``; else the first that is marked and better when higher,
        else the first.

        Raises
        ------
        SessionFileError
            If ``primary`` names none of them.
        """
        said = self.conditions().get("primary")
        if said is not None and said not in known:
            raise SessionFileError(
                f"{self.conditions_path}: primary = '{said}' is no field here; choose one of "
                f"{', '.join(known)}"
            )
        marked = self.fields()
        ways = {name: overlay.usual_direction(name, "") for name in known}
        ways |= {f.name: f.direction for f in marked if f.name in ways}
        order = [f.name for f in marked if f.name in ways] + list(known)
        return str(said or next((name for name in order if ways[name] == "higher"), known[0]))

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
        names that are likely one. Of clips set aside nothing is said.
        """
        runs, clips = [r for r in runs if r.counts], self.measured
        named = {c for r in runs for c in r.clips}
        warnings = [
            f"{c}: the file's name is no plain text (not UTF-8, unpacked from an old archive?), so "
            "tables call it this; better rename the file"
            for c in clips
            if os.fsencode(self.path(c).relative_to(self.root).as_posix()) != c.encode()
        ]
        warnings += [
            f"runs.csv names {c}, which is not in the folder"
            for c in sorted(named - set(self.clips))
        ]
        warnings += [
            f"{c} is in the folder, but no run of runs.csv names it"
            for c in sorted(set(clips) - named)
        ]
        warnings += [
            f"{copy} is the same recording as {first}, byte for byte: only one of them may count; "
            "take the other out of the folder and of runs.csv"
            for copy, first in originals(digests_of(self, clips)).items()
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


def results_folder(place: Path) -> Path:
    """Return the folder for what is made of a session, or of a pack or table that lies alone."""
    return (place if place.is_dir() else place.parent) / RESULTS


def _flat(path: str) -> str:
    return path.replace("/", "__")


def _with_digest(name: str, clip: str) -> str:
    short = name.encode()[: _NAME_BYTES - 20].decode(errors="ignore")
    return f"{short}~{hashlib.blake2b(clip.encode(), digest_size=6).hexdigest()}"
