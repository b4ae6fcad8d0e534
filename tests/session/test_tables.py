"""CSV files as people and spreadsheets save them."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from extractor.errors import TableError
from extractor.session.csv_tables import format_columns, format_table, parse_table, read_table
from extractor.session.numerals import parse_number

ROWS = [{"clip": "a, b.mp4", "start_s": "1.5"}, {"clip": 'say "c".mp4', "start_s": ""}]


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_dialects(delimiter: str, encoding: str, line_end: str) -> None:
    stream = io.StringIO()
    writer = csv.writer(stream, delimiter=delimiter, lineterminator=line_end)
    decimal = "1,5" if delimiter == ";" else "1.5"
    writer.writerows([["clip", "start_s"], ["a, b.mp4", decimal], ['say "c".mp4', ""]])
    table = parse_table(stream.getvalue().encode(encoding), "runs.csv")
    assert [r["clip"] for r in table.rows] == [r["clip"] for r in ROWS]
    assert table.number(0, "start_s") == 1.5
    assert table.number(1, "start_s") is None


def test_umlauts_of_windows() -> None:
    table = parse_table("antenna;notes\nFan;schräg\n".encode("cp1252"), "x.csv")
    assert table.rows[0]["notes"] == "schräg"


@pytest.mark.parametrize(
    ("raw", "said"),
    [
        (b"", "is empty"),
        (b" \n\n", "is empty"),
        (b'""\n', "is empty"),
        (b"a,a\n1,2\n", "column 'a' twice"),
        (b"a,,b\n1,2,3\n", "column 2 has no name"),
        (b"a,b\n1,2,3\n", "line 2 has 3 cells"),
        (b"a\0b,c\n", "not a text file"),
        (b'run,notes\na,"5 inch\nb,none\n', "never closed"),
    ],
)
def test_refused(raw: bytes, said: str) -> None:
    with pytest.raises(TableError, match=said):
        parse_table(raw, "runs.csv")


def test_number_names_line_and_column() -> None:
    table = parse_table(b"clip,start_s\na,1\nb,soon\n", "runs.csv")
    with pytest.raises(TableError, match=r"runs\.csv: line 3, column 'start_s': 'soon'"):
        table.number(1, "start_s")


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("38.4", 38.4),
        ("38,4", 38.4),
        ("-67", -67.0),
        ("\u221267", -67.0),
        ("007", 7.0),
        ("1_000", None),
        ("nan", None),
        ("inf", None),
        ("1.234,5", None),
        ("", None),
    ],
)
def test_parse_number(text: str, value: float | None) -> None:
    assert parse_number(text) == value


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(TableError, match="not there"):
        read_table(tmp_path / "none.csv")


def test_no_cell_runs_in_a_spreadsheet() -> None:
    rows = [{"name": "=1+1"}, {"name": "@x"}, {"name": "-67"}, {"name": "--"}, {"name": "+b"}]
    text = format_table(["name"], rows)
    assert text.splitlines() == ["name", "'=1+1", "'@x", "-67", "--", "'+b"]
    assert [r["name"] for r in parse_table(text.encode(), "x").rows] == [r["name"] for r in rows]


@pytest.mark.parametrize("text", ["'=1", "''=1", "'-5", "'", "''", "'a", "-5", "-", "'\t0"])
def test_apostrophes_of_the_user_come_back(text: str) -> None:
    raw = format_table(["key", "text"], [{"key": "k", "text": text}]).encode()
    assert parse_table(raw, "x").rows[0]["text"] == text


TEXT = st.text(
    st.characters(codec="utf-8", exclude_characters="\0", exclude_categories=("Cs",)), max_size=20
)


@given(st.lists(TEXT.filter(lambda t: t == t.strip()), min_size=1, max_size=5))
def test_any_text_comes_back(cells: list[str]) -> None:
    rows = [{"key": "k", "text": c} for c in cells]
    back = parse_table(format_table(["key", "text"], rows).encode(), "x").rows
    assert [r["text"] for r in back] == cells


def test_columns_are_written_as_rows_are() -> None:
    columns = {
        "time_s": [0.0, 0.1, -0.0, 1e-9, 123456.7891, math.nan, math.inf],
        "text": ["", "=1+1", "a,b", 'q"q', "line\rend", "-3", "'=x"],
        "mixed": [None, 1, True, 2.5, "x", math.nan, False],
    }
    rows = [dict(zip(columns, cells, strict=True)) for cells in zip(*columns.values(), strict=True)]
    assert format_columns(columns) == format_table(list(columns), rows)
