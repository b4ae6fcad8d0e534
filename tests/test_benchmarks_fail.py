"""The kill and fuzz runs are worth nothing if they cannot fail: small ones with a planted fault."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
BENCHMARKS = HERE / "benchmarks"
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not hasattr(os, "fork"), reason="the benchmarks are for POSIX"),
]

FUZZ = """
import sys
sys.path[:0] = {paths!r}
import fuzz_videos
import video_mutants as make
real = make.clip_reading.read_fields
def read_fields(*args, **kwargs):
    result = real(*args, **kwargs)
    seen = result.fields["bitrate"]
    {fault}
    return result
make.clip_reading.read_fields = read_fields
sys.exit(fuzz_videos.main(["--every", "300"]))
"""
NOTHING = "seen.text[:] = [''] * len(seen.text)"
HALF = """half = len(result.time_s) // 2
    for values in (result.time_s, seen.text, seen.since_s, seen.confidence):
        del values[half:]"""


@pytest.mark.parametrize(
    ("fault", "code"), [("pass", 0), (NOTHING, 1), (HALF, 1)], ids=["sound", "nothing", "half"]
)
def test_the_fuzz_run_sees_a_reader_that_leaves_out(fault: str, code: int) -> None:
    paths = [str(BENCHMARKS), str(HERE), str(HERE.parent)]
    script = FUZZ.format(paths=paths, fault=fault)
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.returncode == code, done.stdout + done.stderr
    assert ("instants missing" in done.stdout) == bool(code)


#: Nothing is left to chance: a kill comes with the first change of a file, and of the changes of
#: clips the one that every reading must notice, after the reading.
KILLS = """
import sys
sys.path[:0] = {paths!r}
import kills
kills.changes.WAYS, kills.changes.WHEN = ("replaced",), (3.0, 3.0)
kills.deeds.CHANGE_SHARE, kills.deeds.MOST_CHANGES = 1.0, 1
sys.exit(kills.main())
"""
#: Becomes part of every Python that the kill run starts.
TORN = """
import contextlib, time
from pathlib import Path
from extractor.session import atomic
@contextlib.contextmanager
def replacing(path, keep_previous=False):
    with Path(path).open("wb") as stream:
        class Slow:
            def write(self, raw):
                stream.write(raw[: len(raw) // 2])
                stream.flush()
                time.sleep(3)
                stream.write(raw[len(raw) // 2 :])
        yield Slow()
atomic.replacing = replacing
"""
UNWRITTEN = """
from extractor.session import csv_editing
csv_editing.TableFile.save = lambda self: None
"""
FORGETFUL = """
from extractor.tabulation import clip_tables
real = clip_tables.write_readings
clip_tables.write_readings = lambda path, *rest: None if path.name == "b.csv" else real(path, *rest)
"""
BLIND = """
from extractor.reading import cache
real = cache.clip_digest
cache.clip_digest = lambda path: real(path) and "always the same"
"""


@pytest.mark.parametrize(
    ("kind", "fault", "word"),
    [
        ("summarise", "", ""),
        ("summarise", TORN, "statistics.csv: neither what it was nor what it becomes"),
        ("page", UNWRITTEN, "answered was"),
        ("read", FORGETFUL, "b.ts: no table of readings"),
        ("changes", BLIND, "read again"),
    ],
    ids=["sound", "torn file", "edit answered, not written", "clip left out", "change not seen"],
)
def test_the_kill_run_sees_what_is_lost(tmp_path: Path, kind: str, fault: str, word: str) -> None:
    (tmp_path / "sitecustomize.py").write_text(fault)
    paths = [str(tmp_path), str(HERE.parent)]
    done = subprocess.run(
        [
            *(sys.executable, "-c", KILLS.format(paths=[str(BENCHMARKS)])),
            *("--only", kind, "--kills", "1", "--seconds", "2.5"),
        ],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
        capture_output=True,
        text=True,
    )
    assert done.returncode == (1 if fault else 0), done.stdout + done.stderr
    assert word in done.stdout
