"""Films: what they show is what was read, and the file is what it says it is."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import av
import cv2
import numpy as np
import pandas as pd
import pytest
from clipmaker import BOX, SIZE, GreyReader, make_clip, overlay_toml, stairs, steady
from report_making import SAMPLE, made_up_session, rounds, truth_session
from seeing import contrast

from extractor.errors import StorageError, UsageError
from extractor.pipeline import read_session
from extractor.reading import readers
from extractor.reading.clip_job import ReadOptions
from extractor.reading.number_parsing import interpret
from extractor.report import annotated_clip, film_parts, mosaic, ranking_film, theme
from extractor.report.canvas import Canvas, Layer, split
from extractor.report.card import COVER_DARK, COVER_LIGHT, TRANSPARENT
from extractor.report.mosaic_cell import short
from extractor.report.story import told
from extractor.session.folder import Session
from extractor.session.overlay import Box, unplaced
from extractor.video import clips
from extractor.video.crops import Colour
from extractor.video.encoding import Format, film, parse_format, planes


@pytest.fixture
def read(session_folder: Path, grey_reader: GreyReader) -> Session:
    session = Session(session_folder)
    read_session(session, ReadOptions(jobs=1))
    return session


def pictures(path: Path, form: str = "rgba") -> list[np.ndarray]:
    # PyAV 16 takes limited range for full unless it is told.
    told = {"src_color_range": "MPEG", "dst_color_range": "JPEG"}
    with opened(path) as container:
        return [
            f.reformat(format=form, **({} if f.format.is_rgb else told)).to_ndarray()
            for f in container.decode(video=0)
        ]


def opened(path: Path):
    if path.is_dir():
        return av.open(f"{path}/%05d.png", format="image2")
    return av.open(str(path))


# Files.


@pytest.mark.parametrize("rate", [25.0, 60.0])
@pytest.mark.parametrize(
    ("codec", "name", "pixels"),
    [
        ("h264", "h264", "yuv420p"),
        ("h265", "hevc", "yuv420p"),
        ("prores", "prores", "yuva444p12le"),  # decoded so, whatever the encoder was given
        ("png", "png", "rgba"),
    ],
)
def test_every_codec_is_what_it_says(tmp_path, codec, name, pixels, rate) -> None:
    form = parse_format("640x480", rate, codec)
    path = tmp_path / f"film{form.suffix}"
    drawn = np.zeros((480, 640, 4), np.uint8)
    drawn[:, :320] = (100, 20, 20, 128)  # half clear: colours are already times that
    drawn[:, 320:480] = (20, 200, 40, 255)
    with film(path, form) as add:
        for i in range(6):
            add(drawn, i / rate)
    with opened(path) as container:
        stream = container.streams.video[0]
        assert (stream.codec_context.name, stream.width, stream.height) == (name, 640, 480)
        assert len(container.streams) == 1
        frames = list(container.decode(stream))
        assert [f.format.name for f in frames] == [pixels] * 6
        if codec != "png":
            assert float(stream.average_rate) == rate
            assert float(stream.duration * stream.time_base) == pytest.approx(6 / rate, abs=1e-3)
            assert [f.time for f in frames] == pytest.approx([i / rate for i in range(6)], abs=1e-4)
            assert (frames[0].colorspace, frames[0].color_range) == (1, 1)
            if hasattr(frames[0], "color_primaries"):  # not in PyAV 16
                assert (frames[0].color_primaries, frames[0].color_trc) == (1, 1)
    seen = pictures(path)[-1]
    assert seen[240, 400] == pytest.approx([20, 200, 40, 255], abs=6)
    if form.alpha:
        assert seen[240, 100] == pytest.approx([199, 40, 40, 128], abs=4)
        assert seen[240, 600, 3] == 0
    if codec == "png":
        assert sorted(p.name for p in path.iterdir())[0] == "00001.png"


def test_a_film_that_fails_leaves_nothing_and_strange_folders_are_left_alone(tmp_path) -> None:
    blank = np.zeros((480, 640, 4), np.uint8)
    for codec in ("h264", "png"):
        form = parse_format("640x480", codec=codec)
        with pytest.raises(RuntimeError), film(tmp_path / f"f{form.suffix}", form) as add:
            add(blank, 0.0)
            raise RuntimeError
        assert not list(tmp_path.iterdir())
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").touch()
    with pytest.raises(StorageError, match="other things"), film(tmp_path / "mine", form) as add:
        add(blank, 0.0)
    assert (tmp_path / "mine" / "notes.txt").exists()
    for i in (3, 2):  # a shorter one leaves none of the longer one's pictures
        with film(tmp_path / "100% mine", form) as add:
            for k in range(i):
                add(blank, k / 30)
    assert len(list((tmp_path / "100% mine").iterdir())) == 2


@pytest.mark.parametrize(
    ("size", "rate", "codec"),
    [
        *((s, 30, "h264") for s in ("", "big", "1920", "10x10", "99999x99999", "1921x1080")),
        *(("1920x1080", rate, "h264") for rate in (0.5, 500)),
        ("1920x1080", 30, "vhs"),
    ],
)
def test_formats_that_are_none(size, rate, codec) -> None:
    with pytest.raises(UsageError, match=r"--(size|rate|codec)"):
        parse_format(size, rate, codec)


def test_colours_come_out_as_they_went_in_and_agree_with_the_way_back() -> None:
    from extractor.video.crops import rgb

    for matrix in (1, 5):
        for color in ("#b3dbff", "#41ad00", "#182028", "#ffffff", "#ff7379"):
            ink = np.array([int(color[i : i + 2], 16) for i in (1, 3, 5)], np.uint8)
            flat = planes(np.full((4, 4, 3), ink, np.uint8), matrix).reshape(-1)
            stored = np.array([[[flat[0], flat[16], flat[20]]]], np.uint8)
            assert rgb(stored, Colour(matrix, full=False))[0, 0] == pytest.approx(ink, abs=3)


def test_text_over_any_footage_keeps_its_contrast() -> None:
    for dark, cover, behind in ((True, COVER_DARK, "#ffffff"), (False, COVER_LIGHT, "#000000")):
        canvas = Canvas(8, 8, dark=dark)
        canvas.pixels[:] = [*(int(behind[i : i + 2], 16) for i in (1, 3, 5)), 255]
        canvas.box(0, 0, 8, 8, theme.PAPER, cover)
        ground = "#" + "".join(f"{v:02x}" for v in canvas.pixels[4, 4, :3])
        inks = [theme.INK, theme.SOFT, theme.WARN, *(pair[0] for pair in theme.PALETTE.values())]
        assert min(contrast(canvas.tone(ink), ground) for ink in inks) >= 4.5  # WCAG 2.2, 1.4.3


def test_a_layer_over_planes_and_over_a_picture_shows_the_same() -> None:
    under, over = Canvas(64, 32), Canvas(32, 16)
    under.box(0, 0, 64, 32, theme.WARN)
    over.box(0, 0, 16, 16, theme.INK, 0.5)
    layer = Layer(over.pixels, 1)
    flat = planes(under.pixels, 1).reshape(-1)
    before = flat.copy()
    layer.over(split(flat, 64, 32), 8, 4)
    layer.onto(under.pixels, 8, 4)
    wanted = planes(under.pixels, 1).reshape(-1)
    assert np.abs(flat.astype(int) - wanted).max() <= 2
    clear = split(flat, 64, 32)[0][4:20, 24:40]
    assert (clear == split(before, 64, 32)[0][4:20, 24:40]).all()


# The annotated clip.


def test_annotated_film_reads_the_same(read: Session) -> None:
    path = annotated_clip.annotate(read, "a.mp4")
    assert path == read.results / "videos" / "a.mp4"
    clip = clips.probe(path)
    assert (clip.width, clip.height, clip.codec) == (*SIZE, "h264")
    frames = list(clips.frames(clip, [Box(*BOX)], clips.Tally()))
    source = clips.probe(read.path("a.mp4"))
    original = list(clips.frames(source, [Box(*BOX)], clips.Tally()))
    assert clip.colour == source.colour
    assert [f.time_s for f in frames] == pytest.approx([f.time_s for f in original], abs=1e-4)
    lines = GreyReader().read([f.crops[0] for f in frames])
    assert [line.text for line in lines] == [str(stairs(f.time_s + 1e-3)) for f in original]
    assert path.with_suffix(".vtt").read_text().startswith("WEBVTT\n\n00:00:00.000 --> 00:00:04")


def test_layer_comes_alone_and_leaves_the_number_clear(read: Session) -> None:
    path = annotated_clip.annotate(read, "a.mp4", codec="png")
    assert path.name == "a-layer"
    for picture in pictures(path):
        box = picture[BOX[1] : BOX[1] + BOX[3], BOX[0] : BOX[0] + BOX[2]]
        assert not box.any()
        assert picture[..., 3].any()


def test_real_overlay_survives_annotation(tmp_path: Path) -> None:
    """A second of a sample clip: the built-in reader reads the copy as it read the clip."""
    shutil.copy(SAMPLE / "overlay.toml", tmp_path)
    cut(SAMPLE / "slab_m1_red.mp4", tmp_path / "slab.mp4", 1.0)
    session = Session(tmp_path)
    read_session(session, ReadOptions(jobs=1, crosscheck=0))
    path = annotated_clip.annotate(session, "slab.mp4")
    reader = readers.create("network")
    table = pd.read_csv(session.readings_path("slab.mp4"))
    from extractor.report.pack import reading_settings

    used = reading_settings(session, "slab.mp4")["boxes"]
    boxes = [Box(*used[name]) for name in ("bitrate", "latency")]
    frames = list(clips.at_times(clips.probe(path), boxes, table["time_s"].tolist()))
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


def cut(source: Path, target: Path, end_s: float) -> None:
    with av.open(str(source)) as old, av.open(str(target), "w") as new:
        stream = old.streams.video[0]
        copy = new.add_stream_from_template(stream)
        for packet in old.demux(stream):
            if packet.dts is not None and packet.pts * packet.time_base < end_s:
                packet.stream = copy
                new.mux(packet)


@pytest.mark.parametrize("panel", [None, "none", *annotated_clip.PLACES])
def test_nothing_covers_a_marked_number(panel) -> None:
    clip = clips.Clip(Path("x"), 640, 360, 0, "h264", 30, 1, 1, Colour(5, full=False))
    info = [unplaced(n, unit="ms") for n in ("a", "b")]
    series = {n: empty() for n in ("a", "b")}
    look = theme.looks(["x"])["x"]
    for boxes in (
        {"a": Box(300, 10, 60, 30), "b": Box(300, 44, 60, 30)},
        {"a": Box(0, 0, 60, 30), "b": Box(70, 0, 60, 30)},
        {"a": Box(580, 330, 60, 30), "b": Box(500, 330, 60, 30), "unseen": Box(20, 20, 200, 60)},
    ):
        try:
            overlay = annotated_clip._Overlay(
                clip, info, boxes, series, look, place=panel, dark=True
            )
        except UsageError as error:
            assert "would cover a marked number" in str(error)
            continue
        flat = np.full(640 * 360 * 3 // 2, 100, np.uint8)
        onto = split(flat, 640, 360)
        overlay.show(0.0, lambda layer, *at, onto=onto: layer.over(onto, *at))
        assert (onto[0] != 100).any()
        for box in boxes.values():
            assert (onto[0][box.y : box.y + box.height, box.x : box.x + box.width] == 100).all()


def empty() -> pd.DataFrame:
    return pd.DataFrame(
        {"time_s": [0.0], "since_s": [math.nan], "value": [5.0], "text": ["5"], "flag": ["ok"]}
    )


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


def test_readings_hold_from_the_change_that_they_followed() -> None:
    series = pd.DataFrame(
        {
            "time_s": [0.0, 0.1, 0.2, 0.3],
            "since_s": [math.nan, 0.067, 0.067, 0.233],
            "value": [1.0, 2.0, 2.0, 3.0],
            "flag": "ok",
        }
    )
    shown = film_parts.Steps(series)
    rows = [shown.row_at(t) for t in (0.0, 0.033, 0.066, 0.067, 0.1, 0.2, 0.232, 0.233, 9.0)]
    assert [series["value"][r] for r in rows] == [1, 1, 1, 2, 2, 2, 2, 3, 3]
    assert shown.row_at(-1.0) == -1
    marked = series.assign(flag=["ok", "no_link", "hidden", "corrected"])
    assert film_parts.states(marked, 1, 1.5, 4.0) == [
        ("1.0", 0.25, True), ("no link", 0.0, True), film_parts.NOTHING, ("3.0", 0.75, False)
    ]  # fmt: skip


# The mosaic.


SMALL = Format(640, 480, 10)


def test_where_nothing_was_read_the_curve_breaks_and_does_not_fall_to_nought() -> None:
    drawn: list[float] = []

    class Paper(Canvas):
        def line(self, points, color, width, opacity=1.0) -> None:
            drawn.extend(y for _, y in points)

    series = pd.DataFrame({"time_s": [0.0, 0.1, 0.2, 0.3, 0.4], "value": [5.0, np.nan, -1, 5, 99]})
    series["flag"] = ["ok", "no_link", "ok", "range", "ok"]
    film_parts.curve(Paper(100, 50), series, Box(0, 10, 100, 20), 10.0, math.nan, theme.WARN)
    assert drawn == pytest.approx([20, math.nan, 30, math.nan, 10], nan_ok=True)


def test_mosaic_shows_all_runs_in_step_and_ends_where_it_begins(read: Session) -> None:
    path = mosaic.mosaic(read.root, form=SMALL)
    seen = pictures(path, "gray")
    assert seen[0].shape == (480, 640)
    assert len(seen) == 20
    with av.open(str(mosaic.mosaic(read.root, form=Format(640, 480, 0)))) as container:
        rate = float(container.streams.video[0].average_rate)
    assert rate == pytest.approx(30, abs=0.1)  # the clip's own
    assert np.abs(seen[0].astype(int) - seen[-1]).mean() < 2
    assert np.abs(seen[0].astype(int) - seen[10]).mean() > 4
    left, right = (np.array([p[60:300, at : at + 240] for p in seen[:14]]) for at in (60, 340))
    for cell in (left, right):  # the number changes twice a second
        assert np.abs(np.diff(cell.astype(int), axis=0)).max(axis=(1, 2)).max() > 20


def test_a_short_run_starts_again_and_a_split_one_is_one(tmp_path, grey_reader) -> None:
    """The whole picture's grey says which clip plays, and where in it."""
    parts = {"a.mp4": 1.0, "b.mp4": 1.0, "long.mp4": 2.0, "half.mp4": 1.0, "spare.mp4": 1.0}
    for k, (name, length_s) in enumerate(parts.items()):  # no two files alike
        make_clip(tmp_path / name, steady(length_s), stairs, chroma=(120 + 4 * k, 128))
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    (tmp_path / "runs.csv").write_text(
        "run,clip,antenna,port,mounting\nr1,a.mp4;b.mp4,Slab,Red,1\nr2,long.mp4,Slab,Red,2\n"
        "r3,half.mp4,Fan,Red,1\nr4,half.mp4,Fan,Red,2\n".replace("r4,half.mp4", "r4,spare.mp4")
    )
    session = Session(tmp_path)
    read_session(session, ReadOptions(jobs=1))
    with told([tmp_path]) as story:
        runs = mosaic.runs_of(story, (), "recording")
        assert [round(run.length_s, 1) for run in runs] == [2.0, 2.0, 1.0, 1.0]
        cells = [
            mosaic.Cell(run, Box(0, 0, *SIZE), story, True, 40.0, 5, 8)
            for run in (runs[0], runs[2])
        ]
        whole = mosaic.Cell(runs[1], Box(0, 0, *SIZE), story, True, 40.0, 5, 8)
        for i in range(20):
            time_s = i / 10
            split_run, short, long = (c.footage(time_s)[0] for c in (*cells, whole))
            now = long[BOX[1] + 8, BOX[0] + 8]
            first = _number_at(math.fmod(time_s, 1.0))
            assert _number(split_run) == _number(short) == first, time_s
            assert now >= 0


def _number(luma: np.ndarray) -> str:
    crop = np.full((BOX[3], BOX[2], 3), 128, np.uint8)
    crop[..., 0] = luma[BOX[1] : BOX[1] + BOX[3], BOX[0] : BOX[0] + BOX[2]]
    return GreyReader().read([crop])[0].text


def _number_at(time_s: float) -> str:
    return str(stairs(time_s + 1e-3))


@pytest.mark.parametrize(
    ("counts", "shape", "rows"),
    [
        ([4, 4, 4, 4], (1920, 1080), [4, 4, 4, 4]),  # one row an antenna
        ([4, 4, 4, 4], (1080, 1920), [2] * 8),  # two of its rows
        ([3, 2, 4], (1920, 1080), [3, 3, 3]),
        ([2, 2, 2, 2], (1920, 1080), [4, 4]),
        ([1], (1920, 1080), [1]),
    ],
)  # fmt: skip
def test_grid_fits_and_has_no_hole(counts, shape, rows) -> None:
    found = mosaic.grid(counts, *shape, 16 / 9)
    assert sum(found) == sum(counts)
    if rows != [4, 4]:
        assert found == rows


def test_every_number_of_runs_fills_the_picture() -> None:
    for total in (3, 8, 21, 24, 64):
        for shape in ((1920, 1080), (1080, 1920), (1080, 1080)):
            rows = mosaic.grid([total], *shape, 16 / 9)
            assert sum(rows) == total
            assert max(rows) - min(rows) <= 1
            worst = max(abs(math.log(shape[0] / n / (shape[1] / len(rows)) * 9 / 16)) for n in rows)
            assert worst < 0.85, (total, shape, rows)


def test_a_clip_that_was_not_read_or_is_not_there_says_so(read: Session) -> None:
    read.readings_path("a.mp4").unlink()
    for make in (lambda: annotated_clip.annotate(read, "a.mp4"), lambda: mosaic.mosaic(read.root)):
        with pytest.raises(UsageError, match=r"a\.mp4: was not read yet"):
            make()
    with pytest.raises(UsageError, match="no such clip"):
        annotated_clip.annotate(read, "z.mp4")
    with pytest.raises(UsageError, match="no opacity"):
        mosaic.mosaic(read.root, form=Format(640, 480, 10, "png"))


def test_a_pack_has_no_footage(tmp_path) -> None:
    with pytest.raises(UsageError, match="pack holds none"):
        mosaic.mosaic(truth_session(tmp_path / "club"), form=SMALL)


# The ranking film.


@pytest.mark.parametrize("background", ["plain", TRANSPARENT])
def test_ranking_film_ends_on_the_card(tmp_path, background) -> None:
    from extractor.report.card import write_card

    codec = "h264" if background == "plain" else "png"
    form = Format(640, 480, 4, codec)
    club = truth_session(tmp_path / "club")
    path = ranking_film.write_ranking_film(
        [club], form=form, length_s=10, dark=False, background=background
    )
    card = write_card(club, tmp_path / "card.png", size=form, background=background)
    seen, still = pictures(path), cv2.imread(str(card), cv2.IMREAD_UNCHANGED)
    assert len(seen) == 40
    order = [2, 1, 0, 3] if still.shape[2] == 4 else [2, 1, 0]
    last = seen[-1][..., : still.shape[2]].astype(int)
    assert np.abs(last - still[..., order]).mean() < (3 if codec == "h264" else 0.01)
    assert np.abs(seen[0].astype(int) - seen[12]).mean() > 0.3
    captions = path.with_name("ranking.vtt").read_text()
    assert "Slab is best" in captions
    assert "higher is better" in captions
    assert path.with_name("ranking.chapters.txt").read_text().splitlines()[0].startswith("0:00 ")


def test_intervals_close_in_to_those_of_the_summary(tmp_path) -> None:
    club = truth_session(tmp_path / "club")
    with told([club]) as story:
        row = story.rows[0]
        runs = ranking_film._runs(story, row, 200)
        rows = story.results[0].rows("bitrate")
        own = rows[rows["antenna"] == row.name]
        ends = sorted(r.half[-1] for r in runs)
        wanted = sorted((own["mean_high"] - own["mean_low"]) / 2)
        assert ends == pytest.approx(wanted, rel=1e-6)
        assert sorted(r.level[-1] for r in runs) == pytest.approx(sorted(own["median"]), abs=0.06)
        early = [np.nanmedian(r.half[20:60]) for r in runs]
        assert np.mean(early) > 1.2 * np.mean(ends)


def test_a_loop_ends_on_its_first_picture(tmp_path) -> None:
    club = truth_session(tmp_path / "club")
    form = Format(640, 480, 4, "png")
    path = ranking_film.write_ranking_film([club], form=form, length_s=10, loop=True)
    seen = pictures(path)
    assert (seen[0] == seen[-1]).all()
    with pytest.raises(UsageError, match="--seconds 9"):
        ranking_film.write_ranking_film([club], form=form, length_s=9)


def test_one_antenna_alone_has_a_film_too(tmp_path) -> None:
    folder = made_up_session(tmp_path / "one", [("A", "U", "1"), ("A", "V", "1")])
    path = ranking_film.write_ranking_film([folder], form=Format(640, 480, 4), length_s=10)
    assert len(pictures(path)) == 40


# Several rounds.


def test_a_film_of_three_rounds_says_once_what_changed(tmp_path) -> None:
    three = rounds(tmp_path, 0.8, -1.2)
    path = ranking_film.write_ranking_film(three, form=Format(640, 480, 4), length_s=10)
    said = path.with_name("ranking.vtt").read_text()
    assert path.is_relative_to(three[0])
    changed = "The evening in {} read {} Mbit/s {} than The evening in {} for all"
    for sentence in (("summer", 0.8, "less", "spring"), ("autumn", "2.0", "more", "summer")):
        assert said.count(changed.format(*sentence)) == 1
    last = pictures(path)[-1][..., :3].astype(int)
    alone = ranking_film.write_ranking_film(three[:1], form=Format(640, 480, 4), length_s=10)
    assert np.abs(last - pictures(alone)[-1][..., :3]).mean() > 0.5  # three times the runs


def test_mosaic_of_rounds_keeps_colours_and_says_which_is_which(tmp_path, monkeypatch) -> None:
    three = rounds(tmp_path, 0.8, -1.2, clips=True)
    for folder, colour in zip(three, ("violet", "brown", "red"), strict=True):
        table = pd.read_csv(folder / "antennas.csv", dtype=str, keep_default_na=False)
        table.loc[table["antenna"] == "Slab", "colour"] = colour
        table.to_csv(folder / "antennas.csv", index=False)
    with told(three, compared=False) as story:
        runs = mosaic.runs_of(story, (), "rank")
        assert {run.look.colour for run in runs if run.antenna == "Slab"} == {"violet"}
        assert len(runs) == 48
        assert [run.antenna for run in runs] == sorted(
            [run.antenna for run in runs], key=[row.name for row in story.rows].index
        )
        assert {run.column.rpartition(" · ")[2] for run in runs} == {
            "round 1", "round 2", "round 3"
        }  # fmt: skip
        written = []
        text = Canvas.text
        monkeypatch.setattr(
            Canvas, "text", lambda self, *a, **k: (written.append(a[2]), text(self, *a, **k))[1]
        )
        mosaic.Sheet(story, runs, Format(1920, 1080), "rank", "", True, True)
    assert "round 1: spring · round 2: summer · round 3: autumn" in " ".join(written)
    # Nothing of what tells the cells apart is cut off, in few signs where there is no room.
    assert all({run.column, short(run.column)} & {*written} for run in runs)
    assert short("Green · mounting 1 · round 2") == "Green m1 r2"
