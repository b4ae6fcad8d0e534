"""One rule from text to number, for readings, hand-made logs and tables."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from extractor.reading.number_parsing import interpret, is_negative
from extractor.session.csv_tables import parse_table
from extractor.session.numerals import decimals_in, numeral_in, parse_number
from extractor.statistics.flags import Flag, parse_value
from extractor.statistics.series import series_from_table

NONE = math.nan
#: Text, number, flag: alike for what a reader saw and what a person wrote down.
BOTH = [
    ("38.4", 38.4, Flag.OK),
    ("38,4", 38.4, Flag.OK),
    ("38.4Mb/s", 38.4, Flag.OK),
    ("38,4 Mb/s", 38.4, Flag.OK),
    ("-67dBm", -67.0, Flag.OK),
    ("\u221267", -67.0, Flag.OK),
    ("\u221267,5 dBm", -67.5, Flag.OK),
    ("85%", 85.0, Flag.OK),
    ("21\u00b0C", 21.0, Flag.OK),
    ("LQ: 38", 38.0, Flag.OK),
    ("~ 38.4 ~", 38.4, Flag.OK),
    ("+3.5", 3.5, Flag.OK),
    ("007", 7.0, Flag.OK),
    ("-", NONE, Flag.NO_LINK),
    ("- -", NONE, Flag.NO_LINK),
    ("--.-", NONE, Flag.NO_LINK),
    ("\u2014 ms", NONE, Flag.NO_LINK),
    ("--:--:--", NONE, Flag.NO_LINK),
    ("~ --", NONE, Flag.NO_LINK),
    ("", NONE, Flag.HIDDEN),
    ("  ", NONE, Flag.HIDDEN),
    ("~", NONE, Flag.UNREADABLE),
    ("no link", NONE, Flag.UNREADABLE),
    ("- 67", NONE, Flag.UNREADABLE),
    ("\u2212 67", NONE, Flag.UNREADABLE),
    ("--5", NONE, Flag.UNREADABLE),
    ("3O", NONE, Flag.UNREADABLE),
    ("3S Mb/s", NONE, Flag.UNREADABLE),
    ("38.4~", NONE, Flag.UNREADABLE),
    ("~8.4", NONE, Flag.UNREADABLE),
    ("< 38", NONE, Flag.UNREADABLE),
    ("38?", NONE, Flag.UNREADABLE),
    ("38 ?", NONE, Flag.UNREADABLE),
    ("3 8", NONE, Flag.UNREADABLE),
    ("03. Mai", NONE, Flag.UNREADABLE),
    ("3.maj", NONE, Flag.UNREADABLE),
    ("Jan 25", NONE, Flag.UNREADABLE),
    ("M\u00e4r 25", NONE, Flag.UNREADABLE),
    ("38. Mb/s", NONE, Flag.UNREADABLE),
    ("3\u00bd", NONE, Flag.UNREADABLE),
    ("MAX 38.4", 38.4, Flag.OK),
    ("12/40", NONE, Flag.UNREADABLE),
    ("4:05", NONE, Flag.UNREADABLE),
    ("1.2.3", NONE, Flag.UNREADABLE),
    ("1.234,5", NONE, Flag.UNREADABLE),
    ("1_000", NONE, Flag.UNREADABLE),
    ("1e16", NONE, Flag.UNREADABLE),
    (".", NONE, Flag.UNREADABLE),
    ("inf", NONE, Flag.UNREADABLE),
]


@pytest.mark.parametrize(("text", "value", "flag"), BOTH)
def test_readings_and_logs_are_understood_alike(text: str, value: float, flag: Flag) -> None:
    log = series_from_table(pd.DataFrame({"t": ["0"], "v": [text]}), "t", "v")
    reading = interpret(text, 1.0, 0.5)
    found = [parse_value(text), (reading.value, reading.flag)]
    found.append((log["value"].iloc[0], log["flag"].iloc[0]))
    for number, flagged in found:
        assert flagged == flag
        assert number == pytest.approx(value, nan_ok=True)


@pytest.mark.parametrize(("text", "value"), [(".5", 0.5), ("38.", 38.0), ("-,5 dBm", -0.5)])
def test_a_reader_may_have_lost_the_digit_beside_a_point_a_person_has_not(
    text: str, value: float
) -> None:
    assert parse_value(text) == (value, Flag.OK)
    assert interpret(text, 1.0, 0.5).flag == Flag.UNREADABLE


@pytest.mark.parametrize(
    "text",
    ["38.4", "38,4", ".5", "38.", "\u221267", "+3", "1e3", "1e16", "1_000", "4:05", "--", "x"],
)
def test_a_cell_that_must_be_a_number_takes_what_a_log_takes(text: str) -> None:
    value, flag = parse_value(text)
    assert parse_number(text) == (value if flag == Flag.OK else None)
    table = parse_table(f"start_s;x\n{text};\n".encode(), "runs.csv")
    if flag == Flag.OK:
        assert table.number(0, "start_s") == value


def test_a_cell_that_must_be_a_number_takes_no_unit() -> None:
    """Nobody said which unit: 130 of ``130cm`` are no metres."""
    assert parse_number("130cm") is None


@pytest.mark.parametrize(
    ("text", "digits"),
    [
        ("38.4 ~", 1),
        ("38,45Mb/s", 2),
        ("38", 0),
        ("38.", 0),
        (".25", 2),
        ("1.5e3", 1),
        ("3 8", None),
    ],
)
def test_decimals(text: str, digits: int | None) -> None:
    assert decimals_in(text) == digits


def test_which_numbers_are_negative() -> None:
    assert [is_negative(t) for t in ("-67 ~", "\u221267", "67", "-- 67", "--")] == [
        *(True, True, False, False, False)
    ]
    assert numeral_in("-- 67") == "67"
