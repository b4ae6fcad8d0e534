"""Whole clips as encoders and editors leave them: nothing odd is said, and all is read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from clipmaker import BOX, make_clip, stairs, steady
from test_clock import SLOW, judged, part, read

from extractor.session.overlay import Box
from extractor.video import clips

OPEN_GOP = {"preset": "veryfast", "x264-params": "open-gop=1:keyint=30:bframes=3:b-adapt=0"}


@pytest.mark.parametrize("suffix", ["mp4", "mkv", "ts"])
def test_a_quick_look_takes_keyframes_in_their_order(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"a.{suffix}"
    make_clip(path, steady(6), stairs, options=OPEN_GOP)
    quick, whole = read(path, keyframes_only=True), read(path)
    assert quick.complete == whole.complete != "no"
    assert quick.remarks == whole.remarks == []
    rows = judged(quick, stairs)
    assert len(rows["right"]) == len(quick.time_s) >= 6


def test_a_quick_look_counts_from_the_first_picture_shown(tmp_path: Path) -> None:
    # Its keyframe is hidden by an edit; the next one is 2 s on.
    path = tmp_path / "a.mp4"
    part(path, 0, 6, -0.7, options=SLOW, container_options={"avoid_negative_ts": "disabled"})
    quick, whole = read(path, keyframes_only=True), read(path)
    assert quick.complete == whole.complete == "yes"
    assert quick.duration_s == pytest.approx(whole.duration_s, abs=0.04)
    assert quick.time_s == pytest.approx([1.3, 3.3], abs=0.04)


def test_pictures_far_apart_and_out_of_order_are_no_jump(tmp_path: Path) -> None:
    # This format has display times alone, from which decoding times are known later.
    path = tmp_path / "a.mkv"
    times = [*(i for i in range(4)), *(4 + t for t in steady(4))]
    make_clip(path, times, stairs, options={"preset": "veryfast", "bf": "2"})
    result = read(path)
    assert not [r for r in result.remarks if "clock" in r]
    assert result.duration_s == pytest.approx(8.0, abs=0.05)
    assert not judged(result, stairs)["wrong"]


def test_a_clock_that_does_not_begin_at_zero_is_not_cut_off(tmp_path: Path) -> None:
    path = tmp_path / "a.mkv"
    part(path, 0, 3, 50)
    assert read(path).complete == "yes"


def test_pictures_of_avi_come_in_the_order_of_the_decoder(tmp_path: Path) -> None:
    path = tmp_path / "a.avi"
    make_clip(path, steady(4), stairs, options={"preset": "veryfast", "bf": "2", "g": "60"})
    result = read(path)
    assert result.remarks == []
    assert len(judged(result, stairs)["right"]) == 40
    assert np.diff(result.time_s) == pytest.approx(0.1, abs=1e-3)


def test_pictures_before_the_clock_passes_zero_are_found(tmp_path: Path) -> None:
    path = tmp_path / "a.ts"
    part(path, 0, 6, 2**33 / 90_000 - 5, options=SLOW)  # where its clock starts again
    clip, box = clips.probe(path), Box(*BOX)
    first = next(clips.frames(clip, [box], clips.Tally()))
    shown = next(clips.at_times(clip, [box], [0.0]))
    assert shown.time_s == pytest.approx(0.0, abs=1e-3)
    np.testing.assert_array_equal(shown.crops[0], first.crops[0])
