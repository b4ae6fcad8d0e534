"""Series from any table: times and values as people and programs write them."""

import math

import numpy as np
import pandas as pd
import pytest
from series_making import make_series

from extractor.errors import TableError
from extractor.session.numerals import decimals_in
from extractor.statistics.flags import Flag, parse_value
from extractor.statistics.series import (
    COLUMNS,
    display_step,
    series_from_table,
    usual_decimals,
)


def times(cells):
    table = pd.DataFrame({"t": cells, "v": ["1"] * len(cells)})
    return series_from_table(table, "t", "v")["time_s"].tolist()


@pytest.mark.parametrize(
    ("text", "value", "flag"),
    [
        ("38.4", 38.4, Flag.OK),
        (" 38,4 Mbit/s", 38.4, Flag.OK),
        ("-67 dBm", -67, Flag.OK),
        ("\u221267", -67, Flag.OK),
        ("1e3", 1000, Flag.OK),
        ("0", 0, Flag.OK),
        ("--", math.nan, Flag.NO_LINK),
        ("-", math.nan, Flag.NO_LINK),
        ("\u2014", math.nan, Flag.NO_LINK),
        ("--.-", math.nan, Flag.NO_LINK),
        ("", math.nan, Flag.HIDDEN),
        ("   ", math.nan, Flag.HIDDEN),
        ("?", math.nan, Flag.UNREADABLE),
        ("3 8", math.nan, Flag.UNREADABLE),
        ("1.234,5", math.nan, Flag.UNREADABLE),
        ("4:05", math.nan, Flag.UNREADABLE),
    ],
)
def test_one_cell(text, value, flag):
    found, flagged = parse_value(text)
    assert flagged == flag
    assert found == pytest.approx(value, nan_ok=True)


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        (["0", "0.5", "2"], [0, 0.5, 2]),
        (["10,5", "11,5"], [10.5, 11.5]),
        (["0:59", "1:00.5"], [0, 1.5]),
        (["10:59:59", "11:00:01,5"], [0, 2.5]),
        (["23:59:59", "00:00:01"], [0, 2]),
        (["2026-05-01T12:00:00", "2026-05-01 12:00:00.25"], [0, 0.25]),
        (["2026-05-01T12:00:00+02:00", "2026-05-01T10:00:03Z"], [0, 3]),
        ([1, 2.5], [1, 2.5]),
        ([], []),
        (pd.to_datetime(["2026-05-01", "2026-05-02"]), [0, 86400]),
    ],
)
def test_times_as_written(cells, expected):
    assert times(cells) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("cells", "message"),
    [
        (["0", "soon"], "row 3: 'soon'"),
        (["0", ""], "row 3: ''"),
        (["1", "0"], "row 3: the time 0 s lies before"),
        (["1", "1"], "row 3: the time 1 s is there twice"),
        (["0:01", "2"], "is no time like the others"),
    ],
)
def test_times_that_cannot_be(cells, message):
    with pytest.raises(TableError, match=message):
        times(cells)


def test_a_table_becomes_a_series():
    table = pd.DataFrame({"when": ["0", "1", "2", "3"], "rate": ["38,4", None, "--", "oops"]})
    found = series_from_table(table, "when", "rate")
    assert tuple(found.columns) == COLUMNS
    assert found["flag"].tolist() == ["ok", "hidden", "no_link", "unreadable"]
    assert found["text"].tolist() == ["38,4", "", "--", "oops"]
    assert found["value"].iloc[0] == 38.4


@pytest.mark.parametrize(
    ("cells", "row"),
    [
        (["38 Mbit/s", "900 kbit/s"], 3),
        (["35 ms", "", "1.2 s"], 4),
        (["38.4Mb/s", "39 Mbps", "--", "40", "41 MBit/s", "3 samples"], None),
        (["-67 dBm", "-68dBm", "35 %"], None),
    ],
)
def test_units_of_different_size_are_not_mixed(cells, row):
    log = pd.DataFrame({"t": [str(i) for i in range(len(cells))], "v": cells})
    if row is None:
        assert len(series_from_table(log, "t", "v")) == len(cells)
        return
    with pytest.raises(TableError, match=f"row {row}: .* another unit"):
        series_from_table(log, "t", "v")


def test_numbers_that_are_numbers_already():
    found = series_from_table(pd.DataFrame({"t": [0, 1], "v": [38.4, np.nan]}), "t", "v")
    assert found["flag"].tolist() == ["ok", "hidden"]


@pytest.mark.parametrize(
    ("columns", "message"),
    [(["t", "w"], "no column 'v'; the table has t, w"), (["t", "v", "v"], "2 columns named 'v'")],
)
def test_a_column_must_be_there_once(columns, message):
    with pytest.raises(TableError, match=message):
        series_from_table(pd.DataFrame([["0"] * len(columns)], columns=columns), "t", "v")


@pytest.mark.parametrize(
    ("text", "digits"), [("38.4", 1), ("38", 0), ("38,45 Mb/s", 2), ("--", None)]
)
def test_digits_after_the_point(text, digits):
    assert decimals_in(text) == digits


def test_the_display_step():
    series = make_series([38.4, 38.0, 37.9], text=["38.4", "38.0", "37.9"])
    assert display_step(series, 2) == pytest.approx(0.01)
    assert display_step(series, None) == pytest.approx(0.1)
    assert usual_decimals(series) == 1
    plain = series.drop(columns="text")
    assert usual_decimals(plain) is None
    assert display_step(plain, None) == pytest.approx(0.1)
    assert display_step(make_series([]), None) == 1
