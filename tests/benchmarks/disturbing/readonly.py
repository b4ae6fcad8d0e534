"""A session that cannot be written: one line, and nothing changed."""

from __future__ import annotations

import os
import subprocess
import sys
from collections import Counter
from pathlib import Path

from disturbing.sessions import CLIPS, ROOT, copy, extractor, finish

_MOUNT = 'mount --bind "$0" "$0" && mount -o remount,bind,ro "$0" && cd "$PWD" && exec "$@"'


def tried(calm: Path, folder: Path, counts: Counter[str]) -> list[str]:
    """Run every command that writes on a read-only session; say what went wrong."""
    copy(calm, folder)
    faults: list[str] = []
    for state in ("new", "read before"):
        if state == "read before":
            finish(extractor("read", folder, "--quiet", "--jobs", 1))
        wrapper = _wrapper(folder)
        if wrapper is None:
            print(
                "SKIPPED: read-only folders. Root may write everywhere, and neither a mount of its "
                "own (unshare) nor another user (setpriv) can be had here",
                flush=True,
            )
            counts["readonly: SKIPPED"] += 1
            return faults
        before = _tree(folder)
        for command, expected in _commands(folder):
            code, err = finish([*wrapper, *command])
            what = f"readonly, {state}: {command[3]}"
            if expected == 2 and (code != 2 or len(err.splitlines()) != 1):
                faults.append(f"{what}: exit code {code}, said: {err[-400:]}")
            elif expected == 0 and code:
                faults.append(f"{what}: writes nothing, but exit code {code}: {err[-400:]}")
            counts["readonly: commands"] += 1
        if _tree(folder) != before:
            faults.append(f"readonly, {state}: something was written")
        if not wrapper:
            for path in (folder, *folder.rglob("*")):
                path.chmod(path.stat().st_mode | 0o200)
    return faults


def _commands(folder: Path) -> list[tuple[list[str], int]]:
    lesson = ("--field", "bitrate", "--clip", CLIPS[0], "--at", "1", "--text", "38.4")
    return [
        (extractor("read", folder, "--again", "--quiet", "--jobs", 2), 2),
        (extractor("quick", folder, "--quiet"), 0),
        (
            extractor(*("mark", folder, "--field", "bitrate", "--box", "668,20,147,53", "--quiet")),
            2,
        ),
        (extractor("teach", folder, *lesson, "--quiet"), 2),
        (extractor("open", folder, "--no-browser"), 2),
        (
            extractor(
                *("summarise", folder / "log.csv", "--time", "time", "--value", "rate"),
                *("--out", folder / "statistics.csv", "--quiet"),
            ),
            2,
        ),
    ]


def _wrapper(folder: Path) -> list[str] | None:
    """Return what to put before a command so that it cannot write to a folder, None if nothing."""
    if os.geteuid() != 0:
        for path in (*folder.rglob("*"), folder):
            path.chmod(path.stat().st_mode & ~0o222)
    for wrapper in (
        [],
        ["unshare", "--mount", "sh", "-c", _MOUNT, str(folder)],
        ["setpriv", "--reuid=65534", "--clear-groups"],
    ):
        works = [*wrapper, sys.executable, "-c", "import extractor"]
        writes = [*wrapper, sys.executable, "-c", f"open({str(folder / 'probe')!r}, 'w')"]
        if _code(works) == 0 and _code(writes) != 0:
            return wrapper
        (folder / "probe").unlink(missing_ok=True)
    return None


def _code(command: list[str]) -> int:
    try:
        return subprocess.run(
            command, cwd=ROOT, check=False, capture_output=True, timeout=60
        ).returncode
    except OSError:
        return -1


def _tree(folder: Path) -> dict[str, tuple[int, int]]:
    return {
        str(p): (p.stat().st_size, p.stat().st_mtime_ns) for p in folder.rglob("*") if p.is_file()
    }
