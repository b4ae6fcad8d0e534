"""The picture that is shown beside a reading is the one that was read."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from clipmaker import BOX, SIZE, make_clip, stairs, steady

from extractor.errors import ClipError
from extractor.page.frame_cache import Crops, Frames, Probes, sign_of
from extractor.session.overlay import Box
from extractor.video import clips

SAMPLES = Path(__file__).parents[2] / "sample_clips"
NUMBER = Box(*BOX)


@pytest.mark.parametrize("suffix", ["mp4", "mkv", "ts", "avi"])
def test_frames_at_times_are_those_of_the_whole_clip(tmp_path: Path, suffix: str) -> None:
    """Against decoding from the beginning, which needs no seeking."""
    path = tmp_path / f"a.{suffix}"
    options = {"preset": "ultrafast", "crf": "18", "g": "45"}
    make_clip(path, steady(6.0, 15.0), stairs, options=options)
    _compare(path, NUMBER, step=17)


@pytest.mark.parametrize("name", ["fan_m1_red.ts", "stub_m1_green.mp4"])
def test_frames_at_times_of_sample_clips(name: str) -> None:
    """A transport stream without index, and a clip that begins at 2.5 s."""
    _compare(SAMPLES / name, Box(668, 20, 147, 53), step=120)


def _compare(path: Path, box: Box, step: int) -> None:
    clip = clips.probe(path)
    wanted = list(clips.frames(clip, [box], clips.Tally()))[1::step]
    times = [round(f.time_s, 6) for f in wanted]
    together = list(clips.at_times(clip, [box], times))
    some = slice(None, None, 2)
    alone = [next(clips.at_times(clip, [box], [t])) for t in times[some]]
    for found, right in ((together, wanted), (alone, wanted[some])):
        assert [f.time_s for f in found] == pytest.approx([f.time_s for f in right])
        for a, b in zip(found, right, strict=True):
            assert np.array_equal(a.crops[0], b.crops[0])


def test_between_two_frames_the_earlier_is_shown_and_past_the_end_the_last(
    tmp_path: Path,
) -> None:
    make_clip(tmp_path / "a.mp4", [0.0, 0.5, 1.0], stairs)
    clip = clips.probe(tmp_path / "a.mp4")
    found = clips.at_times(clip, [NUMBER], [0.2, 0.99, 50.0])
    assert [f.time_s for f in found] == pytest.approx([0.0, 0.5, 1.0])


def test_crops_fetched_together_are_those_fetched_alone(tmp_path: Path) -> None:
    make_clip(tmp_path / "a.mp4", steady(2.0), stairs)
    clip = clips.probe(tmp_path / "a.mp4")
    times = [0.1, 0.5, 0.9, 1.7]
    together, alone = Crops(), Crops()
    together.fetch(clip, NUMBER, times)
    pictures = [together.get(clip, NUMBER, t) for t in times]
    assert pictures == [alone.get(clip, NUMBER, t) for t in times]
    assert all(a != b for a, b in pairwise(pictures))


def test_a_changed_file_is_looked_at_anew(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    path.write_bytes(b"no video")
    probes = Probes()
    with pytest.raises(ClipError):
        probes.now(path)
    before = sign_of(path)
    make_clip(path, steady(1.0), stairs)
    assert sign_of(path) != before
    clip = probes.now(path)
    _, picture = Frames().get(clip, 0.5)
    assert picture.shape == (SIZE[1], SIZE[0], 3)
    path.unlink()
    with pytest.raises(ClipError):
        probes.now(path)
