"""A small session of real digits, the tool's commands on it, and what its files hold."""

from __future__ import annotations

import csv
import json
import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import av

ROOT = Path(__file__).parents[3]
SAMPLES = ROOT / "sample_clips"
#: Names of the clips: one container each that a recorder may use.
CLIPS = ("a.mp4", "b.ts", "c.mkv")
PLAN = "run,clip,antenna,port,mounting,order,notes\n"
#: Two cores are shared by all that runs here.
ENVIRONMENT = {**os.environ, "OMP_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"}


def make(folder: Path, seconds: float) -> None:
    """Make a session of three short clips cut out of the samples, marked and planned."""
    folder.mkdir()
    samples = sorted(p for p in SAMPLES.iterdir() if p.suffix in (".mp4", ".mkv", ".ts"))
    step = len(samples) // len(CLIPS)
    for i, name in enumerate(CLIPS):
        _cut(samples[i * step], folder / name, seconds + i)
        # The order of recording, for match.
        os.utime(folder / name, (1.7e9 + 100 * i, 1.7e9 + 100 * i))
    shutil.copy(SAMPLES / "overlay.toml", folder)
    rows = [f"run{i},{name},Slab,Red,{i},{i},\n" for i, name in enumerate(CLIPS, 1)]
    (folder / "runs.csv").write_text(PLAN + "".join(rows))
    lines = "".join(f"{i / 10},{30 + (i * 7) % 90 / 10}\n" for i in range(3000))
    (folder / "log.csv").write_text("time,rate\n" + lines)


def _cut(source: Path, target: Path, seconds: float) -> None:
    """Copy the first seconds of a clip, into another container where the name says so."""
    with av.open(str(source)) as given, av.open(str(target), "w") as made:
        stream = given.streams.video[0]
        out = made.add_stream_from_template(stream)
        for packet in given.demux(stream):
            if packet.dts is None or packet.dts * packet.time_base > seconds:
                break
            packet.stream = out
            made.mux(packet)


def copy(calm: Path, folder: Path) -> Path:
    """Copy a session, times of its files included."""
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(calm, folder)
    return folder


def extractor(*words: object) -> list[str]:
    return [sys.executable, "-m", "extractor", *map(str, words)]


def start(command: list[str]) -> subprocess.Popen[str]:
    """Begin a command in a process group of its own."""
    return subprocess.Popen(
        command,
        cwd=ROOT,
        env=ENVIRONMENT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def finish(command: list[str]) -> tuple[int, str]:
    """Do a command in peace; return its exit code and what it said on stderr."""
    with start(command) as process:
        _, err = process.communicate(timeout=300)
    return process.returncode, err.strip()


def broken(folder: Path) -> list[str]:
    """Return what is not a whole file of its kind; leftovers of a killed writer do not count."""
    found = []
    for path in sorted(folder.rglob("*")):
        if path.is_file() and ".part" not in path.name:
            try:
                _check_whole(path)
            except ValueError as error:
                found.append(f"{path.relative_to(folder)}: not whole ({error})")
    return found


def _check_whole(path: Path) -> None:
    raw = path.read_bytes()
    if path.suffix == ".csv":
        text = raw.decode()
        if len({len(line) for line in csv.reader(text.splitlines())}) != 1:
            raise ValueError("lines of unequal length")
        if not text.endswith("\n"):
            raise ValueError("ends within a line")
    elif path.suffix == ".json":
        json.loads(raw)
    elif path.suffix == ".toml":
        tomllib.loads(raw.decode())
    elif path.suffix == ".png" and not raw.endswith(b"IEND\xaeB`\x82"):
        raise ValueError("a torn picture")


def results(folder: Path) -> dict[str, bytes]:
    """Return every result of reading and all that is remembered, by path."""
    found = [*(folder / "results").rglob("*.csv"), *(folder / "results").rglob("*.json")]
    # An open page's address is no result.
    return {str(p.relative_to(folder)): p.read_bytes() for p in found if not p.name.startswith(".")}


def tables(folder: Path) -> dict[str, bytes]:
    """Return the tables that people look at, by path."""
    return {name: raw for name, raw in results(folder).items() if name.endswith(".csv")}


def differences(found: dict[str, bytes], expected: dict[str, bytes]) -> list[str]:
    """Say what is missing, what is too much and what is another content."""
    return [
        *(f"{name}: missing" for name in sorted(expected.keys() - found.keys())),
        *(f"{name}: should not be there" for name in sorted(found.keys() - expected.keys())),
        *(
            f"{name}: not what it is in peace"
            for name in sorted(found.keys() & expected.keys())
            if found[name] != expected[name]
        ),
    ]


def unreadable(folder: Path) -> list[str]:
    """Say which clips have no table of readings, or hardly a number in it."""
    found = []
    for name in CLIPS:
        path = folder / "results" / "readings" / f"{name.partition('.')[0]}.csv"
        if not path.exists():
            found.append(f"{name}: no table of readings")
            continue
        with path.open(encoding="utf-8") as stream:
            rows = list(csv.DictReader(stream))
        for column in ("bitrate", "latency"):
            share = sum(row[f"{column}_flag"] == "ok" for row in rows) / max(1, len(rows))
            if len(rows) < 20 or share < 0.7:
                found.append(f"{name}: {column} ok in {share:.0%} of {len(rows)} rows")
    return found
