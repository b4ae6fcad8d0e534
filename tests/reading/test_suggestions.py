"""What is offered as a changing number, and what is not."""

from __future__ import annotations

import numpy as np
import pytest

from extractor.reading import suggestions
from extractor.reading.readers.base import Line
from extractor.reading.suggestions import Candidate
from extractor.session.overlay import Box

BOX = Box(10, 10, 100, 20)


def judged(*texts: str) -> Candidate | None:
    return suggestions._judged(BOX, [Line(text, 0.99) for text in texts], 0.9)


@pytest.mark.parametrize(("numbers", "offered"), [(1, False), (5, False), (6, True), (10, True)])
def test_most_instants_must_hold_a_number(numbers: int, offered: bool) -> None:
    texts = [f"{20 + i}.5" for i in range(numbers)] + ["~"] * (10 - numbers)
    assert (judged(*texts) is not None) is offered


def test_a_number_that_never_changes_is_not_offered() -> None:
    assert judged(*["38.4"] * 10) is None
    changing = judged(*["38.4 ~"] * 9, "7.0")
    assert changing is not None
    assert (changing.texts, changing.decimals) == (("38.4 ~", "7.0"), 1)
    mixed = judged(*["38.4"] * 9, "7")
    assert mixed is not None
    assert mixed.decimals is None


@pytest.mark.parametrize(("times", "stays"), [(1, False), (8, False), (10, True), (20, True)])
def test_an_edge_stays_where_it_is_at_nearly_half_of_the_instants(times: int, stays: bool) -> None:
    plain = np.full((20, 40), 60, np.uint8)
    edge = plain.copy()
    edge[:, 20:] = 200
    found = suggestions._staying_edges([edge] * times + [plain] * (20 - times))
    assert found.any() == stays


@pytest.mark.parametrize(("shift", "kept"), [(71, 2), (69, 1), (30, 1), (100, 2)])
def test_of_two_that_overlap_by_a_third_the_better_is_offered(shift: int, kept: int) -> None:
    worse = Candidate(Box(BOX.x + shift, BOX.y, BOX.width, BOX.height), ("1", "2"), 0, 0.8)
    better = Candidate(BOX, ("1", "2"), 0, 0.9)
    found = suggestions._best([worse, better])
    assert better in found
    assert len(found) == kept
