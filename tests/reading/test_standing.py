"""A sample is only taken over where its number still stands: no change is ever hidden."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import cv2
import numpy as np
import pytest

from extractor.reading.readers.base import Line
from extractor.reading.standing import SEEN_LEAST, Standing
from extractor.reading.temporal_evidence import FieldReader, Search, halve
from extractor.session.overlay import Box, Field
from extractor.video.crops import Crop

FIELD = Field("bitrate", (320, 180), Box(0, 0, 150, 44))


class Knowing:
    """Reads each crop as what was drawn on it."""

    name, batch, gate, usual_share = "knowing", 32, 0.9, 0.0

    def __init__(self, sure: float = 0.99) -> None:
        self.texts: dict[int, str] = {}
        self.sure, self.asked = sure, 0

    def version(self) -> str:
        return "1"

    def read(self, crops: Sequence[Crop]) -> list[Line]:
        self.asked += len(crops)
        return [Line(self.texts[id(crop)], self.sure) for crop in crops]


def drawn(text: str, contrast: int, quality: int, rng: np.random.Generator) -> Crop:
    """Draw a number on noise and compress it, quality 1 to 100."""
    luma = np.full((44, 150), 120, np.uint8)
    cv2.putText(luma, text, (14, 33), cv2.FONT_HERSHEY_SIMPLEX, 0.9, 120 + contrast, 2)
    noisy = (luma + rng.normal(0, 3, luma.shape)).clip(0, 255).astype(np.uint8)
    coded = cv2.imencode(".jpg", noisy, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    crop = np.full((44, 150, 3), 128, np.uint8)
    crop[..., 0] = cv2.imdecode(coded, cv2.IMREAD_GRAYSCALE)
    return crop


def looked_at(
    looks: Sequence[tuple[str, int, int]], reader: Knowing, seed: int = 5
) -> tuple[list[str], list[str]]:
    """Return what stood in each crop of (text, contrast, quality), and what was read."""
    rng = np.random.default_rng(seed)
    crops = [drawn(*look, rng) for look in looks]
    reader.texts = {id(crop): look[0] for crop, look in zip(crops, looks, strict=True)}
    standing = Standing(FieldReader(reader, FIELD))
    found = [
        line.text for k in range(0, len(crops), 32) for line in standing.read(crops[k : k + 32])
    ]
    return [look[0] for look in looks], found


def small_changes(count: int, seed: int = 1) -> list[str]:
    """Return numbers that stand for two to five samples and differ by few strokes."""
    rng = np.random.default_rng(seed)
    texts: list[str] = []
    while len(texts) < count:
        text = f"38.{rng.choice(list('389650'))}"
        texts += [text] * int(rng.integers(2, 6))
    return texts[:count]


@pytest.mark.parametrize("contrast", [8, 16, 40, 120])
@pytest.mark.parametrize("quality", [8, 20, 50, 90])
def test_no_small_change_is_hidden(contrast: int, quality: int) -> None:
    texts, found = looked_at([(t, contrast, quality) for t in small_changes(600)], Knowing())
    assert found == texts


@pytest.mark.parametrize("quality", [8, 20, 50, 90])
def test_nor_where_the_number_fades(quality: int) -> None:
    faint = [(t, 120 if k < 200 else 10, quality) for k, t in enumerate(small_changes(600))]
    texts, found = looked_at(faint, Knowing())
    assert found == texts


def test_what_stands_is_seldom_recognised_again() -> None:
    reader = Knowing()
    texts, found = looked_at([(t, 90, 60) for t in small_changes(600)], reader)
    assert found == texts
    changes = sum(a != b for a, b in pairwise(texts))
    assert changes < reader.asked < 0.65 * len(texts)


def test_nothing_is_taken_over_before_changes_were_seen() -> None:
    reader = Knowing()
    looked_at([("38.4", 90, 60)] * 320, reader)
    assert SEEN_LEAST > 1
    assert reader.asked == 320


def test_nothing_unsure_is_taken_over() -> None:
    reader = Knowing(sure=0.92)
    looked_at([(t, 90, 60) for t in small_changes(320)], reader)
    assert reader.asked == 320


def test_one_contradiction_ends_it() -> None:
    reader = Knowing()
    # From the 300th on nothing in the picture tells the numbers apart.
    looks = [(t, 90 if k < 300 else 0, 90) for k, t in enumerate(small_changes(640))]
    texts, found = looked_at(looks, reader)
    assert found[320 + 32 :] == texts[320 + 32 :]


def test_a_change_is_found_without_reading_where_frames_are_alike() -> None:
    asked: list[int] = []

    class Asked:
        gate = 0.9

        def read(self, crops: Sequence[int]) -> list[Line]:
            asked.extend(crops)
            return [Line("2", 0.99) for _ in crops]

    frames = [10, 11, 10, 11, 55, 20, 21, 20]  # the one in the middle is like none of them
    search = Search(0, 7, ("1",), ("2",))
    halve(frames, Asked(), [search], lambda one, other: abs(one - other) <= 1)
    assert (search.lower, search.upper) == (3, 4)
    assert asked == [55]


def test_nothing_is_alike_before_enough_was_seen() -> None:
    rng = np.random.default_rng(7)
    reader = Knowing()
    standing = Standing(FieldReader(reader, FIELD))
    one, other = drawn("31.4", 90, 90, rng), drawn("31.4", 90, 90, rng)
    assert not standing.alike(one, one)
    looks = [(f"{30 + k // 2}.{k // 2 % 10}", 90, 90) for k in range(4 * SEEN_LEAST)]
    crops = [drawn(*look, rng) for look in looks]
    reader.texts = {id(crop): look[0] for crop, look in zip(crops, looks, strict=True)}
    standing.read(crops)
    assert standing.alike(one, other)
    assert not standing.alike(one, drawn("31.5", 90, 90, rng))
