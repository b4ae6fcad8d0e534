"""Tightening, with a reader whose sureness is known."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from extractor.reading import box_tightening
from extractor.reading.readers.base import Line
from extractor.reading.tightening import tighten
from extractor.session.overlay import Box, Field
from extractor.video import clips
from extractor.video.crops import Crop, cut_out

HEIGHT, WIDTH = 100, 300
INK = (40, 60)  # rows in which the number stands
NUMBER = (100, 200)  # columns


def drawn(value: int, neighbour: bool = False) -> Crop:
    crop = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
    crop[INK[0] : INK[1], NUMBER[0] : NUMBER[1], 0] = value
    if neighbour:
        crop[INK[0] : INK[1], :50, 0] = 255
    return crop


class FussyReader:
    """Sure only where the ink fills most of the height; a neighbour spoils it."""

    name = "fussy"
    batch = 8
    gate = 0.9
    usual_share = 0.0

    def version(self) -> str:
        return "1"

    def read(self, crops: Sequence[Crop]) -> list[Line]:
        return [self._line(c[..., 0]) for c in crops]

    def _line(self, luma: np.ndarray) -> Line:
        rows, _ = np.nonzero(luma)
        if not len(rows):
            return Line("", 0.9)
        filled = (np.ptp(rows) + 1) / luma.shape[0]
        whole = np.ptp(rows) + 1 >= INK[1] - INK[0]
        if (luma == 255).any():
            return Line("1 2", 0.9)
        width = np.count_nonzero((luma > 0).any(axis=0))
        if not whole:
            return Line("~", 0.5)
        # Cut at the side, another number stands there just as clearly.
        value = int(luma.max()) if width == NUMBER[1] - NUMBER[0] else 1
        return Line(str(value), min(0.99, 0.4 + filled))


def surely(crops: Sequence[np.ndarray], box: Box) -> float:
    lines = FussyReader().read([cut_out(crop, box) for crop in crops])
    return float(np.mean([line.confidence * (line.text not in ("", "~")) for line in lines]))


def test_loose_above_and_below() -> None:
    crops = [drawn(v) for v in (5, 6, 7)]
    box = tighten(FussyReader(), crops)
    assert surely(crops, box) > surely(crops, Box(0, 0, WIDTH, HEIGHT)) + 0.2
    assert box.y <= INK[0]
    assert box.y + box.height >= INK[1]
    assert box.height <= 50
    # What is not in the way stays: numbers get longer.
    assert (box.x, box.width) == (0, WIDTH)


def test_a_neighbour_at_the_side_is_cut_off_but_no_digit() -> None:
    crops = [drawn(v, neighbour=True) for v in (5, 6, 7)]
    box = tighten(FussyReader(), crops)
    assert surely(crops, box) > 0.5
    assert 50 <= box.x <= NUMBER[0]
    assert box.x + box.width >= NUMBER[1]


@pytest.mark.parametrize("shown", ["-88", "--"])
def test_middle_bars_are_no_dash_where_the_whole_box_shows_a_number(shown: str) -> None:
    class Bars(FussyReader):
        """Unsure of the whole, sure of a dash once the tops and feet are cut off."""

        def _line(self, luma: np.ndarray) -> Line:
            cut = luma.shape[0] < HEIGHT - 20
            return Line("--", 0.95) if cut else Line(shown, 0.4)

    box = tighten(Bars(), [drawn(5)] * 4)
    assert (box.height == HEIGHT) == (shown == "-88")


def test_nothing_readable_leaves_the_box_as_it_was_drawn() -> None:
    box = tighten(FussyReader(), [np.zeros((HEIGHT, WIDTH, 3), np.uint8)] * 3)
    assert box.as_list() == [0, 0, WIDTH, HEIGHT]


def test_crops_of_one_size_only() -> None:
    with pytest.raises(ValueError, match="one size"):
        tighten(FussyReader(), [])
    with pytest.raises(ValueError, match="one size"):
        tighten(FussyReader(), [drawn(5), drawn(5)[:50]])


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
