"""Tightening, with a reader whose sureness is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from extractor.reading import box_tightening
from extractor.reading.readers.base import Line
from extractor.reading.tightening import MARGIN, View, ink_rows, tighten
from extractor.session.overlay import Box, Field
from extractor.video import clips
from extractor.video.crops import Crop

HEIGHT, WIDTH = 100, 300
INK = (40, 60)  # rows in which the number stands
NUMBER = (100, 200)  # columns
DRAWN = Box(60, 15, 200, 70)
VALUES = (50, 60, 70, 80)


def drawn(value: int, neighbour: bool = False) -> Crop:
    """Draw `value` as stripes of that brightness, over a ground that no two instants share."""
    ground = np.random.default_rng(value).integers(0, 3, (HEIGHT, WIDTH, 1), np.uint8)
    crop = np.repeat(ground, 3, axis=2)
    for x in range(NUMBER[0], NUMBER[1], 10):
        crop[INK[0] : INK[1], x : x + 5, 0] = value
    if neighbour:
        crop[INK[0] : INK[1], :70, 0] = 255
    return crop


class FussyReader:
    """Sure of three digits where the ink fills the usual share of the height."""

    name = "fussy"
    batch = 8
    gate = 0.9
    usual_share = 0.0

    def version(self) -> str:
        return "1"

    def read(self, crops: Sequence[Crop]) -> list[Line]:
        return [self._line(c[..., 0]) for c in crops]

    def _line(self, luma: np.ndarray) -> Line:
        rows, columns = np.nonzero((luma > 20) & (luma < 200))
        if not len(rows):
            return Line("", 0.9)
        filled = (np.ptp(rows) + 1) / luma.shape[0]
        spoilt = 0.3 if (luma == 255).any() else 0.0
        # Cut at the side, another number stands there just as clearly.
        whole = len(np.unique(columns)) == 50
        text = str(100 + int(luma[luma < 200].max())) if whole else "111"
        first, step = columns.min(), np.ptp(columns) / 3
        places = tuple(float(first + step * (k + 0.5)) / luma.shape[1] for k in range(3))
        sure = 0.99 - abs(filled - 1 / (1 + 2 * MARGIN)) - spoilt
        return Line(text, max(0.0, sure), places=places)


def tightened(reader: object = None, *, neighbour: bool = False, box: Box = DRAWN) -> View:
    crops = [drawn(v, neighbour) for v in VALUES]
    return tighten(reader or FussyReader(), crops, box)  # type: ignore[arg-type]


@pytest.mark.parametrize("box", [DRAWN, Box(60, 32, 200, 36), Box(98, 39, 104, 22)])
def test_every_box_comes_to_the_same_height_of_ink(box: Box) -> None:
    view = tightened(box=box)
    assert (view.box.y, view.box.y + view.box.height) == (36, 64)
    # What is not in the way stays: numbers get longer.
    assert (view.box.x, view.box.width) == (box.x, box.width)
    assert view.squeeze == 1.0


def test_a_reader_that_is_sure_of_everything_gets_the_right_height_too() -> None:
    class Bold(FussyReader):
        def _line(self, luma: np.ndarray) -> Line:
            return replace(super()._line(luma), confidence=0.999)

    assert tightened(Bold()).box.height == 28


def test_a_rim_and_other_lettering_are_no_ink_of_the_number() -> None:
    crops = []
    for value in VALUES:
        crop = drawn(value)
        crop[[18, 80], 60:260] = 200  # a panel's edges
        crop[22:30, 90:210:4, 0] = 120  # a small word above
        crop[10:90, 230:250:3, 0] = 200  # an icon beside
        crops.append(crop)
    assert INK in ink_rows(crops, DRAWN, NUMBER)


def test_a_scene_that_stands_still_behind_is_no_ink() -> None:
    # Stripes as strong as the number's from its feet to below the box, the same at all instants.
    crops = [drawn(v) for v in (50, 90, 130, 170)]
    for crop in crops:
        crop[INK[1] :, 90:210:8, 0] = 120
    assert INK in ink_rows(crops, DRAWN, NUMBER)


def test_a_gap_in_the_middle_of_the_digits_is_bridged() -> None:
    crops = [drawn(v) for v in VALUES]
    for crop in crops:
        crop[49:52, NUMBER[0] : NUMBER[1]] = 0
    assert ink_rows(crops, DRAWN, NUMBER)[0] == INK


def test_a_neighbour_at_the_side_is_cut_off_but_no_digit() -> None:
    view = tightened(neighbour=True)
    assert 70 <= view.box.x <= NUMBER[0] - 4
    assert view.box.x + view.box.width == DRAWN.x + DRAWN.width


def test_wide_digits_are_squeezed_as_far_as_they_are_read_best() -> None:
    class Narrow(FussyReader):
        def _line(self, luma: np.ndarray) -> Line:
            line = super()._line(luma)
            wide = luma.shape[1] / luma.shape[0] - 0.7 * DRAWN.width / 28
            return replace(line, confidence=line.confidence * (1 - min(0.9, abs(wide) / 5)))

    assert tightened(Narrow()).squeeze == 0.7


def test_nothing_readable_leaves_the_box_as_it_was_drawn() -> None:
    class Blind(FussyReader):
        def _line(self, luma: np.ndarray) -> Line:
            return Line("~", 0.9)

    assert tightened(Blind()) == View(DRAWN)
    flat = [np.zeros((HEIGHT, WIDTH, 3), np.uint8)] * 3
    assert tighten(FussyReader(), flat, DRAWN) == View(DRAWN)


def test_crops_of_one_size_only() -> None:
    with pytest.raises(ValueError, match="one size"):
        tighten(FussyReader(), [], DRAWN)
    with pytest.raises(ValueError, match="one size"):
        tighten(FussyReader(), [drawn(5), drawn(5)[:50]], DRAWN)


def test_pictures_are_decoded_once_for_all_fields(
    session_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls: list[int] = []
    real = clips.glances

    def counted(clip: clips.Clip, boxes: Sequence[Box], *rest: int, exact: bool) -> object:
        calls.append(len(boxes))
        return real(clip, boxes, *rest, exact=exact)

    monkeypatch.setattr(clips, "glances", counted)
    items = [Field(name, (320, 180), Box(40, 20, 64, 32)) for name in ("a", "b", "c")]
    paths = [session_folder / name for name in ("a.mp4", "b.mkv")]
    found = box_tightening.choose_shares(paths, items, FussyReader())
    assert set(found) == {"a", "b", "c"}
    assert set(calls) == {3} and len(calls) <= 4  # two clips, by keyframes and exactly


def test_room_for_one_more_digit_stays_however_surely_less_is_read() -> None:
    # A delay of two digits grows to three in a clip nobody looked at: 118 must not become 18.
    class Narrow(FussyReader):
        def _line(self, luma: np.ndarray) -> Line:
            line = super()._line(luma)
            return replace(line, confidence=line.confidence * (1 - luma.shape[1] / WIDTH / 3))

    ink = INK[1] - INK[0]
    view = tightened(Narrow())
    assert NUMBER[0] - view.box.x >= 0.9 * ink
    assert view.box.x + view.box.width - NUMBER[1] >= 0.6 * ink
    assert view.box.width < DRAWN.width  # it was worth cutting
