"""Decoding: crops, damage, completeness, and one clear line for what is no clip."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from clipmaker import BOX, SIZE, level_of, make_broken, make_clip, stairs, steady

from extractor.errors import ClipError
from extractor.session.overlay import Box
from extractor.video import clips, crops, integrity


def decode(path: Path, box: Box | None = None) -> tuple[list[clips.Frame], clips.Tally]:
    tally = clips.Tally()
    boxes = [box or Box(*BOX)]
    return list(clips.frames(clips.probe(path), boxes, tally)), tally


def test_times_and_crops(tmp_path: Path) -> None:
    times = [0.0, 0.1, 0.15, 0.4, 0.9, 1.0]
    make_clip(tmp_path / "a.mp4", times, stairs)
    frames, tally = decode(tmp_path / "a.mp4")
    assert [f.time_s for f in frames] == pytest.approx(times, abs=1e-9)
    assert [round(float(np.median(f.crops[0][..., 0]))) for f in frames] == pytest.approx(
        [level_of(stairs(t)) for t in times], abs=1
    )
    assert (tally.decoded, tally.undecodable, tally.out_of_order) == (6, 0, 0)
    assert frames[0].crops[0].shape == (BOX[3], BOX[2], 3)


@pytest.mark.parametrize(
    "form", ["yuv420p", "yuvj420p", "yuv422p", "yuv444p", "nv12", "gray", "rgb24", "yuv420p10le"]
)
def test_crop_equals_the_cut_of_the_whole_picture(form: str) -> None:
    rng = np.random.default_rng(3)
    smooth = cv2.resize(rng.integers(0, 255, (9, 16, 3), dtype=np.uint8), (160, 90))
    frame = av.VideoFrame.from_ndarray(smooth, format="rgb24").reformat(format=form)
    box = Box(33, 17, 51, 21)  # odd on purpose: chroma planes are half as fine
    cut = crops.part(frame, box).crop()
    # The same range of levels: "j" and grey use all 256.
    alike = "yuvj444p" if form in ("yuvj420p", "gray") else "yuv444p"
    whole = np.stack(
        [
            np.frombuffer(p, np.uint8).reshape(p.height, -1)[:, :160]
            for p in frame.reformat(format=alike).planes
        ],
        axis=-1,
    )[17:38, 33:84]
    difference = np.abs(cut.astype(int) - whole.astype(int))
    assert difference[..., 0].max() <= (0 if form != "yuv420p10le" else 1)
    # Repeated chroma against the converter's interpolated chroma.
    assert difference[..., 1:].mean() < (0.5 if "444" in form or form == "gray" else 6)


@pytest.mark.parametrize("turn", [90, 180, 270])
def test_rotation_turns_picture_and_crop_alike(tmp_path: Path, turn: int) -> None:
    path = tmp_path / "a.mp4"
    make_clip(path, steady(0.2), lambda t: 10)
    clip = clips.probe(path)
    plain = clips.picture(clip, 0.1)[1]
    width, height = (SIZE[1], SIZE[0]) if turn in (90, 270) else SIZE
    turned = replace(clip, width=width, height=height, rotation=turn)
    image = clips.picture(turned, 0.1)[1]
    assert np.array_equal(image, np.rot90(plain, turn // 90))
    mask = np.zeros(SIZE[::-1], np.uint8)
    x, y, w, h = BOX
    mask[y : y + h, x : x + w] = 1
    rows, columns = np.nonzero(np.rot90(mask, turn // 90))
    box = Box(int(columns.min()), int(rows.min()), int(np.ptp(columns)) + 1, int(np.ptp(rows)) + 1)
    (frame, *_) = clips.frames(turned, [box], clips.Tally())
    assert frame.crops[0].shape[:2] == (box.height, box.width)
    assert abs(float(np.median(frame.crops[0][..., 0])) - level_of(10)) < 2


def test_complete_and_cut_off(tmp_path: Path) -> None:
    for name, options in (
        ("whole.mp4", {}),
        ("whole.mkv", {}),
        ("fragmented.mp4", {"movflags": "frag_keyframe+empty_moov"}),
        ("stream.ts", {}),
    ):
        make_clip(tmp_path / name, steady(3.0), stairs, container_options=options)
    answers = {}
    for path in sorted(tmp_path.iterdir()):
        frames, tally = decode(path)
        assert len(frames) == 90
        answers[path.name] = clips.completeness(clips.probe(path), tally)
    assert answers["whole.mp4"] == answers["whole.mkv"] == "yes"
    assert answers["stream.ts"] == "unknown"
    for name in ("whole.mkv", "fragmented.mp4", "stream.ts"):
        content = (tmp_path / name).read_bytes()
        cut = tmp_path / f"cut-{name}"
        cut.write_bytes(content[: len(content) * 6 // 10 + 7])
        frames, tally = decode(cut)
        assert 20 <= len(frames) < 90, name
        assert clips.completeness(clips.probe(cut), tally) == "no", name


def test_damage_is_counted_and_the_rest_is_read(tmp_path: Path) -> None:
    path = tmp_path / "a.ts"
    make_clip(path, steady(3.0), stairs)
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 1500] = bytes(1500)
    path.write_bytes(content)
    frames, tally = decode(path)
    assert tally.undecodable > 0
    assert frames[-1].time_s > 2.5


def test_what_is_no_clip_gets_one_line(tmp_path: Path) -> None:
    for name, said in make_broken(tmp_path).items():
        with pytest.raises(ClipError) as raised:
            clips.probe(tmp_path / name)
        assert said in str(raised.value)
        assert name in str(raised.value)
        assert "\n" not in str(raised.value)


def test_absurd_size_is_refused_without_memory(tmp_path: Path) -> None:
    path = tmp_path / "a.mkv"
    make_clip(path, steady(0.2), stairs)
    content = path.read_bytes()
    width = content.index(b"\xb0\x82\x01\x40")  # PixelWidth, 2 bytes, 320
    path.write_bytes(content[: width + 2] + b"\xff\xff" + content[width + 4 :])
    tally = clips.Tally()
    try:
        clip = clips.probe(path)
        list(clips.frames(clip, [Box(*BOX)], tally))
    except ClipError:
        pass
    else:
        # The codec's own header wins over the container's: then all is as it was.
        assert (clip.width, clip.height) == SIZE


def test_picture_and_glances(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    make_clip(path, steady(4.0), stairs)
    clip = clips.probe(path)
    time_s, image = clips.picture(clip, 1.05)
    assert time_s == pytest.approx(31 / 30, abs=2e-3)
    assert image.shape == (SIZE[1], SIZE[0], 3)
    assert clips.picture(clip, 99.0)[0] == pytest.approx(119 / 30, abs=2e-3)
    exact = clips.glances(clip, [Box(*BOX)], 5, exact=True)
    assert [f.time_s for f in exact] == pytest.approx([0.4, 1.2, 2.0, 2.8, 3.6], abs=0.035)
    for frame in exact:
        assert float(np.median(frame.crops[0][..., 0])) == pytest.approx(
            level_of(stairs(frame.time_s + 1e-3)), abs=1
        )
    keyframes = clips.glances(clip, [Box(*BOX)], 5)
    assert all(k.time_s <= e.time_s for k, e in zip(keyframes, exact, strict=False))


@pytest.mark.parametrize("name", ["a.mp4", "a.mkv", "a.ts"])
def test_frames_at_given_times_are_those_of_the_whole_pass(tmp_path: Path, name: str) -> None:
    # In transport streams, which have no index, a seek may end at the keyframe after.
    path = tmp_path / name
    slow = {"preset": "ultrafast", "crf": "18", "g": "60"}
    make_clip(path, steady(7.0), stairs, options=slow)
    clip = clips.probe(path)
    whole = {round(f.time_s, 3): f.crops[0] for f in decode(path)[0]}
    wanted = [0.0, 0.1, 2.5, 2.6, 5.9, 6.9]
    for chosen in ([t] for t in wanted), [wanted]:
        for times in chosen:
            for time_s, frame in zip(times, clips.at_times(clip, [Box(*BOX)], times), strict=True):
                assert 0 <= time_s - frame.time_s + 1e-3 < 0.036
                np.testing.assert_array_equal(frame.crops[0], whole[round(frame.time_s, 3)])


def test_container_states(tmp_path: Path) -> None:
    make_clip(tmp_path / "a.mp4", steady(0.5), stairs)
    assert integrity.state(tmp_path / "a.mp4") == "whole"
    assert not integrity.lacks_index(tmp_path / "a.mp4")
    (tmp_path / "b.bin").write_bytes(b"anything else")
    assert integrity.state(tmp_path / "b.bin") == "unknown"
    make_clip(tmp_path / "a.avi", steady(0.5), stairs, codec="mpeg4", options={"g": "15"})
    assert integrity.state(tmp_path / "a.avi") == "unknown"
    whole = (tmp_path / "a.avi").read_bytes()
    (tmp_path / "a.avi").write_bytes(whole[: len(whole) // 2])
    assert integrity.state(tmp_path / "a.avi") == "cut"


@pytest.mark.parametrize(("missing_s", "answer"), [(-3.0, "yes"), (0.45, "yes"), (0.55, "no")])
def test_a_clip_may_lack_half_a_second_of_what_its_header_says(
    tmp_path: Path, missing_s: float, answer: str
) -> None:
    make_clip(tmp_path / "a.mp4", steady(1.0), stairs)
    _, tally = decode(tmp_path / "a.mp4")
    clip = clips.probe(tmp_path / "a.mp4")
    told = replace(clip, declared_duration_s=tally.end_s + missing_s)
    assert clips.completeness(told, tally) == answer
