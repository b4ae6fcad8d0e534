"""Damaged and malicious clips that once went wrong; `benchmarks/fuzz_videos.py` has the many."""

from __future__ import annotations

import os
import struct
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import video_mutants as make
from clipmaker import GreyReader, overlay_toml

from extractor import pipeline
from extractor.errors import ClipError
from extractor.reading import cache
from extractor.reading.clip_job import ReadOptions
from extractor.session.folder import Session
from extractor.video import clips, decoding, integrity


@pytest.fixture(scope="module")
def mp4(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return make.healthy(tmp_path_factory.mktemp("healthy"), "mp4")


def boxed(content: bytes, kind: bytes) -> int:
    return next(at for name, at, _ in make.boxes(content) if name == kind)


def test_the_healthy_clip_passes_and_the_check_can_fail(tmp_path: Path, mp4: bytes) -> None:
    path = tmp_path / "a.mp4"
    path.write_bytes(mp4)
    assert make.look_at(path) == "read, complete yes"
    clip = clips.probe(path)
    result = make.clip_reading.read_fields(clip, [make.FIELD], [make.FIELD.box], GreyReader())
    result.fields["bitrate"].text[3] = "39"
    with pytest.raises(AssertionError, match="the picture shows"):
        make.check_readings(path, make.FIELD.box, result)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda mp4: mp4.replace(b"avc1", b"zzzz"),  # a codec that nobody knows
        lambda mp4: struct.pack(">I", 7) + mp4[4:],  # a first box too short to be one
        lambda mp4: mp4[:20],
        lambda mp4: mp4.replace(b"mdat", b"moov"),
    ],
    ids=["unknown codec", "short first box", "cut in the first box", "names swapped"],
)
def test_damaged_headers_give_one_line(
    tmp_path: Path, mp4: bytes, spoil: Callable[[bytes], bytes]
) -> None:
    path = tmp_path / "a.mp4"
    path.write_bytes(spoil(mp4))
    assert make.look_at(path) in ("refused", "read, complete no")


def test_a_table_of_a_hundred_million_samples_is_not_believed(tmp_path: Path, mp4: bytes) -> None:
    at = boxed(mp4, b"stsz") + 12
    path = tmp_path / "a.mp4"
    path.write_bytes(mp4[:at] + struct.pack(">II", 1, 100_000_000) + mp4[at + 8 :])
    assert integrity.claims_too_much(path)
    with pytest.raises(ClipError, match="claims more pictures"):
        clips.probe(path)
    path.write_bytes(mp4)
    assert not integrity.claims_too_much(path)


@pytest.mark.parametrize("size", [(100_000, 100_000), (16_384, 8_192)])
def test_a_huge_picture_is_refused_before_room_is_made(
    tmp_path: Path, size: tuple[int, int]
) -> None:
    wanted = f"stream of {size[0]}x{size[1]}, 1 references from the start"
    content = next(c for what, c in make.absurd_streams(tmp_path) if what == wanted)
    path = tmp_path / "a.mpg"
    path.write_bytes(content)
    assert make.look_at(path) == "refused"


def test_a_picture_that_grows_on_the_way_ends_the_clip(tmp_path: Path) -> None:
    wanted = "stream of 16384x8192, 1 references on the way"
    content = next(c for what, c in make.absurd_streams(tmp_path) if what == wanted)
    path = tmp_path / "a.mpg"
    path.write_bytes(content)
    tally = clips.Tally()
    taken = list(clips.frames(clips.probe(path), [make.FIELD.box], tally))
    assert len(taken) == 10
    assert tally.undecodable > 0


def test_a_file_with_a_hole_without_end_is_read_up_to_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(decoding, "STEP_S", 0.5)
    path = tmp_path / "a.mkv"
    path.write_bytes(make.healthy(tmp_path, "mkv"))
    os.truncate(path, 200 << 30)
    tally = clips.Tally()
    start = time.monotonic()
    frames = list(clips.frames(clips.probe(path), [make.FIELD.box], tally))
    assert time.monotonic() - start < 10
    assert len(frames) == 30
    assert "nothing more came within 0.5 s" in tally.read_error


def test_no_picture_within_bounds_is_no_clip(
    tmp_path: Path, mp4: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(decoding, "FIRST_FRAME_PACKETS", 0)
    path = tmp_path / "a.mp4"
    path.write_bytes(mp4)
    with pytest.raises(ClipError, match="not one frame"):
        clips.probe(path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_pipes_devices_and_loops_in_the_folder(
    tmp_path: Path, mp4: bytes, grey_reader: GreyReader
) -> None:
    (tmp_path / "a.mp4").write_bytes(mp4)
    os.mkfifo(tmp_path / "pipe.mp4")
    (tmp_path / "zero.mp4").symlink_to("/dev/zero")
    (tmp_path / "loop.mp4").symlink_to("loop.mp4")
    (tmp_path / "round").symlink_to(tmp_path, target_is_directory=True)
    (tmp_path / "folder.mp4").mkdir()
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    report = pipeline.read_session(Session(tmp_path), ReadOptions(jobs=1, crosscheck=0))
    assert {c.clip: c.outcome for c in report.clips} == {"a.mp4": "read", "loop.mp4": "failed"}
    for name in ("pipe.mp4", "zero.mp4", "folder.mp4"):
        with pytest.raises(ClipError, match="is not a file"):
            clips.probe(tmp_path / name)
        with pytest.raises(ClipError, match="is not a file"):
            cache.clip_digest(tmp_path / name)


def test_names_that_differ_by_case_only_keep_their_readings_apart(
    tmp_path: Path, mp4: bytes, grey_reader: GreyReader
) -> None:
    (tmp_path / "Clip.mp4").write_bytes(mp4)
    (tmp_path / "clip.mp4").write_bytes(mp4)
    if len(list(tmp_path.iterdir())) < 2:
        pytest.skip("this file system does not tell capitals apart")
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    session = Session(tmp_path)
    report = pipeline.read_session(session, ReadOptions(jobs=1, crosscheck=0))
    assert [c.outcome for c in report.clips] == ["read", "read"]
    names = {session.readings_path(c).name.casefold() for c in session.clips}
    assert len(names) == 2


def test_times_that_jump_by_thirty_years(
    tmp_path: Path, grey_reader: GreyReader, recwarn: pytest.WarningsRecorder
) -> None:
    times = [*make.steady(1.0), *(1e9 + t for t in make.steady(1.0))]
    make.make_clip(tmp_path / "a.mkv", times, make.stairs)
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    report = pipeline.read_session(Session(tmp_path), ReadOptions(jobs=1, crosscheck=0))
    assert [c.outcome for c in report.clips] == ["read"]
    assert report.rows[0]["n"] == 20
    assert not recwarn.list


def test_a_dozen_random_mutants(tmp_path: Path) -> None:
    rng = np.random.default_rng(11)
    for kind in make.BASES:
        content = make.healthy(tmp_path, kind)
        for _, changed in [*make.bit_flips(content, rng, 3), *make.truncated(content, 3)]:
            path = tmp_path / f"clip.{kind}"
            path.write_bytes(changed)
            assert make.look_at(path)
