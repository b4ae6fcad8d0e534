"""Worker processes: what a death costs, what is heard, and how they end. Real processes."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from extractor.errors import ClipError
from extractor.reading import process_pool

HERE = Path(__file__).resolve().parents[1]
needs_posix = pytest.mark.skipif(os.name == "nt", reason="process groups and signals of POSIX")


class Job:
    def __init__(self, clip: str, folder: Path | None = None) -> None:
        self.clip = clip
        self.folder = folder


def outcomes(jobs: list[Job], work: Any, count: int = 2) -> tuple[dict[str, Any], list[Any]]:
    """Return each clip's result or error text, and all that was heard, in order."""
    heard: list[Any] = []
    ended: dict[str, Any] = {}
    for job, result, error in process_pool.run(jobs, work, count, lambda *news: heard.append(news)):
        assert job.clip not in ended, "told twice"
        ended[job.clip] = str(error) if error else result
    return ended, heard


def _last_words(job: Job, progress: process_pool.Progress) -> str:
    for i in range(100):
        progress(job.clip, float(i))
    if job.clip.startswith("kill"):
        os._exit(int(job.clip[-1]))
    return job.clip.upper()


@pytest.mark.parametrize("code", [0, 9])
def test_all_that_a_worker_said_before_it_died_is_heard(code: int) -> None:
    """Whatever its exit code: a library that calls ``exit(0)`` has not read the clip."""
    ended, heard = outcomes([Job("a"), Job(f"kill{code}"), Job("b")], _last_words)
    assert ended.pop(f"kill{code}").startswith(f"kill{code}: the worker process died on it")
    assert ended == {"a": "A", "b": "B"}
    for clip in ("a", f"kill{code}", "b"):
        assert [s for name, s in heard if name == clip] == list(range(100))


def _note(job: Job, progress: process_pool.Progress) -> str:
    assert job.folder is not None
    with (job.folder / job.clip).open("a") as log:
        log.write("begun\n")
    if job.clip == "kill":
        _until((job.folder / "slow").exists)
        os._exit(9)
    if job.clip == "slow":
        # Goes on long after its neighbour has died.
        _until((job.folder / "last").exists)
    return job.clip


def _until(done: Any, limit_s: float = 60.0) -> None:
    ends = time.monotonic() + limit_s
    while not done():
        assert time.monotonic() < ends, "did not happen"
        time.sleep(0.01)


def test_a_death_costs_its_own_clip_and_no_other_is_begun_twice(tmp_path: Path) -> None:
    names = ["slow", "kill", "b", "c", "last"]
    ended, _ = outcomes([Job(name, tmp_path) for name in names], _note)
    assert "worker process died" in ended.pop("kill")
    assert ended == {name: name for name in names if name != "kill"}
    assert {p.name: p.read_text() for p in tmp_path.iterdir()} == dict.fromkeys(names, "begun\n")


class _KillsItsMaker:
    """A result whose arrival is the death of the worker that sent it, before its next job."""

    def __reduce__(self) -> Any:
        return _kill, (os.getpid(),)


def _kill(pid: int) -> str:
    os.kill(pid, signal.SIGKILL)
    state = Path(f"/proc/{pid}/stat")
    _until(lambda: state.read_text().rpartition(")")[2].split()[0] == "Z")
    return "done"


def _finish_and_die(job: Job, progress: process_pool.Progress) -> Any:
    return _KillsItsMaker() if job.clip.startswith("last") else job.clip


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks into /proc")
def test_a_worker_that_dies_between_two_clips_costs_none() -> None:
    names = ["last1", "last2", "a", "b", "last3"]
    ended, _ = outcomes([Job(name) for name in names], _finish_and_die)
    assert ended == {name: "done" if "last" in name else name for name in names}


def _never_starts(job: Job, progress: process_pool.Progress) -> None:
    raise AssertionError("not reached")


class _Deadly(Job):
    """Ends the process that unpacks it."""

    def __reduce__(self) -> Any:
        return os._exit, (9,)


def test_workers_that_cannot_even_begin_come_to_an_end() -> None:
    ended, _ = outcomes([_Deadly(name) for name in "abc"], _never_starts)
    assert all("worker process died" in text for text in ended.values())
    assert sorted(ended) == ["a", "b", "c"]


def _bug(job: Job, progress: process_pool.Progress) -> Any:
    if "clip" in job.clip:
        raise ClipError(f"{job.clip}: no good")
    if job.clip == "result":
        return lambda: None
    raise ZeroDivisionError("a bug")


def test_clip_errors_are_told_and_bugs_raised_with_their_place() -> None:
    for count in (1, 2):
        ended, _ = outcomes([Job("clip"), Job("other clip")], _bug, count)
        assert ended == {"clip": "clip: no good", "other clip": "other clip: no good"}
    with pytest.raises(ZeroDivisionError, match="a bug") as caught:
        outcomes([Job("clip"), Job("zero")], _bug)
    assert "in _bug" in caught.value.__notes__[0]
    with pytest.raises(Exception, match="pickle"):
        outcomes([Job("clip"), Job("result")], _bug)


WORK = """
import os, time

class Job:
    def __init__(self, clip):
        self.clip = clip

def work(job, progress):
    for i in range(6000):
        progress(f"{job.clip} {os.getpid()}", float(i))
        time.sleep(0.1)
"""
SLEEPERS = """
import signal
from extractor.reading import process_pool
from sleeping import Job, work

signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background ignores it
try:
    print("up", flush=True)
    jobs = [Job("a"), Job("b"), Job("c")]
    list(process_pool.run(jobs, work, 2, lambda *n: print(*n, flush=True)))
except KeyboardInterrupt:
    print("stopped", flush=True)
"""


@pytest.fixture
def sleepers(tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """Run a program whose two workers have ten minutes of work each."""
    script = tmp_path / "sleepers.py"
    script.write_text(SLEEPERS)
    (tmp_path / "sleeping.py").write_text(WORK)
    with subprocess.Popen(
        [sys.executable, "-W", "error", str(script)],
        env={**os.environ, "PYTHONPATH": str(HERE.parent)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as process:
        yield process
        process.kill()


def _both_heard(process: subprocess.Popen[str]) -> list[int]:
    """Wait until both workers work; return their process numbers."""
    assert process.stdout is not None
    found: dict[str, int] = {}
    while len(found) < 2:
        words = process.stdout.readline().split()
        if words[0] in ("a", "b"):
            found[words[0]] = int(words[1])
    return list(found.values())


def _gone(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    # Nobody may be there who collects the orphan.
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"


@needs_posix
@pytest.mark.parametrize("after_s", [None, 0.0, 0.1, 0.3])
def test_an_interrupt_ends_all_workers_at_once_and_in_silence(
    sleepers: subprocess.Popen[str], after_s: float | None
) -> None:
    """To the whole group, as a terminal sends it; also while the workers are still starting."""
    pids = _both_heard(sleepers) if after_s is None else []
    if after_s is not None:
        assert sleepers.stdout is not None
        assert sleepers.stdout.readline() == "up\n"
        time.sleep(after_s)
    os.killpg(sleepers.pid, signal.SIGINT)
    out, err = sleepers.communicate(timeout=60)
    assert out.splitlines()[-1] == "stopped"
    assert err == ""
    for pid in pids:
        _until(lambda pid=pid: _gone(pid))


@needs_posix
def test_workers_do_not_outlive_a_killed_parent(sleepers: subprocess.Popen[str]) -> None:
    pids = _both_heard(sleepers)
    sleepers.kill()
    for pid in pids:
        _until(lambda pid=pid: _gone(pid))


def test_a_caller_that_stops_listening_ends_the_workers() -> None:
    before = {p.pid for p in process_pool.multiprocessing.active_children()}
    going = process_pool.run([Job(name) for name in "abcd"], _last_words, 2, lambda *news: None)
    next(going)
    assert {p.pid for p in process_pool.multiprocessing.active_children()} - before
    going.close()
    assert not {p.pid for p in process_pool.multiprocessing.active_children()} - before
