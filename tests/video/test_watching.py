"""A clip is taken when it has stopped growing and is whole; nothing crashes on the way."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from clipmaker import GreyReader, make_clip, overlay_toml, stairs, steady

from extractor import pipeline
from extractor.errors import UsageError
from extractor.reading.clip_job import ReadOptions
from extractor.reading.session_clips import ClipReport, Silent
from extractor.session.folder import Session
from extractor.video.arrivals import Watch


class Clock:
    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("card") / "a.mp4"
    make_clip(path, steady(1.0), stairs)
    return path


def test_a_growing_file_is_left_alone_until_it_is_whole(tmp_path: Path, clip: Path) -> None:
    clock = Clock()
    watch = Watch(tmp_path, settle_s=3.0, patience_s=60.0, clock=clock)
    content = clip.read_bytes()
    target = tmp_path / "a.mp4"
    target.touch()
    assert watch.ready() == []
    for part in (len(content) // 3, len(content) // 2):
        target.write_bytes(content[:part])
        clock.now_s += 4
        assert watch.ready() == []  # it has just changed
        clock.now_s += 4
        assert watch.ready() == []  # it stands still, but its index is missing
    target.write_bytes(content)
    assert watch.ready() == []
    clock.now_s += 3
    assert watch.ready() == ["a.mp4"]
    clock.now_s += 100
    assert watch.ready() == []
    shutil.copy(clip, tmp_path / "b.mp4")
    make_clip(target, steady(0.5), stairs)  # replaced by another
    assert watch.ready() == []
    clock.now_s += 3
    assert sorted(watch.ready()) == ["a.mp4", "b.mp4"]


def test_a_recording_that_was_cut_off_is_taken_after_a_while(tmp_path: Path, clip: Path) -> None:
    clock = Clock()
    watch = Watch(tmp_path, settle_s=1.0, patience_s=60.0, clock=clock)
    content = clip.read_bytes()
    (tmp_path / "a.mp4").write_bytes(content[: len(content) // 2])
    watch.ready()
    clock.now_s += 59
    assert watch.ready() == []
    clock.now_s += 1
    assert watch.ready() == ["a.mp4"]


def test_files_that_vanish_and_a_folder_that_goes(tmp_path: Path, clip: Path) -> None:
    clock = Clock()
    folder = tmp_path / "session"
    folder.mkdir()
    watch = Watch(folder, settle_s=1.0, clock=clock)
    shutil.copy(clip, folder / "a.mp4")
    watch.ready()
    (folder / "a.mp4").rename(folder / "b.mp4")
    clock.now_s += 2
    assert watch.ready() == []  # b has to stand its time
    clock.now_s += 2
    assert watch.ready() == ["b.mp4"]
    shutil.rmtree(folder)
    with pytest.raises(UsageError, match="not there"):
        watch.ready()


def test_a_clip_that_vanishes_while_it_is_read_fails_alone(
    tmp_path: Path, clip: Path, grey_reader: GreyReader
) -> None:
    shutil.copy(clip, tmp_path / "a.mp4")
    shutil.copy(clip, tmp_path / "b.mp4")
    (tmp_path / "overlay.toml").write_text(overlay_toml())

    class Puller(Silent):
        def ended(self, report: ClipReport) -> None:
            (tmp_path / "b.mp4").unlink(missing_ok=True)

    report = pipeline.read_session(
        Session(tmp_path), ReadOptions(jobs=1, crosscheck=0), watcher=Puller()
    )
    assert [(c.clip, c.outcome) for c in report.clips] == [("a.mp4", "read"), ("b.mp4", "failed")]
    assert "b.mp4: cannot be read" in report.failed[0].message
