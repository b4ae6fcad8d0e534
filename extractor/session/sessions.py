"""A user's sessions: where they may lie, which were open last, a new one, the next round of one."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
from datetime import date
from pathlib import Path

from extractor.errors import ExtractorError, StorageError, UsageError
from extractor.session.atomic import read_json, write_json
from extractor.session.conditions import edit_condition
from extractor.session.folder import VIDEO_SUFFIXES, Session
from extractor.session.spelling import numbered

MOST_REMEMBERED = 12
MOST_SHOWN = 500
LONGEST_NAME = 80
#: What the next round takes over; ports and mountings its plan takes from `round_before`.
TAKEN_OVER = ("overlay.toml", "overlay_glyphs.npz", "antennas.csv", "session.toml")
#: Key of ``session.toml``: folder, beside this one, of the round before.
ROUND_OF = "round_of"
_NO_NAME = re.compile(r'[\x00-\x1f\x7f<>:"/\\|?*]')


def places() -> tuple[Path, ...]:
    """Return the folders in which sessions may be chosen: the home folder, then mounted media."""
    home = Path.home().resolve()
    found = [home]
    for parent in (f"/media/{home.name}", f"/run/media/{home.name}", "/media", "/mnt", "/Volumes"):
        with contextlib.suppress(OSError):
            # A link there may lead to the system's own disk.
            found += [p for p in sorted(Path(parent).iterdir()) if p.is_mount()]
    drives = (
        [Path(f"{letter}:\\") for letter in "DEFGHIJKLMNOPQRSTUVWXYZ"] if os.name == "nt" else []
    )
    return tuple(dict.fromkeys([*found, *(d for d in drives if d.exists())]))


def confined(text: str) -> Path:
    """Return a folder that was asked for by its path, links followed.

    Raises
    ------
    UsageError
        If it is none, is hidden, or lies neither in one of `places` nor among `recent` ones.
    """
    try:
        path = Path(text).resolve(strict=True) if Path(text).is_absolute() else Path()
    except (OSError, ValueError, RuntimeError):
        raise UsageError("no such folder") from None
    inside = [path.relative_to(place) for place in places() if path.is_relative_to(place)]
    seen = [one for one in inside if not any(part.startswith(".") for part in one.parts)]
    if not path.is_dir() or not (seen or path in recent()):
        raise UsageError("no such folder in your home or on mounted media")
    return path


def subfolders(folder: Path) -> list[Path]:
    """Return the folders in a folder that are not hidden, links left out, sorted.

    Raises
    ------
    UsageError
        If it cannot be looked into.
    """
    try:
        found = [p for p in folder.iterdir() if not p.name.startswith(".") and not p.is_symlink()]
        return sorted((p for p in found if p.is_dir()), key=lambda p: p.name.casefold())[
            :MOST_SHOWN
        ]
    except OSError as error:
        raise UsageError(f"{folder}: cannot be looked into ({error.strerror})") from error


def clips_in(folder: Path) -> int:
    """Count the clips that lie in a folder itself; 0 where it cannot be looked into."""
    try:
        return sum(
            p.suffix.lower() in VIDEO_SUFFIXES and not p.name.startswith(".")
            for p in folder.iterdir()
        )
    except OSError:
        return 0


def _remembered() -> Path:
    state = os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
    return Path(state) / "link-overlay-extractor" / "sessions.json"


def recent() -> tuple[Path, ...]:
    """Return the sessions that were open last and are still there, the latest first."""
    kept = read_json(_remembered()).get("sessions", [])
    paths = [Path(p) for p in kept if isinstance(p, str)] if isinstance(kept, list) else []
    return tuple(p for p in paths if p.is_dir())


def remember(root: Path) -> None:
    """Put a session first among the `recent` ones; where that cannot be written, it is not."""
    paths = list(dict.fromkeys([root.resolve(), *recent()]))[:MOST_REMEMBERED]
    with contextlib.suppress(StorageError):
        write_json(_remembered(), {"sessions": [str(p) for p in paths]})


def free_name(parent: Path, name: str = "") -> str:
    """Return a name that no folder in `parent` has yet: `name`, else today, else with a number."""
    base = name or date.today().isoformat()
    taken = (parent / base).exists()
    return numbered(f"{base} ", lambda one: (parent / one).exists()) if taken else base


def new_session(parent: Path, name: str) -> Path:
    """Make the folder of a new session.

    Raises
    ------
    UsageError
        If the name can be no folder's, or one of that name is there already.
    StorageError
        If it cannot be made.
    """
    name = name.strip()
    if not name or name.startswith(".") or name.endswith(".") or _NO_NAME.search(name):
        raise UsageError(f"'{name}' can be no folder's name; take letters, digits and spaces")
    if len(name) > LONGEST_NAME:
        raise UsageError(f"a session's name may have {LONGEST_NAME} characters, not {len(name)}")
    try:
        (parent / name).mkdir()
    except FileExistsError:
        raise UsageError(f"{name}: is there already; choose another name") from None
    except OSError as error:
        raise StorageError(f"{parent / name}: cannot be made ({error.strerror})") from error
    return parent / name


def next_round(session: Session) -> Path:
    """Make a session beside this one that takes over what was marked and told.

    Marks, what was taught, antennas with their colours, and conditions; its ``session.toml`` says
    which round came before, from which a plan takes antennas, ports and mountings.

    Raises
    ------
    ExtractorError
        If the folder or a file in it cannot be made.
    """
    root = session.root.resolve()
    base, count = re.fullmatch(r"(.*?)(?: round (\d+))?", root.name, re.DOTALL).groups()  # type: ignore[union-attr]
    name = numbered(f"{base} round ", lambda one: (root.parent / one).exists(), int(count or 1) + 1)
    made = new_session(root.parent, name)
    try:
        for name in TAKEN_OVER:
            if (root / name).is_file():
                shutil.copyfile(root / name, made / name)
    except OSError as error:
        raise StorageError(f"{made}: cannot be written ({error.strerror})") from error
    new = Session(made)
    edit_condition(new, ROUND_OF, str(new.conditions().get(ROUND_OF, "")), root.name)
    return made


def round_before(session: Session) -> Session | None:
    """Return the session that this one is the next round of, as its ``session.toml`` says."""
    try:
        name = str(session.conditions().get(ROUND_OF, ""))
        if not name or _NO_NAME.search(name) or name.startswith("."):
            return None
        return Session(session.root.resolve().parent / name)
    except ExtractorError:
        return None


def rounds(session: Session) -> list[Path]:
    """Return the folders of a session and of the rounds before it, this one first."""
    found, before = [session.root], round_before(session)
    while before is not None and before.root.resolve() not in {p.resolve() for p in found}:
        found.append(before.root)
        before = round_before(before)
    return found
