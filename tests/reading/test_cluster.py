"""Reading on a Dask cluster; a worker that is killed loses nothing."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from clipmaker import make_clip, overlay_toml, stairs, steady

from extractor import pipeline
from extractor.errors import ClipError, UsageError
from extractor.reading import dask_cluster
from extractor.reading.clip_job import ClipJob, ReadOptions
from extractor.reading.session_clips import Silent
from extractor.session.folder import Session

distributed = pytest.importorskip("distributed")
pytestmark = pytest.mark.filterwarnings("default")  # Dask's own are not ours to mend


@pytest.fixture(scope="module")
def local() -> Iterator[Any]:
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as found:
        yield found


def processes(local: Any) -> list[int]:
    with distributed.Client(local.scheduler_address, set_as_default=False) as client:
        return list(client.run(os.getpid).values())


class Killer(Silent):
    """Kills one worker as soon as it hears that clips are being read."""

    def __init__(self, local: Any) -> None:
        self.local = local
        self.killed = 0

    def progress(self, clip: str, seconds: float) -> None:
        if not self.killed:
            self.killed = processes(self.local)[0]
            os.kill(self.killed, signal.SIGKILL)


@pytest.mark.skipif(sys.platform == "win32", reason="kills by signal")
def test_one_worker_killed_in_mid_run_and_every_clip_is_done(tmp_path: Path, local: Any) -> None:
    make_clip(tmp_path / "0.mp4", steady(3.0), stairs)
    for number in range(1, 6):
        (tmp_path / f"{number}.mp4").write_bytes((tmp_path / "0.mp4").read_bytes())
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    killer = Killer(local)
    options = ReadOptions(crosscheck=0, scheduler=local.scheduler_address)
    report = pipeline.read_session(Session(tmp_path), options, watcher=killer)
    assert killer.killed
    assert [(c.outcome, c.message) for c in report.clips] == [("read", "")] * 6
    folder = Session(tmp_path).state / "clips"
    remembered = [p.read_text() for p in sorted(folder.glob("?.json"))]
    assert len(remembered) == 6
    here = pipeline.read_session(Session(tmp_path), ReadOptions(jobs=1, crosscheck=0))
    assert [c.outcome for c in here.clips] == ["kept"] * 6
    pipeline.read_session(Session(tmp_path), ReadOptions(jobs=1, crosscheck=0, again=True))
    after = [p.read_text() for p in sorted(folder.glob("?.json"))]
    assert after == remembered  # the same as on this machine


def job(path: Path) -> ClipJob:
    return ClipJob(path.name, path, None, (), {}, "", "", ReadOptions(), None, 4)


def half_fails(one: ClipJob, progress: Callable[[str, float], None]) -> int:
    assert one.path.is_absolute()
    if one.clip == "bad.mp4":
        raise ClipError("bad.mp4: is bad")
    return one.threads


def test_a_clip_that_fails_does_not_stop_the_others(
    tmp_path: Path, local: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("good.mp4", "bad.mp4"):
        Path(name).touch()
    jobs = [job(Path(n)) for n in ("good.mp4", "bad.mp4", "away.mp4")]
    address = local.scheduler_address
    outcomes = {
        j.clip: (result, str(error))
        for j, result, error in dask_cluster.run(jobs, half_fails, address, lambda c, s: None)
    }
    assert outcomes["good.mp4"] == (1, "None")
    assert outcomes["bad.mp4"] == (None, "bad.mp4: is bad")
    assert "clips must lie on storage that every machine sees" in outcomes["away.mp4"][1]


def test_another_version_on_a_worker_is_refused(
    tmp_path: Path, local: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a.mp4").touch()
    monkeypatch.setattr(dask_cluster, "_VERSION", ("0.0.0", 0))
    jobs, address = [job(tmp_path / "a.mp4")], local.scheduler_address
    ((_, _, error),) = dask_cluster.run(jobs, half_fails, address, lambda c, s: None)
    assert isinstance(error, UsageError)
    assert "install the same on both" in str(error)


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "nonsense://x", "127.0.0.1"])
def test_nobody_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, address: str) -> None:
    monkeypatch.setattr(dask_cluster, "CONNECT_S", 0.5)
    jobs = [job(tmp_path / "a.mp4")]
    with pytest.raises(UsageError, match=r"nobody answers.*is the scheduler running"):
        list(dask_cluster.run(jobs, half_fails, address, lambda c, s: None))
