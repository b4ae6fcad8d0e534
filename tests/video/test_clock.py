"""Clips whose clock jumps, that have holes or damage: read on a clock that runs on, and said."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from pathlib import Path

import av
import numpy as np
import pytest
from clipmaker import BOX, GreyReader, make_clip, overlay_toml, stairs, steady

from extractor import pipeline
from extractor.reading import clip_reading
from extractor.reading.clip_job import ReadOptions
from extractor.reading.number_parsing import interpret
from extractor.results import load
from extractor.review.checked import waiting
from extractor.session.folder import Session
from extractor.session.overlay import Box, Field
from extractor.statistics.flags import Flag
from extractor.statistics.sampling import sampling_of
from extractor.video import clips
from extractor.video.continuity import Clock, usual_step_s
from extractor.video.h264 import FrameNumbers

FIELD = Field("bitrate", (320, 180), Box(*BOX))
#: A keyframe every 2 s: what is lost in between stays lost for long.
SLOW = {"preset": "veryfast", "crf": "18", "g": "60", "sc_threshold": "0"}


def read(path: Path, **more: object) -> clip_reading.ClipReadings:
    return clip_reading.read_fields(clips.probe(path), [FIELD], [FIELD.box], GreyReader(), **more)


def judged(
    result: clip_reading.ClipReadings, value_at: Callable[[float], int], within: int = 0
) -> dict[str, list[float]]:
    """Return the times of rows that are right, wrong and unreadable."""
    seen = result.fields["bitrate"]
    rows: dict[str, list[float]] = {"right": [], "wrong": [], "unreadable": []}
    for time_s, text, sure in zip(result.time_s, seen.text, seen.confidence, strict=True):
        found = interpret(text, sure, GreyReader.gate)
        # The times of joined parts are as fine as the files' own clocks: 2 ms.
        near = [value_at(max(0.0, time_s + d)) for d in (-0.002, 0.002)]
        right = any(abs(found.value - value) <= within for value in near)
        unreadable = found.flag == Flag.UNREADABLE
        rows["unreadable" if unreadable else "right" if right else "wrong"].append(time_s)
    return rows


def part(path: Path, begin_s: float, end_s: float, clock_s: float, **more: object) -> bytes:
    """Write what is on between two times, with a clock of its own, and return the file."""
    times = [t for t in steady(end_s) if t >= begin_s - 1e-6]
    offset = clock_s - begin_s
    make_clip(
        path,
        [t + offset for t in times],
        lambda t: stairs(t - offset),
        scene_at=lambda t: int((t - offset) * 37),
        **more,
    )
    return path.read_bytes()


def joined(path: Path, first_s: float, length_s: float, clock_s: float, began_s: float = 0) -> None:
    """Join two recordings byte by byte; their clocks begin at `began_s` and `clock_s`."""
    one = part(path.with_stem("one"), 0, first_s, began_s)
    path.write_bytes(one + part(path.with_stem("two"), first_s, length_s, clock_s))


def started_below_zero(path: Path) -> None:
    part(path, 0, 6, -2, container_options={"avoid_negative_ts": "disabled"})


JUMPS = [
    pytest.param("a.ts", lambda p: joined(p, 3, 6, 0), "back by 3.0 s", id="joined-ts"),
    pytest.param("a.mkv", lambda p: joined(p, 3, 6, 0), "back by 3.0 s", id="joined-mkv"),
    pytest.param("a.ts", lambda p: joined(p, 4, 6, 2), "back by 2.0 s", id="set-back-ts"),
    pytest.param("a.ts", lambda p: joined(p, 4, 6, 9000), "ahead by 8996.0 s", id="leap-ts"),
    pytest.param("a.ts", lambda p: joined(p, 3, 6, 0, 9000), "back by 9003.0 s", id="hours-ts"),
    pytest.param("a.mp4", started_below_zero, "begins 2.0 s before", id="below-zero-mp4"),
    pytest.param("a.ts", started_below_zero, "begins 2.0 s before", id="below-zero-ts"),
    pytest.param("a.mkv", started_below_zero, "back by 2.0 s", id="below-zero-mkv"),
]


@pytest.mark.parametrize(("name", "make", "said"), JUMPS)
def test_all_is_read_on_a_clock_that_runs_on(
    tmp_path: Path, name: str, make: Callable[[Path], None], said: str
) -> None:
    path = tmp_path / name
    make(path)
    result = read(path)
    rows = judged(result, stairs)
    assert not rows["wrong"]
    assert result.time_s == pytest.approx([i / 10 for i in range(60)], abs=0.036)
    assert len(rows["right"]) == 60
    assert result.duration_s == pytest.approx(6.0, abs=0.01)
    assert result.tally.out_of_order == 0
    assert result.complete != "no"
    (remark,) = [r for r in result.remarks if "clock" in r]
    assert said in remark


@pytest.mark.parametrize(("name", "make", "said"), JUMPS)
def test_a_picture_asked_for_is_the_one_that_was_read(
    tmp_path: Path, name: str, make: Callable[[Path], None], said: str
) -> None:
    path = tmp_path / name
    make(path)
    clip, box = clips.probe(path), Box(*BOX)
    whole = {round(f.time_s, 2): f.crops[0] for f in clips.frames(clip, [box], clips.Tally())}
    wanted = [0.1, 1.1, 2.55, 3.4, 5.9]
    for times in ([t] for t in wanted), [wanted]:
        for chosen in times:
            for time_s, frame in zip(chosen, clips.at_times(clip, [box], chosen), strict=True):
                assert 0 <= time_s - frame.time_s + 3e-3 < 0.04
                np.testing.assert_array_equal(frame.crops[0], whole[round(frame.time_s, 2)])
    shown = next(clips.at_times(clip, [box], [3.4]))
    assert shown.time_s == pytest.approx(3.4, abs=0.036)
    assert clips.picture(clip, 5.0)[0] == pytest.approx(5.0, abs=0.036)
    assert len(clips.glances(clip, [box], 3, exact=True)) == 3


def test_what_an_edit_hides_up_to_one_keyframe_stays_hidden(tmp_path: Path) -> None:
    # What cutting without encoding again leaves; more than that is footage: see above.
    path = tmp_path / "a.mp4"
    part(path, 0, 4, -0.7, options=SLOW, container_options={"avoid_negative_ts": "disabled"})
    result = read(path)
    assert result.duration_s == pytest.approx(3.3, abs=0.05)
    assert not judged(result, lambda t: stairs(t + 0.7))["wrong"]


@pytest.mark.parametrize("name", ["a.mp4", "a.mkv", "a.ts"])
def test_a_hole_is_named_and_counts_as_not_read(
    tmp_path: Path, name: str, grey_reader: GreyReader
) -> None:
    times = [t if t < 3 else t + 9 for t in steady(6)]

    def shown(t: float) -> int:
        return stairs(t if t < 3 else t - 9)  # the same number on both sides

    make_clip(tmp_path / name, times, shown)
    result = read(tmp_path / name)
    assert not judged(result, shown)["wrong"]
    assert len(result.time_s) == 60
    # When the number behind the hole appeared is not known.
    row = next(i for i, t in enumerate(result.time_s) if t > 4)
    assert math.isnan(result.fields["bitrate"].since_s[row])
    assert result.frame_s == pytest.approx(1 / 30, abs=1e-3)
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    report = pipeline.read_session(Session(tmp_path), ReadOptions(jobs=1, crosscheck=0))
    assert report.rows[0]["coverage"] == pytest.approx(60 / 150, abs=0.01)
    (note,) = report.clips[0].notes
    assert note == "Nothing was recorded from 3.0 to 12.0 s; that time counts as not read."
    # Kept from the last time, it is still said.
    report = pipeline.read_session(Session(tmp_path), ReadOptions(jobs=1, crosscheck=0))
    assert report.clips[0].outcome == "kept"
    assert report.clips[0].notes == (note,)


def test_steady_clips_have_no_holes(tmp_path: Path) -> None:
    for rate_hz in (60, 30, 25, 24, 15, 12, 7, 4, 1):
        path = tmp_path / f"{rate_hz}.mp4"
        make_clip(path, steady(8.0, rate_hz), stairs)
        result = read(path)
        assert result.remarks == [], rate_hz
        times = np.asarray(result.time_s)
        assert sampling_of(times).missing_rows(times) == 0, rate_hz


def packets_of(path: Path) -> tuple[av.container.InputContainer, list[av.Packet]]:
    container = av.open(str(path))
    return container, [p for p in container.demux(container.streams.video[0]) if p.size]


def rewritten(
    path: Path, out: Path, change: Callable[[int, bytes], bytes | None], late: int = -1
) -> None:
    """Copy a clip packet by packet; `change` may alter or drop one, `late` gets a wrong time."""
    container, packets = packets_of(path)
    with container, av.open(str(out), "w") as target:
        stream = target.add_stream_from_template(container.streams.video[0])
        for number, old in enumerate(packets):
            content = change(number, bytes(old))
            if content is None:
                continue
            new = av.Packet(content)
            new.pts, new.dts, new.time_base = old.pts, old.dts, old.time_base
            new.is_keyframe, new.duration, new.stream = old.is_keyframe, old.duration, stream
            if number == late:
                new.pts += round(100 / float(old.time_base))
            target.mux(new)


def test_one_absurd_display_time_costs_one_picture(tmp_path: Path) -> None:
    make_clip(tmp_path / "whole.mp4", steady(4), stairs)
    rewritten(tmp_path / "whole.mp4", tmp_path / "a.mp4", lambda n, c: c, late=40)
    result = read(tmp_path / "a.mp4")
    rows = judged(result, stairs)
    assert not rows["wrong"]
    assert len(rows["right"]) >= 39


def lost(first: int, count: int) -> Callable[[int, bytes], bytes | None]:
    return lambda n, c: None if first <= n < first + count else c


def broken(number: int) -> Callable[[int, bytes], bytes | None]:
    def change(n: int, content: bytes) -> bytes:
        half = len(content) // 2
        return content[:half] + bytes(len(content) - half) if n == number else content

    return change


DAMAGE = [
    pytest.param("libx264", "mkv", lost(80, 7), id="h264-7-lost-mkv"),
    pytest.param("libx264", "mp4", lost(80, 7), id="h264-7-lost-mp4"),
    pytest.param("libx264", "mp4", lost(72, 11), id="h264-11-lost-mp4"),
    pytest.param("libx264", "mkv", broken(84), id="h264-broken"),
    pytest.param("mpeg4", "mkv", lost(70, 17), id="mpeg4-17-lost"),
    pytest.param("mpeg4", "mkv", broken(84), id="mpeg4-broken"),
]


@pytest.mark.parametrize(("codec", "suffix", "change"), DAMAGE)
def test_pictures_made_up_after_damage_do_not_count(
    tmp_path: Path, codec: str, suffix: str, change: Callable[[int, bytes], bytes | None]
) -> None:
    whole, path = tmp_path / f"whole.{suffix}", tmp_path / f"a.{suffix}"
    options = SLOW if codec == "libx264" else {"g": "60", "b:v": "40M", "qmin": "1"}
    # Only the number moves: nothing but the lost packets says what it is now.
    make_clip(whole, steady(6), stairs, codec=codec, options=options, scene_at=lambda t: 0)
    rewritten(whole, path, change)
    result = read(path, rate_hz=30)
    # This codec gives greys that are off by one of the patch's numbers; those go by sevens.
    rows = judged(result, stairs, within=1 if codec == "mpeg4" else 0)
    assert not rows["wrong"], result.tally
    (remark,) = [r for r in result.remarks if "cannot be believed" in r]
    assert "damaged or missing" in remark
    # The rest is read: up to the damage and from the next keyframe, at 4 s, on.
    assert 2.0 < min(rows["unreadable"]) < 3.5
    assert 3.9 < max(rows["unreadable"]) < 4.0
    assert max(t for t in rows["right"] if t < 3.5) > 2.0
    assert len([t for t in rows["right"] if t > 3.99]) >= 55


def test_pictures_after_damage_are_indeed_stale(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Without the rule the numbers are wrong and look right: the clips above are what they claim.
    monkeypatch.setattr("extractor.video.continuity.Damage.spoils", lambda *_: False)
    with pytest.raises(AssertionError):
        test_pictures_made_up_after_damage_do_not_count(tmp_path, "libx264", "mp4", lost(80, 7))


def test_damage_is_not_shown_to_be_corrected(tmp_path: Path, grey_reader: GreyReader) -> None:
    make_clip(tmp_path / "whole.mp4", steady(6), stairs, options=SLOW)
    rewritten(tmp_path / "whole.mp4", tmp_path / "a.mp4", broken(3))
    (tmp_path / "whole.mp4").unlink()
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    report = pipeline.read_session(Session(tmp_path), ReadOptions(jobs=1, crosscheck=0))
    assert report.rows[0]["n_unreadable"] >= 15
    assert not any("look at the box" in note for note in report.clips[0].notes)
    assert not [c for c in waiting(load(tmp_path)) if c.flag == "unreadable"]
    with (tmp_path / "results/readings/a.csv").open() as stream:
        table = list(csv.DictReader(stream))
    assert {r["bitrate"] for r in table if r["bitrate_flag"] == "unreadable"} == {""}


@pytest.mark.parametrize(
    "options",
    [
        {"preset": "ultrafast", "profile": "baseline"},
        {"preset": "veryfast"},
        {"preset": "veryfast", "x264-params": "cqm=jvt:8x8dct=1"},
        {"preset": "veryfast", "x264-params": "interlaced=1"},
    ],
    ids=["baseline", "high", "scaling lists", "interlaced"],
)
@pytest.mark.parametrize("suffix", ["mp4", "ts"])
def test_numbers_of_h264_pictures(tmp_path: Path, options: dict[str, str], suffix: str) -> None:
    path = tmp_path / f"a.{suffix}"
    make_clip(path, steady(2), stairs, options=options | {"g": "300"})
    container, packets = packets_of(path)
    with container:
        numbers = FrameNumbers(bytes(container.streams.video[0].codec_context.extradata))
        found = [number for p in packets if (number := numbers.of(p))]
        pairs = list(pairwise(found))
        assert len(found) == len(packets)
        assert all(numbers.follows(a, b) for a, b in pairs)
        far = zip(found, found[9:], strict=False)
        assert not any(numbers.follows(a, b) for a, b in far)
        assert numbers.of(av.Packet(b"\0\0\0\1")) is None
        # Behind a long remark of the encoder's, too.
        remark = b"\6" + bytes([5]) * 999
        before = len(remark).to_bytes(4) if suffix == "mp4" else b"\0\0\0\1"
        assert numbers.of(av.Packet(before + remark + bytes(packets[5]))) == found[5]
    for content in (b"", b"\1\2\3\4\5\6\7\x08", b"\0\0\1\x67", b"\0\0\1\x68\1\2"):
        with pytest.raises((ValueError, IndexError)):
            FrameNumbers(content)


class Stamped:
    """A packet as the clock sees it."""

    def __init__(self, pts: float | None, dts: float | None) -> None:
        self.is_keyframe, self.is_discard = True, False
        self.pts, self.dts = (None if t is None else round(t * 1000) for t in (pts, dts))


def run(stamps: Sequence[tuple[float | None, float | None]]) -> Iterator[float]:
    clock = Clock(step_s=0.04)
    for pts, dts in stamps:
        clock.run(Stamped(pts, dts), 1e-3)
        yield round(clock.now_s, 3)


def test_the_clock_alone() -> None:
    assert list(run([(5, 5), (5.04, 5.04), (5.08, 5.08)])) == [5, 5.04, 5.08]
    assert list(run([(5, 5), (5.04, 5.04), (1, 1), (1.04, 1.04)])) == [5, 5.04, 5.08, 5.12]
    # Held for two minutes: that may be; for half a day: that is the clock.
    assert list(run([(0, 0), (120, 120)])) == [0, 120]
    assert list(run([(0, 0), (50_000, 50_000), (0.08, 0.08)])) == [0, 0.04, 0.08]
    # Display times alone go up and down among a few pictures.
    assert list(run([(0, None), (0.6, None), (0.04, None), (0.08, None)])) == [0, 0.6, 0.6, 0.6]
    assert list(run([(None, None), (None, None), (0.0, 0.0)])) == [0.0, 0.04, 0.04]
    assert usual_step_s(0.04, 90.0) == pytest.approx(0.06)


def test_joined_mp4_files_are_named(tmp_path: Path) -> None:
    one = part(tmp_path / "one.mp4", 0, 1, 0)
    path = tmp_path / "a.mp4"
    path.write_bytes(one + part(tmp_path / "two.mp4", 1, 2, 0))
    (remark,) = read(path).remarks
    assert "2 recordings" in remark


def test_matroska_files_joined_that_are_not_read_are_named(tmp_path: Path) -> None:
    files = [part(tmp_path / "one.mkv", i, i + 1, 0) for i in range(3)]
    path = tmp_path / "a.mkv"
    path.write_bytes(b"".join(files))
    result = read(path)
    assert result.duration_s == pytest.approx(2.0, abs=0.1)
    assert "3 recordings joined end to end; only the first 2 can be read" in result.remarks[-1]


@pytest.mark.parametrize("name", ["a.mp4", "a.mkv", "a.ts", "fragmented.mp4"])
def test_a_quick_look_calls_no_whole_clip_cut_off(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    more = {"movflags": "frag_keyframe+empty_moov"} if name[0] == "f" else {}
    make_clip(path, steady(5.5), stairs, options=SLOW, container_options=more)
    quick, whole = read(path, keyframes_only=True), read(path)
    assert len(quick.time_s) == 3
    assert quick.complete == whole.complete != "no"
    assert quick.duration_s == pytest.approx(whole.duration_s, abs=0.04)
    if name in ("a.mkv", "fragmented.mp4"):
        content = path.read_bytes()
        path.write_bytes(content[: len(content) * 7 // 10])
        assert read(path, keyframes_only=True).complete == "no"
