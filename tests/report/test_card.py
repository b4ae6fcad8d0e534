"""The card: exact pixels, and never more certain than the comparison."""

from __future__ import annotations

import struct

import pandas as pd
import pytest
from comparison_making import compared, five_by_hand, scenario
from report_making import made_up_session, truth_session, words_in

from extractor.errors import UsageError
from extractor.report import card, theme
from extractor.report.charts import style


@pytest.mark.parametrize("size", ["1920x1080", "1080x1920", "1080x1080"])
def test_size_is_exact_and_the_text_complete(size: str) -> None:
    comparison = compared(scenario())
    conditions = {"place": "boat $hed", "distance_m": 180.0, "walls": 1, "notes": {"a": 1}}
    with style.drawing():
        figure = card.draw_card(
            comparison, theme.looks(comparison.order.names), conditions, "Title",
            card.parse_size(size),
        )  # fmt: skip
        width, height = struct.unpack(">II", style.png(figure, 100)[16:24])
        words = words_in(figure)
        assert_inside(figure)
    assert f"{width}x{height}" == size
    flat = " ".join(words.split())
    for part in ("Title", "n = 16 runs in 8 mountings", "95 % interval", "boat $hed", "180 m",
                 "1 wall", "Mean bitrate, Mbit/s", "can't be"):  # fmt: skip
        assert part in flat, part


def assert_inside(figure) -> None:
    style.png(figure, 100)
    page = figure.bbox
    (axes,) = figure.axes
    for text in (*figure.texts, *axes.texts, axes.xaxis.label):
        if text.get_text():
            box = text.get_window_extent()
            assert box.x0 >= -1 and box.x1 <= page.x1 + 1, text.get_text()
            assert box.y0 >= -1 and box.y1 <= page.y1 + 1, text.get_text()


def test_verdicts() -> None:
    assert card.verdict(compared(scenario())).startswith("Slab is best: at least 2.8 Mbit/s")
    tie = scenario().query("antenna in ['Coil', 'Fan']")
    assert card.verdict(compared(tie)).startswith("No antenna is shown to be better")
    assert "mounted once" in card.verdict(compared(five_by_hand()))


@pytest.mark.parametrize("text", ["", "big", "1920", "10x10", "99999x99999", "1920x-1080"])
def test_sizes_that_are_none(text: str) -> None:
    with pytest.raises(UsageError, match="--size"):
        card.parse_size(text)


def test_many_long_names_stay_on_the_card() -> None:
    names = {f"{'long name ' * 20}{i}": 30.0 - i for i in range(16)}
    rows = pd.DataFrame(
        {"antenna": name, "mounting": str(m), "value": level + 0.1 * m + 0.05 * (i % 3)}
        for i, (name, level) in enumerate(names.items())
        for m in range(2)
    )
    comparison = compared(rows)
    with style.drawing():
        figure = card.draw_card(
            comparison, theme.looks(list(names)), {}, "T" * 300, card.Size(1080, 1080)
        )
        assert_inside(figure)
    assert f"Best {card.MOST_ROWS} of 16 shown" in " ".join(words_in(figure).split())


def test_written_from_a_session(tmp_path) -> None:
    path = card.write_card(truth_session(tmp_path / "club"), size=card.Size(640, 480), title="T")
    assert path.name == "card-640x480.png"
    assert path.parent == tmp_path / "club" / "results" / "pictures"


def test_nothing_to_rank_says_what_is_missing(tmp_path) -> None:
    folder = made_up_session(tmp_path / "one", [("A", "U", "1")])
    with pytest.raises(UsageError, match="at least two"):
        card.write_card(folder)
