"""Two keyframe intervals decoded at once give what one decoder gives, picture by picture."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from clipmaker import BOX, make_clip, stairs, steady

from extractor.session.overlay import Box
from extractor.video import clips, heap, intervals

OPTIONS = {"preset": "veryfast", "crf": "23", "g": "20", "sc_threshold": "0"}


def decoded(path: Path, threads: int, **more: Any) -> tuple[list[clips.Frame], clips.Tally]:
    tally = clips.Tally()
    clip = clips.probe(path)
    found = clips.frames(
        clip, [Box(*BOX)], tally, threads=threads, sampled_hz=10.0, thumbs=True, **more
    )
    return list(found), tally


def same(path: Path) -> clips.Tally:
    (one, told), (other, also) = decoded(path, 1), decoded(path, 2)
    assert [(f.time_s, f.spoilt, f.fresh) for f in one] == [
        (f.time_s, f.spoilt, f.fresh) for f in other
    ]
    # What a decoder makes up for lost data depends on what it saw before; nobody believes it.
    for a, b in ((a, b) for a, b in zip(one, other, strict=True) if not a.spoilt):
        np.testing.assert_array_equal(a.crops[0], b.crops[0])
        np.testing.assert_array_equal(a.thumb, b.thumb)
    for what in (
        "decoded",
        "undecodable",
        "out_of_order",
        "first_pts_s",
        "end_s",
        "holes",
        "spoilt",
    ):
        assert getattr(told, what) == getattr(also, what), what
    return also


@pytest.fixture
def at_once(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Count the packets of each interval that a decoder of its own took."""
    seen: list[int] = []
    inner = intervals.Intervals._decoded

    def counted(self: Any, context: Any, packets: list[intervals.Waiting], *, ends: bool) -> Any:
        if context is not self._own:
            seen.append(len(packets))
        return inner(self, context, packets, ends=ends)

    monkeypatch.setattr(intervals.Intervals, "_decoded", counted)
    return seen


@pytest.mark.parametrize("name", ["a.mp4", "a.mkv", "a.ts"])
def test_intervals_at_once_give_the_same_pictures(
    tmp_path: Path, name: str, at_once: list[int]
) -> None:
    make_clip(tmp_path / name, steady(4.1), stairs, options=OPTIONS)
    assert same(tmp_path / name).undecodable == 0
    assert sorted(at_once) == [3, *[20] * 6]


def test_of_a_long_interval_not_all_is_kept(
    tmp_path: Path, at_once: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    path, long = tmp_path / "a.ts", tmp_path / "b.ts"
    make_clip(path, steady(1.3), stairs, options=OPTIONS)
    make_clip(long, steady(3.0), stairs, options=OPTIONS | {"g": "60"})
    path.write_bytes(path.read_bytes() + long.read_bytes() + path.read_bytes())
    monkeypatch.setattr(intervals, "MOST_PACKETS", 50)
    same(path)
    assert sorted(at_once) == [19, 19, 20, 20, 30]


@pytest.mark.parametrize(("name", "g"), [("a.avi", "20"), ("a.mp4", "250")])
def test_where_it_is_wrong_or_useless_one_decoder_does_it_all(
    tmp_path: Path, at_once: list[int], name: str, g: str
) -> None:
    make_clip(tmp_path / name, steady(6.0), stairs, options=OPTIONS | {"g": g})
    clip = clips.probe(tmp_path / name)
    found = list(clips.frames(clip, [Box(*BOX)], clips.Tally(), threads=2, sampled_hz=10.0))
    assert len(found) > 60
    assert at_once == []


def test_damage_is_told_as_by_one_decoder(tmp_path: Path, at_once: list[int]) -> None:
    path = tmp_path / "a.ts"
    make_clip(path, steady(4.1), stairs, options=OPTIONS)
    content = bytearray(path.read_bytes())
    middle = len(content) // 2 // 188 * 188
    content[middle + 188 * 3 : middle + 188 * 6] = bytes(188 * 3)
    path.write_bytes(content)
    told = same(path)
    assert told.spoilt
    assert at_once


def test_a_change_of_size_is_one_line(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    make_clip(path, steady(2.0), stairs, options=OPTIONS)
    clip = clips.probe(path)
    other = clips.Clip(**{f: getattr(clip, f) for f in clip.__slots__} | {"width": 300})
    with pytest.raises(clips.ClipError, match="the picture changes from 300x"):
        list(clips.frames(other, [Box(*BOX)], clips.Tally(), threads=2, sampled_hz=10.0))


def test_large_buffers_are_given_back_where_the_c_library_can(monkeypatch) -> None:
    asked = []
    library = SimpleNamespace(mallopt=lambda *limit: asked.append(limit))
    monkeypatch.setattr(heap.ctypes, "CDLL", lambda name: library)
    heap.give_back.__wrapped__()
    assert [limit for limit, _ in asked] == [-8, -3, -1]
    monkeypatch.setattr(heap.ctypes, "CDLL", lambda name: SimpleNamespace())
    heap.give_back.__wrapped__()  # another C library: no error
