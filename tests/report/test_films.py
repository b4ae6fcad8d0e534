"""Films: what they show is what was read, and the overlay in them can be read again."""

from __future__ import annotations

import math
from pathlib import Path

import av
import numpy as np
import pandas as pd
import pytest
from clipmaker import BOX, SIZE, GreyReader, stairs
from report_making import SAMPLE

from extractor.errors import UsageError
from extractor.pipeline import read_session
from extractor.reading import readers
from extractor.reading.clip_job import ReadOptions
from extractor.reading.number_parsing import interpret
from extractor.report import annotated_clip, film_parts, mosaic, theme, yuv_canvas
from extractor.report.charts import style
from extractor.report.charts.clips import RunSeries
from extractor.report.yuv_canvas import Letters
from extractor.session.folder import Session
from extractor.session.overlay import Box, unplaced
from extractor.video import clips
from extractor.video.crops import Colour
from extractor.video.encoding import film


@pytest.fixture
def read(session_folder: Path, grey_reader: GreyReader) -> Session:
    session = Session(session_folder)
    read_session(session, ReadOptions(jobs=1))
    return session


def streams(path: Path) -> list[tuple[str, str]]:
    with av.open(str(path)) as container:
        return [(s.type, s.codec_context.name) for s in container.streams]


def test_annotated_film_reads_the_same(read: Session) -> None:
    path = annotated_clip.annotate(read, "a.mp4")
    assert path == read.results / "videos" / "a.mp4"
    assert streams(path) == [("video", "h264")]
    clip = clips.probe(path)
    assert clip.width == SIZE[0]
    assert clip.height > SIZE[1]
    frames = list(clips.frames(clip, [Box(*BOX)], clips.Tally()))
    original = list(clips.frames(clips.probe(read.path("a.mp4")), [Box(*BOX)], clips.Tally()))
    assert [f.time_s for f in frames] == pytest.approx([f.time_s for f in original], abs=1e-4)
    lines = GreyReader().read([f.crops[0] for f in frames])
    assert [line.text for line in lines] == [str(stairs(f.time_s + 1e-3)) for f in original]


def test_real_overlay_survives_annotation(tmp_path: Path) -> None:
    """A second of a sample clip: the built-in reader reads the copy as it read the clip."""
    for name in ("overlay.toml",):
        (tmp_path / name).write_bytes((SAMPLE / name).read_bytes())
    cut(SAMPLE / "slab_m1_red.mp4", tmp_path / "slab.mp4", 1.0)
    session = Session(tmp_path)
    read_session(session, ReadOptions(jobs=1, crosscheck=0))
    path = annotated_clip.annotate(session, "slab.mp4")
    reader = readers.create("network")
    table = pd.read_csv(session.readings_path("slab.mp4"))
    state_boxes = [Box(*b) for b in _boxes(session)]
    clip = clips.probe(path)
    frames = list(clips.at_times(clip, state_boxes, table["time_s"].tolist()))
    for i, name in enumerate(("bitrate", "latency")):
        counted = table[f"{name}_flag"].eq("ok").to_numpy()
        assert counted.sum() >= 8
        lines = reader.read([f.crops[i] for f in frames])
        again = [interpret(line.text, line.confidence, reader.gate).value for line in lines]
        same = [
            math.isnan(b) or a == b
            for a, b, ok in zip(table[name], again, counted, strict=True)
            if ok
        ]
        assert all(same)
        assert np.isfinite(np.array(again)[counted]).mean() > 0.7


def _boxes(session: Session) -> list[list[int]]:
    from extractor.report.pack import reading_settings

    boxes = reading_settings(session, "slab.mp4")["boxes"]
    return [boxes["bitrate"], boxes["latency"]]


def cut(source: Path, target: Path, end_s: float) -> None:
    with av.open(str(source)) as old, av.open(str(target), "w") as new:
        stream = old.streams.video[0]
        copy = new.add_stream_from_template(stream)
        for packet in old.demux(stream):
            if packet.dts is not None and packet.pts * packet.time_base < end_s:
                packet.stream = copy
                new.mux(packet)


def test_mosaic_shows_all_clips_in_step(read: Session, monkeypatch) -> None:
    monkeypatch.setattr(mosaic, "MOSAIC_SIZE", (640, 360))
    path = mosaic.mosaic(read)
    assert streams(path) == [("video", "h264")]
    with av.open(str(path)) as container:
        pictures = [f.to_ndarray(format="gray") for f in container.decode(video=0)]
    assert pictures[0].shape == (360, 640)
    assert len(pictures) == 20  # the last of the 2 s is sampled at 1.9 s
    half = 320
    left, right = (np.array([p[:, at : at + half] for p in pictures]) for at in (0, half))
    for cell in (left, right):
        assert np.abs(np.diff(cell.astype(int), axis=0)).max(axis=(1, 2)).min() > 20


def test_a_clip_that_was_not_read_says_so(read: Session) -> None:
    read.readings_path("a.mp4").unlink()
    for make in (lambda: annotated_clip.annotate(read, "a.mp4"), lambda: mosaic.mosaic(read)):
        with pytest.raises(UsageError, match=r"a\.mp4: was not read yet"):
            make()
    with pytest.raises(UsageError, match="no such clip"):
        annotated_clip.annotate(read, "z.mp4")


def test_readings_hold_from_the_change_that_they_followed() -> None:
    series = pd.DataFrame(
        {
            "time_s": [0.0, 0.1, 0.2, 0.3],
            "since_s": [math.nan, 0.067, 0.067, 0.233],
            "value": [1.0, 2.0, 2.0, 3.0],
        }
    )
    shown = film_parts.Steps(series)
    rows = [shown.row_at(t) for t in (0.0, 0.033, 0.066, 0.067, 0.1, 0.2, 0.232, 0.233, 9.0)]
    assert [series["value"][r] for r in rows] == [1, 1, 1, 2, 2, 2, 2, 3, 3]
    assert shown.row_at(-1.0) == -1


@pytest.mark.parametrize(
    ("value", "flag", "text", "shown"),
    [
        (31.0, "ok", "31.0", " 31.0 Mbit/s ok "),
        (31.25, "corrected", "9", " 31.25 Mbit/s corrected "),
        (math.nan, "no_link", "--", " no link "),
        (math.nan, "", "", " not read yet "),
    ],
)
def test_tag(value, flag, text, shown) -> None:
    assert (
        annotated_clip.tag_text(value, flag, "Mbit/s", text) == shown[: annotated_clip.TAG_LETTERS]
    )


def test_tag_covers_no_marked_region() -> None:
    clip = clips.Clip(Path("x"), 640, 360, 0, "h264", 30, 1, 1, Colour(5, full=False))
    info = [unplaced(n, unit="ms") for n in ("a", "b")]
    series = {n: empty() for n in ("a", "b")}
    for boxes in (
        {"a": Box(300, 10, 60, 30), "b": Box(300, 44, 60, 30)},
        {"a": Box(0, 0, 60, 30), "b": Box(70, 0, 60, 30)},
        {"a": Box(580, 330, 60, 30), "b": Box(500, 330, 60, 30)},
    ):
        with style.drawing():
            page = annotated_clip._Page(clip, info, boxes, series, theme.looks(["x"])["x"])
            page.show(np.full((360, 640, 3), 100, np.uint8), 0.0)
        for box in boxes.values():
            inside = page.picture[box.y : box.y + box.height, box.x : box.x + box.width, 0]
            assert (inside == 100).all()


def empty() -> pd.DataFrame:
    return pd.DataFrame(
        {"time_s": [0.0], "since_s": [math.nan], "value": [5.0], "text": ["5"], "flag": ["ok"]}
    )


def test_strip_is_faint_ahead_of_now() -> None:
    times = np.arange(50) / 10
    series = pd.DataFrame({"time_s": times, "value": 20.0, "flag": "ok"})
    run = RunSeries("", series, theme.looks(["x"])["x"], math.nan)
    with style.drawing():
        strip = yuv_canvas.Strip(run, 400, 100, "bitrate")
    start, end = strip.at(0.0), strip.at(4.9)
    darkest = [int(p[:, strip.left + 60 : strip.right - 20, 0].min()) for p in (start, end)]
    assert darkest[1] + 40 < darkest[0]


def test_pictures_round_trip_and_stay_inside() -> None:
    page = yuv_canvas.blank(64, 32, "#ffffff")
    yuv_canvas.paste(page, yuv_canvas.blank(20, 20, "#000000"), 54, 20)
    assert yuv_canvas.packed(page).shape == (48, 64)
    assert page[31, 63, 0] < 20 < 200 < page[0, 0, 0]
    yuv_canvas.draw_frame(page, Box(0, 0, 10, 10), 2)
    assert page[5, 5, 0] > 200
    wide, narrow = (Letters(20).picture(t).shape[1] for t in ("12.5", "1"))
    assert wide == 4 * narrow


def test_film_that_fails_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError), film(tmp_path / "f.mp4", 64, 32, 10) as add:
        add(yuv_canvas.packed(yuv_canvas.blank(64, 32, "#ffffff")), 0.0)
        raise RuntimeError
    assert not list(tmp_path.iterdir())
