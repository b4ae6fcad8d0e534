"""One name written in two ways is asked about before it counts as two."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pytest
from comparison_making import scenario
from hypothesis import given
from hypothesis import strategies as st
from report_making import made_up_session

from extractor.cli import app
from extractor.comparison.loading import load_sessions
from extractor.errors import TableError
from extractor.pipeline import compare_sessions
from extractor.report.html_report import write_report
from extractor.session.antennas import find_antenna, read_antennas
from extractor.session.folder import Session
from extractor.session.spelling import folded, twins

NFD = unicodedata.normalize("NFD", "Fächer")
PAIRS = [
    ("Coil", "coil"),
    ("Fächer", NFD),
    ("Slab 2", "Slab  2"),
    ("Slab 2", "Slab\u00a02"),
    ("Slab-2", "Slab_2"),
    ("Fan", "Fan\u200b"),
    ("1", "1.0"),
    ("1", "01"),
    ("2.5", "2,5"),
    ("STRASSE", "straße"),
    ("Ｆan", "Fan"),
]


@pytest.mark.parametrize(("first", "second"), PAIRS)
def test_likely_twins(first, second):
    assert twins([second, "Other", first, first]) == [tuple(sorted((first, second)))]


@pytest.mark.parametrize(
    ("first", "second"),
    [("Coil", "Coil2"), ("1", "-1"), ("m1", "m11"), ("1.0", "10"), ("Fan", "Fän")],
)
def test_names_that_differ(first, second):
    assert twins([first, second]) == []


@given(st.text(max_size=12))
def test_folding_a_folded_name_changes_nothing(name):
    assert folded(folded(name)) == folded(name)
    assert folded(f" {name.upper()}  ") == folded(f"{name.upper()}")


def rows(**cells: tuple[str, str]) -> list[tuple[str, str, str]]:
    antenna = cells.get("antenna", ("Fan", "Fan"))
    port = cells.get("port", ("Red", "Red"))
    mounting = cells.get("mounting", ("1", "2"))
    return [
        (antenna[0], port[0], mounting[0]), (antenna[1], port[1], mounting[1]),
        ("Slab", port[0], "1"), ("Slab", port[0], "2"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("what", "cells"),
    [
        ("antenna", {"antenna": ("Coil", "coil")}),
        ("antenna", {"antenna": ("Fächer", NFD)}),
        ("port", {"port": ("Red", "red")}),
        ("mounting of Fan", {"mounting": ("1", "1.0")}),
        ("mounting of Fan", {"mounting": ("a b", "a  b")}),
    ],
)
def test_twins_are_refused_wherever_runs_are_compared(tmp_path, capsys, what, cells):
    folder = made_up_session(tmp_path / "club", rows(**cells))
    for work in (lambda: compare_sessions([folder]), lambda: write_report([folder])):
        with pytest.raises(TableError, match=f"{what} is written '"):
            work()
    (folder / "antennas.csv").write_text("antenna,gain_dbi\nFan,8\nSlab,9\n")
    for command in ("compare", "report", "card", "expect", "replay"):
        assert app([command, str(folder)], standalone_mode=False) == 2
        (line,) = [s for s in capsys.readouterr().err.splitlines() if s.startswith("error: ")]
        assert what in line and "write it alike" in line
    assert any(what in warning for warning in Session(folder).run_warnings(Session(folder).runs()))
    assert not (folder / "results" / "ranking.csv").exists()


def test_the_same_look_in_two_codings_is_said(tmp_path):
    folder = made_up_session(tmp_path / "club", rows(antenna=("Fächer", NFD)))
    with pytest.raises(TableError, match="look alike, but are stored differently"):
        load_sessions([folder], "bitrate")


def test_mountings_of_two_antennas_may_be_written_as_one_likes(tmp_path):
    made = rows(mounting=("1", "2"))
    made[2], made[3] = ("Slab", "Red", "1.0"), ("Slab", "Red", "2.0")
    folder = made_up_session(tmp_path / "club", made)
    assert len(compare_sessions([folder]).runs) == 4


def test_other_ports_and_conditions_and_two_sessions(tmp_path):
    path = tmp_path / "hand.csv"
    head = "antenna,port,mounting,value,others,power_mw"
    plain = ["Fan,Red,1,30,Green=Coil,25", "Coil,Red,1,20,Green=Fan,25"]
    for spoiled, what in (
        ("Fan,Red,2,31,Green=coil,25", "antenna"),
        ("Fan,Red,2,31,green=Coil,25", "port"),
        ("Fan,Red,2,31,Green=Coil,25.0", "power_mw"),
    ):
        path.write_text("\n".join([head, *plain, spoiled]) + "\n")
        with pytest.raises(TableError, match=f"{what} is written"):
            compare_sessions([path])
    path.write_text("\n".join([head, *plain]) + "\n")
    other = tmp_path / "later.csv"
    other.write_text("\n".join([head, *plain]).replace("Fan", "FAN") + "\n")
    with pytest.raises(TableError, match=r"hand.csv, .*later.csv: antenna is written 'FAN'"):
        compare_sessions([path, other])


def test_another_factor_is_named_by_its_column(tmp_path):
    table = scenario().assign(mast="Tall")
    table.loc[::2, "mast"] = "tall"
    path = tmp_path / "hand.csv"
    table.to_csv(path, index=False)
    with pytest.raises(TableError, match="mast is written 'Tall' and 'tall'"):
        compare_sessions([path], factor="mast")


def test_antennas_csv_names_each_antenna_once(tmp_path: Path):
    path = tmp_path / "antennas.csv"
    path.write_text("antenna,gain_dbi\nCoil,9\ncoil,12\n")
    with pytest.raises(TableError, match="differ in spelling only"):
        read_antennas(path)
    path.write_text(f"antenna,gain_dbi\n{NFD},9\n", "utf-8")
    found = find_antenna(read_antennas(path), "Fächer")
    assert found is not None and found.gain_dbi == 9
