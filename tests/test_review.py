"""Which readings deserve a look: one ranking, the same wherever it is shown."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from clipmaker import GreyReader, make_clip, overlay_toml, stairs, steady
from page_visitor import Visitor

from extractor.pipeline import read_session
from extractor.reading.clip_job import ReadOptions
from extractor.report import pack
from extractor.results import load
from extractor.review import pictures
from extractor.review.cards import Card, cards_of, is_open, ranked
from extractor.review.checked import Checked, waiting
from extractor.session.folder import Session
from extractor.session.user_tables import Correction
from extractor.statistics.missing_digits import MissingDigit
from extractor.tabulation.doubted_digits import Doubt
from extractor.tabulation.session_tables import ClipTable


def card(clip: str, time_s: float, doubt: float, field: str = "bitrate") -> Card:
    return Card(clip, field, [time_s], "1", "1", 0.5, "ok", doubt=doubt, before=[None])


def test_the_most_harmful_come_first_and_clips_and_fields_take_turns() -> None:
    a = [card("a", 0, 2.0), card("a", 5, 1.5), card("a", 9, 0.0)]
    b = [card("b", 3, 0.3), card("b", 6, 1.9), card("b", 3, 0.4, "latency")]
    assert ranked([*b, *a]) == [a[0], b[1], b[2], a[1], b[0]]


def test_neighbours_in_time_wait_until_the_others_were_seen() -> None:
    first, near = card("a", 1.0, 2.0), card("a", 1.9, 1.9)
    apart = card("a", 2.1, 0.3)
    assert ranked([near, apart, first]) == [first, apart, near]


@pytest.fixture
def doubted(session_folder: Path, grey_reader: GreyReader) -> Session:
    """Read a session in which some numbers lie outside the limits."""
    (session_folder / "overlay.toml").write_text(overlay_toml("maximum = 20.0"))
    make_clip(session_folder / "a.mp4", steady(2.0), stairs, chroma=(90, 170))
    session = Session(session_folder)
    read_session(session, ReadOptions(jobs=1))
    return session


def keys(cards: list[Card]) -> list[tuple[str, float, str]]:
    return [(c.clip, round(c.times[0], 3), c.text) for c in cards]


def test_page_report_and_pack_show_the_same_readings_in_the_same_order(
    doubted: Session, tmp_path_factory: pytest.TempPathFactory
) -> None:
    here = waiting(load(doubted.root))
    assert {c.flag for c in here} == {"range"}
    visitor = Visitor(doubted.root)
    shown = visitor.get("/api/check", field="bitrate").get_json()["cards"]
    crops = [visitor.get("/api/crop", clip=c.clip, field=c.field, t=c.times[0]).data for c in here]
    visitor.close()
    assert [(c["clip"], round(c["times"][0], 3), c["text"]) for c in shown] == keys(here)
    path = pack.pack(doubted, tmp_path_factory.mktemp("packs") / "p.zip")
    with pack.opened(path) as opened:
        kept = pictures.stored(opened / "results")
    assert kept is not None
    assert keys([d.card for d in kept]) == keys(here)
    in_report = [d.picture for d in pictures.with_pictures(load(doubted.root), here)]
    assert crops == in_report == [d.picture for d in kept]
    assert all(crop.startswith(b"\x89PNG") for crop in crops)


def test_what_somebody_settled_is_not_shown_again(doubted: Session) -> None:
    first, second, *others = waiting(load(doubted.root))
    note = (first.clip, first.field, first.text)
    Checked(doubted).note(note, first.times, "right", "doubtful")
    rows = "".join(f"{second.clip},{t:.3f},bitrate,12\n" for t in second.times)
    doubted.corrections_path.write_text(f"clip,time_s,field,value\n{rows}")
    assert keys(waiting(load(doubted.root))) == keys(others)
    assert is_open(first)


#: Sevens that were never read, perhaps ones instead.
SEVEN = MissingDigit("7", "1", place=1, seen=0, numbers=500, decimals=0, moving=(0, 1))


def test_a_card_takes_only_what_is_about_its_own_clip_and_field():
    row = {"time_s": [0.0], "value": [float("nan")], "text": ["18"], "since_s": [0.0]}
    series = pd.DataFrame({**row, "confidence": [0.9], "flag": ["unreadable"]})

    def card(clip: str, field: str) -> Card:
        corrections = [Correction(clip, 0.0, field, "78")]
        (made,) = cards_of("a", "x", series, corrections, {}, 0, [Doubt(field, clip, SEVEN)])
        return made

    about = card("a", "x")
    assert about.before == ["78"] and "7 was never read" in about.reason
    for clip, field in (("b", "x"), ("a", "y")):
        other = card(clip, field)
        assert other.before == [None] and "never read" not in other.reason


def test_a_table_is_another_where_a_doubt_is_about_its_clip_and_only_there():
    table = ClipTable(None, None, (), "key")
    assert table.doubted("a", [Doubt("x", "b", SEVEN)]) is table
    assert table.doubted("b", [Doubt("x", "b", SEVEN)]).key != table.key
