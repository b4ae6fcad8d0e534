"""Readings against truth where neither the picture nor the text comes from this project.

Real camera footage, numbers drawn by ffmpeg (libass and drawtext), encoded by x264 and x265.
Short clips; the large set and its tables are `tests/benchmarks/reader_accuracy.py`.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from outside.fonts import find_font
from outside.footage import missing
from outside.overlays import Look, Picture, Place, burn, tight_box
from outside.truth import Series, number_walk

from extractor.reading.clip_reading import ClipReadings, read_fields
from extractor.reading.number_parsing import interpret
from extractor.reading.readers.network import NetworkReader
from extractor.session.overlay import Box, Field
from extractor.statistics.flags import Flag
from extractor.video.clips import probe

pytestmark = pytest.mark.skipif(missing() is not None, reason=str(missing()))

SIZE = (960, 540)
RATE_HZ = 25.0
SECONDS = 5.0
MARGIN_S = 0.04
"""Samples nearer than this to a change of the number are left out: one frame."""

STREET = Picture("bikes", SIZE, RATE_HZ, crf=22, mosaic=True)
CAR = Picture("carphone", SIZE, RATE_HZ, codec="libx265", crf=26, preset="superfast")
OUTLINED = Look("DejaVu Sans", 26, bold=True, outline_px=2)
BOXED = Look("DejaVu Sans Mono", 24, panel="000000", renderer="drawtext")
CLIPS = [
    pytest.param(STREET, OUTLINED, id="x264-good-outlined"),
    pytest.param(replace(STREET, crf=38), OUTLINED, id="x264-poor-outlined"),
    pytest.param(CAR, BOXED, id="x265-good-boxed"),
    pytest.param(replace(CAR, crf=36), BOXED, id="x265-poor-boxed"),
]


@pytest.fixture(scope="module")
def reader() -> NetworkReader:
    return NetworkReader()


def laid_out(seed: int, dashes: float = 0.08) -> dict[str, Place]:
    """Return a bitrate and a delay, drawn in two corners of the picture."""
    rng = np.random.default_rng(seed)
    bitrate = number_walk(rng, SECONDS, low=0, high=40, step=4, decimals=1, dashes=dashes)
    delay = number_walk(rng, SECONDS, low=8, high=180, step=20, decimals=0, absences=dashes)
    return {
        "bitrate": Place(bitrate, 400, 70, unit="Mb/s", unit_in_box=True),
        "latency": Place(delay, 720, 480, right=True),
    }


def made(
    folder: Path, picture: Picture, look: Look, seed: int = 22
) -> tuple[Path, list[Field], dict[str, Series]]:
    """Burn one clip; return its path, fields with their boxes, and the truth."""
    if find_font(look.family, look.bold) is None:
        pytest.skip(f"the font {look.family} is not installed (apt-get install fonts-dejavu-core)")
    places = laid_out(seed)
    boxes = {name: tight_box(SIZE, look, place) for name, place in places.items()}
    burn(folder / "clip.mp4", picture, look, list(places.values()))
    fields = [Field(name, SIZE, Box(*box)) for name, box in boxes.items()]
    return folder / "clip.mp4", fields, {name: place.series for name, place in places.items()}


def expected(text: str) -> tuple[Flag, float | None]:
    if text == "":
        return Flag.HIDDEN, None
    return (Flag.NO_LINK, None) if text == "--" else (Flag.OK, float(text))


def judged(readings: ClipReadings, truth: dict[str, Series], gate: float) -> list[tuple]:
    """Return (field, time, truth, text, verdict) for each sample away from changes."""
    rows = []
    for name, series in truth.items():
        one = readings.fields[name]
        for time_s, text, sure in zip(readings.time_s, one.text, one.confidence, strict=True):
            shown = series.settled(time_s, MARGIN_S)
            if shown is None:
                continue
            reading = interpret(text, sure, gate)
            flag, value = expected(shown.text)
            right = reading.flag is flag and (value is None or reading.value == value)
            silent = reading.flag is Flag.UNREADABLE
            verdict = "right" if right else "missing" if silent else "wrong"
            rows.append((name, round(time_s, 3), shown.text, text, verdict))
    return rows


@pytest.fixture(scope="module")
def burnt(reader, tmp_path_factory):
    """Return a function that burns and reads one clip, each only once."""

    @cache
    def read(
        picture: Picture, look: Look, *, exact: bool = False
    ) -> tuple[ClipReadings, dict[str, Series]]:
        path, fields, truth = made(tmp_path_factory.mktemp("burnt"), picture, look)
        boxes = [f.box for f in fields]
        return read_fields(probe(path), fields, boxes, reader, exact=exact), truth

    return read


@pytest.mark.parametrize(("picture", "look"), CLIPS)
def test_readings_equal_what_ffmpeg_drew(picture, look, reader, burnt):
    readings, truth = burnt(picture, look)
    rows = judged(readings, truth, reader.gate)
    verdicts = [row[-1] for row in rows]
    assert len(rows) > 50
    assert {row[2] for row in rows} >= {"--", ""}, "the clip shows no dash or no gap"
    # 1 % of some 80 readings is none.
    assert verdicts.count("wrong") == 0, [row for row in rows if row[-1] == "wrong"]
    # Nothing at all over a busy street may be called unreadable (docs/reader.md), not a number.
    missing_rows = [row for row in rows if row[-1] == "missing" and row[2]]
    assert len(missing_rows) <= 0.03 * len(rows), missing_rows


def test_the_instant_of_change_is_right_to_one_frame(reader, burnt):
    readings, truth = burnt(STREET, OUTLINED, exact=True)
    errors, unknown = [], []
    for name, series in truth.items():
        one = readings.fields[name]
        for time_s, since_s, text, sure in zip(
            readings.time_s, one.since_s, one.text, one.confidence, strict=True
        ):
            shown = series.settled(time_s, MARGIN_S)
            reading = interpret(text, sure, reader.gate)
            if shown and shown.start_s > 0 and reading.flag is expected(shown.text)[0]:
                # Of what was taken because it lasts nobody knows since when.
                (unknown if math.isnan(since_s) else errors).append(since_s - shown.start_s)
    # The text changes between two frames: the first frame that shows it comes up to one later.
    assert len(errors) > 50
    assert len(unknown) < 0.1 * len(errors)
    in_time = (np.asarray(errors) > -1e-3) & (np.asarray(errors) < 1 / RATE_HZ + 1e-3)
    assert in_time.mean() > 0.97, errors
