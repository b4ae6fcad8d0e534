"""Times and crops of `extractor.video.clips` against ffprobe, on clips whose time is not simple.

ffmpeg (from the system, not PyAV's own copy) makes the clips and ffprobe says when each frame is
shown. The brightness of frame n is 20 + n, so that a right time on a wrong picture fails too.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest
from outside.footage import ffmpeg, missing

from extractor.session.overlay import Box
from extractor.video.clips import Tally, at_times, frames, glances, picture, probe

pytestmark = pytest.mark.skipif(missing() is not None, reason=str(missing()))

SIZE = (64, 48)
MIDDLE = Box(24, 16, 16, 16)


def ramp(rate: str, seconds: float, more: str = "") -> list[str]:
    """Return inputs and filters for a clip whose frame n has luma 20 + n everywhere."""
    source = f"nullsrc=s={SIZE[0]}x{SIZE[1]}:r={rate}:d={seconds}"
    graph = f"{source},geq=lum='20+N':cb=128:cr=128,format=yuv420p{more}"
    return ["-f", "lavfi", "-i", graph, "-c:v", "libx264", "-threads", "1", "-crf", "12"]


def constant(path: Path) -> None:
    ffmpeg(*ramp("25", 3), "-bf", "3", path)


def broadcast(path: Path) -> None:
    ffmpeg(*ramp("30000/1001", 3), path)


def variable(path: Path) -> None:
    drops = r",select='eq(n\,0)+gt(random(3)\,0.4)'"
    ffmpeg(*ramp("50", 3, drops), "-vsync", "vfr", path)


def offset(path: Path) -> None:
    ffmpeg(*ramp("25", 2), "-output_ts_offset", "7.3", path)


def gap(path: Path) -> None:
    ffmpeg(*ramp("25", 5, r",select='lt(t\,1)+gt(t\,3.2)'"), "-vsync", "vfr", path)


def edit_list(path: Path) -> None:
    whole = path.with_name(f"whole-{path.name}")
    ffmpeg(*ramp("25", 4), "-g", "100", "-bf", "2", whole)
    # Copied from the middle of a group of pictures: the file starts at the keyframe, and an
    # edit list says that showing starts later.
    ffmpeg("-ss", "1.4", "-i", whole, "-c", "copy", path)


def wrong_rate(path: Path) -> None:
    ffmpeg(*ramp("25", 3), path)
    # DefaultDuration (ID 23 E3 83, RFC 9559): nanoseconds a frame, from 25 to 60 frames a second.
    data, mark = path.read_bytes(), b"\x23\xe3\x83\x84"
    assert data.count(mark + (40_000_000).to_bytes(4, "big")) == 1
    right, wrong = (mark + number.to_bytes(4, "big") for number in (40_000_000, 16_666_667))
    path.write_bytes(data.replace(right, wrong))


MAKERS = [
    pytest.param(constant, "mp4", id="constant-mp4"),
    pytest.param(broadcast, "mkv", id="30000/1001-mkv"),
    pytest.param(variable, "mp4", id="variable-mp4"),
    pytest.param(variable, "mkv", id="variable-mkv"),
    pytest.param(offset, "ts", id="offset-ts"),
    pytest.param(offset, "mkv", id="offset-mkv"),
    pytest.param(gap, "mp4", id="gap-mp4"),
    pytest.param(edit_list, "mp4", id="edit-list-mp4"),
    pytest.param(wrong_rate, "mkv", id="wrong-rate-mkv"),
]


def shown_by_ffprobe(path: Path) -> list[float]:
    """Return the time of each displayed frame, first = 0, as ffprobe states it."""
    command = ["ffprobe", "-v", "error", "-select_streams", "v:0", "-show_frames"]
    command += ["-show_entries", "frame=best_effort_timestamp_time", "-of", "csv=p=0", str(path)]
    text = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    times = [float(line.split(",")[0]) for line in text.splitlines() if line.strip(",")]
    return [time - times[0] for time in times]


def rates_by_ffprobe(path: Path) -> str:
    command = ["ffprobe", "-v", "error", "-select_streams", "v:0"]
    command += ["-show_entries", "stream=r_frame_rate,avg_frame_rate", "-of", "csv=p=0", str(path)]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()


def decode(path: Path, box: Box = MIDDLE) -> tuple[list[float], list[float]]:
    """Return the times and the mean lumas that `extractor.video.clips` gives."""
    times, lumas = [], []
    for frame in frames(probe(path), [box], Tally()):
        times.append(frame.time_s)
        lumas.append(float(frame.crops[0][..., 0].mean()))
    return times, lumas


@pytest.mark.parametrize(("maker", "suffix"), MAKERS)
def test_times_equal_those_of_ffprobe(maker, suffix, tmp_path):
    path = tmp_path / f"clip.{suffix}"
    maker(path)
    times, _ = decode(path)
    expected = shown_by_ffprobe(path)
    assert len(times) == len(expected)
    np.testing.assert_allclose(times, expected, atol=2e-6)
    assert times[0] == 0


@pytest.mark.parametrize(("maker", "suffix"), MAKERS)
def test_the_picture_belongs_to_its_time(maker, suffix, tmp_path):
    rates = {broadcast: 30000 / 1001, variable: 50.0}
    path = tmp_path / f"clip.{suffix}"
    maker(path)
    times, lumas = decode(path)
    numbers = np.asarray(lumas) - lumas[0]
    # Timestamps in milliseconds (MKV) and the encoder's rounding allow for half a frame.
    np.testing.assert_allclose(np.asarray(times) * rates.get(maker, 25.0), numbers, atol=0.5)
    assert numbers[-1] > 30


def test_the_clips_are_what_they_claim(tmp_path):
    # Without this a change in ffmpeg could turn the hard cases into plain ones unnoticed.
    for maker, suffix in ((wrong_rate, "mkv"), (edit_list, "mp4"), (gap, "mp4"), (offset, "ts")):
        maker(tmp_path / f"{maker.__name__}.{suffix}")
    assert "60/1" in rates_by_ffprobe(tmp_path / "wrong_rate.mkv")
    assert b"elst" in (tmp_path / "edit_list.mp4").read_bytes()
    _, lumas = decode(tmp_path / "edit_list.mp4")
    assert lumas[0] == pytest.approx(20 + 1.4 * 25, abs=1.5)
    assert max(np.diff(shown_by_ffprobe(tmp_path / "gap.mp4"))) > 2
    first = subprocess.run(
        ["ffprobe", "-v", "error", "-show_entries", "format=start_time", "-of", "csv=p=0",
         str(tmp_path / "offset.ts")],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    assert float(first) > 7


@pytest.mark.parametrize("degrees", [90, 180, 270])
def test_a_rotation_flag_turns_size_and_crop(degrees, tmp_path):
    plain, turned = tmp_path / "plain.mp4", tmp_path / "turned.mp4"
    patch = "color=gray:s=64x48:d=1,drawbox=x=0:y=0:w=16:h=16:color=white:t=fill,format=yuv420p"
    ffmpeg("-f", "lavfi", "-i", patch, "-c:v", "libx264", "-crf", "12", plain)
    ffmpeg("-i", plain, "-c", "copy", "-metadata:s:v", f"rotate={degrees}", turned)
    # What a player shows: ffmpeg itself turns by the flag when it decodes.
    png = tmp_path / "shown.png"
    ffmpeg("-i", turned, "-frames:v", "1", png)
    import cv2

    shown = cv2.imread(str(png), cv2.IMREAD_GRAYSCALE)
    clip = probe(turned)
    assert (clip.width, clip.height) == (shown.shape[1], shown.shape[0])
    seen = np.zeros(shown.shape)
    for y in range(0, clip.height, 16):
        for x in range(0, clip.width, 16):
            frame = next(frames(clip, [Box(x, y, 16, 16)], Tally()))
            seen[y : y + 16, x : x + 16] = frame.crops[0][..., 0].mean()
    bright = np.argwhere(shown > 200).mean(axis=0)
    np.testing.assert_allclose(np.argwhere(seen > 200).mean(axis=0), bright, atol=1)


def two_films(path: Path) -> None:
    plain = "color=red:s=64x48:r=25:d=1"
    film = ramp("25", 1)
    ffmpeg("-f", "lavfi", "-i", plain, *film, "-map", "0", "-map", "1",
           "-disposition:v:0", "0", "-disposition:v:1", "default", path)  # fmt: skip


def cover(path: Path, *more: str) -> None:
    picture = path.with_name("cover.png")
    ffmpeg("-f", "lavfi", "-i", "color=red:s=80x80:r=1:d=1", "-frames:v", "1", picture)
    ffmpeg("-i", picture, *ramp("25", 1), "-map", "0", "-map", "1",
           "-c:v:0", "mjpeg", "-c:v:1", "libx264", *more, path)  # fmt: skip


@pytest.mark.parametrize("suffix", ["mp4", "mkv"])
@pytest.mark.parametrize("maker", [two_films, cover], ids=["two films", "cover"])
def test_the_film_is_read_that_players_show(maker, suffix, tmp_path):
    # In Matroska the cover is not marked as one and comes first; in both it is of another size.
    path = tmp_path / f"a.{suffix}"
    more = ("-disposition:v:0", "attached_pic") if maker is cover and suffix == "mp4" else ()
    maker(path, *more)
    clip = probe(path)
    assert (clip.width, clip.height) == SIZE
    times, lumas = decode(path)
    assert len(times) == 25
    assert lumas[-1] - lumas[0] == pytest.approx(24, abs=0.7)
    assert picture(clip, 0.5)[1].shape == (SIZE[1], SIZE[0], 3)
    (frame,) = at_times(clip, [MIDDLE], [0.4])
    assert frame.crops[0][..., 0].mean() == pytest.approx(lumas[10], abs=0.01)


@pytest.mark.parametrize("degrees", [90, 180, 270])
def test_every_way_in_shows_a_turned_picture_as_players_do(degrees, tmp_path):
    plain, turned, png = tmp_path / "plain.mp4", tmp_path / "turned.mp4", tmp_path / "shown.png"
    ffmpeg(*ramp("25", 1, ",drawbox=x=0:y=0:w=16:h=16:color=white:t=fill"), plain)
    ffmpeg("-i", plain, "-c", "copy", "-metadata:s:v", f"rotate={degrees}", turned)
    ffmpeg("-i", turned, "-frames:v", "1", png)
    import cv2

    shown = cv2.imread(str(png))
    clip = probe(turned)
    image = picture(clip, 0.0)[1]
    assert image.shape == shown.shape
    assert np.abs(image.astype(int) - shown).mean() < 3
    whole = Box(0, 0, clip.width, clip.height)
    luma = image.astype(float).mean(axis=2)
    bright = np.argwhere(luma > 200).mean(axis=0)
    quick = next(frames(clip, [whole], Tally(), keyframes_only=True))
    for frame in (quick, *at_times(clip, [whole], [0.0]),
                  *glances(clip, [whole], 1)):  # fmt: skip
        found = np.argwhere(frame.crops[0][..., 0] > 200).mean(axis=0)
        np.testing.assert_allclose(found, bright, atol=1)
