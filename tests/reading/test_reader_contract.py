"""What every reader gives, whatever is inside it: `extractor.reading.readers.base.Reader`.

What taught glyphs read is no reader of its own (`glyphs.added`), but its lines keep the same
rules, so it is tried here too.
"""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest
from clipmaker import GreyReader, crop_of

from extractor.reading import readers
from extractor.reading.readers.base import Line, Reader
from extractor.reading.readers.glyphs import Glyphs, learn, with_lessons
from extractor.video.crops import Crop

TEXTS = ("38.4", "27", "--", "105", "-3.5", "")


class Taught:
    """The built-in reader with glyphs that were taught."""

    name = "network"

    def __init__(self) -> None:
        self._inner = readers.create("network")
        self.batch, self.gate = self._inner.batch, self._inner.gate
        self.usual_share = self._inner.usual_share
        lessons = tuple(learn("bitrate", crop_of(t), t) for t in ("38.4", "12.6", "105", "7900"))
        self._taught = Glyphs(lessons).of("bitrate")

    def version(self) -> str:
        return self._inner.version()

    def read(self, crops: Sequence[Crop]) -> list[Line]:
        return with_lessons(self._inner.read(crops), crops, self._taught, self.gate)


def of(kind: str) -> Reader:
    made = {"grey": GreyReader, "taught": Taught}
    return made[kind]() if kind in made else readers.create(kind)


@pytest.fixture(scope="module", params=[*readers.NAMES, "taught", "grey"])
def reader(request: pytest.FixtureRequest) -> Reader:
    if request.param == "tesseract" and shutil.which("tesseract") is None:
        pytest.skip("Tesseract is not installed")
    return of(request.param)


@pytest.fixture(scope="module")
def crops() -> list[Crop]:
    """More than one batch's worth of shapes and contents, of two sizes and both polarities."""
    drawn = [crop_of(t, light_on_dark=i % 2 == 0) for i, t in enumerate(TEXTS)]
    wide = [np.pad(c, ((0, 0), (0, 90), (0, 0)), mode="edge") for c in drawn[:3]]
    noise = np.random.default_rng(1).integers(0, 256, (44, 150, 3), np.uint8)
    return [*drawn, *wide, noise]


def fits(line: Line) -> bool:
    return (
        isinstance(line.text, str)
        and 0.0 <= line.confidence <= 1.0
        and len(line.characters) in (0, len(line.text))
        and all(0.0 <= p <= 1.0 for p in line.characters)
        and len(line.places) in (0, len(line.text))
        and all(0.0 <= a <= b <= 1.0 for a, b in pairwise((*line.places, 1.0)))
    )


def alike(one: Line, other: Line) -> bool:
    """The same reading; arithmetic in batches of another size may round otherwise."""
    return one.text == other.text and one.confidence == pytest.approx(other.confidence, abs=1e-3)


def test_it_says_what_it_is(reader: Reader, request: pytest.FixtureRequest) -> None:
    assert reader.name
    assert reader.batch >= 1
    assert 0.0 < reader.gate < 1.0
    assert 0.0 <= reader.usual_share < 1.0
    assert reader.version() == reader.version() == of(kind_of(request)).version() != ""


def kind_of(request: pytest.FixtureRequest) -> str:
    return str(request.node.callspec.params["reader"])


def test_nothing_asked_is_nothing_read(reader: Reader) -> None:
    assert reader.read([]) == []


def test_one_line_a_crop_within_its_bounds(reader: Reader, crops: list[Crop]) -> None:
    lines = reader.read(crops)
    assert len(lines) == len(crops)
    assert all(fits(line) for line in lines), lines


def test_the_order_is_that_of_the_crops(reader: Reader, crops: list[Crop]) -> None:
    forward, backward = reader.read(crops), reader.read(crops[::-1])
    assert len({line.text for line in forward}) > 1  # or any order would do
    assert all(alike(a, b) for a, b in zip(forward, backward[::-1], strict=True))


def test_a_crop_alone_is_read_as_among_others(reader: Reader, crops: list[Crop]) -> None:
    together = reader.read(crops)
    alone = [reader.read([crop])[0] for crop in crops]
    assert all(alike(a, b) for a, b in zip(together, alone, strict=True)), (together, alone)


def test_more_crops_than_a_batch_are_read(reader: Reader, crops: list[Crop]) -> None:
    many = crops * (reader.batch // len(crops) + 1)
    lines = reader.read(many)
    assert len(lines) == len(many) > reader.batch
    assert alike(lines[-1], lines[len(crops) - 1])


def test_crops_are_left_as_they_were(reader: Reader, crops: list[Crop]) -> None:
    before = [crop.copy() for crop in crops]
    reader.read(crops)
    assert all(np.array_equal(a, b) for a, b in zip(before, crops, strict=True))


@pytest.mark.parametrize(
    "shape", [(1, 1), (1, 40), (40, 1), (3, 3), (20, 3000), (400, 30), (700, 900)]
)
def test_odd_sizes_are_read(reader: Reader, shape: tuple[int, int]) -> None:
    rng = np.random.default_rng(2)
    flat = np.full((*shape, 3), 128, np.uint8)
    lines = reader.read([flat, rng.integers(0, 256, (*shape, 3), np.uint8)])
    assert len(lines) == 2
    assert all(fits(line) for line in lines), lines


def test_a_view_is_read_as_its_copy(reader: Reader) -> None:
    picture = np.zeros((120, 300, 3), np.uint8)
    picture[::-1, ::-1][30:74, 40:190] = crop_of("38.4")
    view = picture[::-1, ::-1][30:74, 40:190]
    assert not view.flags["C_CONTIGUOUS"]
    lines = reader.read([view, view.copy()])
    assert alike(*lines)
