"""The same table saved by any spreadsheet is the same table: separators, commas, marks, ends."""

from __future__ import annotations

import csv
import tempfile
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from spreadsheets import Cells, save, saved

from extractor.comparison.loading import load_sessions
from extractor.session.antennas import read_antennas
from extractor.session.csv_tables import Table, parse_table
from extractor.session.user_tables import parse_corrections, parse_runs
from extractor.statistics.series import series_from_table


def plain(rows: Cells) -> Table:
    return parse_table(save(rows, (",", ".", "\n", "utf-8", csv.QUOTE_MINIMAL)), "table.csv")


numbers = st.integers(-9999, 99999).map(lambda n: n / 100)
names = st.sampled_from(["Fan", "Fächer", "Slab, small", "Coil; wide", 'the "old" one'])


@given(saved(), st.lists(st.tuples(names, numbers.filter(lambda v: v > 0)), min_size=1, max_size=4))
@settings(max_examples=60, deadline=None)
def test_runs(dialect: tuple[str, str, str, str, int], runs: list[tuple[str, float]]) -> None:
    rows: list[list[str | float | None]] = [["run", "clip", "start_s", "end_s", "antenna", "power"]]
    for i, (antenna, start) in enumerate(runs):
        rows.append([f"r{i}", f"{i}.mp4;{i}b.mp4", start, start + 10.5, antenna, "25"])
    found = parse_runs(parse_table(save(rows, dialect), "runs.csv"))
    assert [(r.start_s, r.end_s, r.cell("antenna"), r.clips) for r in found] == [
        (r.start_s, r.end_s, r.cell("antenna"), r.clips) for r in parse_runs(plain(rows))
    ]
    assert [r.cell("antenna") for r in found] == [a for a, _ in runs]
    assert [r.start_s for r in found] == [float(f"{s:g}") for _, s in runs]


@given(saved(), st.lists(numbers.filter(lambda v: v >= 0), min_size=1, max_size=5))
@settings(max_examples=60, deadline=None)
def test_corrections(dialect: tuple[str, str, str, str, int], values: list[float]) -> None:
    rows: list[list[str | float | None]] = [["clip", "time_s", "field", "value"]]
    rows += [["a.mp4", v, "bitrate", v] for v in values]
    rows += [["a.mp4", 0.5, "bitrate", mark] for mark in ("", "--", "hidden")]
    found = parse_corrections(parse_table(save(rows, dialect), "corrections.csv"))
    assert [c.time_s for c in found[:-3]] == [float(f"{v:g}") for v in values]
    assert [float(c.value.replace(",", ".")) for c in found[:-3]] == [
        float(f"{v:g}") for v in values
    ]
    assert [c.value for c in found[-3:]] == ["", "--", "hidden"]


hundredths = st.integers(11, 1999).map(lambda n: n / 100)


@given(saved(), hundredths, hundredths)
@settings(max_examples=40, deadline=None)
def test_antennas(dialect: tuple[str, str, str, str, int], gain: float, cable: float) -> None:
    rows: Cells = [["antenna", "gain_dbi", "cable_m"], ["Fächer", gain, cable], ["Coil", "", ""]]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "antennas.csv"
        path.write_bytes(save(rows, dialect))
        first, second = read_antennas(path)
    assert (first.antenna, first.gain_dbi, first.cable_m) == (
        "Fächer",
        float(f"{gain:g}"),
        float(f"{cable:g}"),
    )
    assert second.gain_dbi is None


@given(saved(), st.lists(numbers.filter(lambda v: v >= 0), min_size=2, max_size=8))
@settings(max_examples=60, deadline=None)
def test_a_log_to_summarise(dialect: tuple[str, str, str, str, int], values: list[float]) -> None:
    import pandas as pd

    rows: list[list[str | float | None]] = [["t", "mbit"]]
    rows += [[i / 2, v] for i, v in enumerate(values)]
    table = parse_table(save(rows, dialect), "log.csv")
    frame = pd.DataFrame([[r[c] for c in table.columns] for r in table.rows], columns=table.columns)
    series = series_from_table(frame, "t", "mbit")
    assert series["time_s"].tolist() == [i / 2 for i in range(len(values))]
    assert series["value"].tolist() == [float(f"{v:g}") for v in values]
    assert set(series["flag"]) == {"ok"}


@given(saved(), st.lists(numbers, min_size=4, max_size=4))
@settings(max_examples=40, deadline=None)
def test_a_table_made_by_hand(dialect: tuple[str, str, str, str, int], values: list[float]) -> None:
    rows: list[list[str | float | None]] = [["antenna", "port", "mounting", "value"]]
    places = (("Fächer", "1"), ("Fächer", "2"), ("Coil", "1"), ("Coil", "2"))
    rows += [[name, "Red", mounting, v] for (name, mounting), v in zip(places, values, strict=True)]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "table.csv"
        path.write_bytes(save(rows, dialect))
        loaded = load_sessions([path], "bitrate", "mean", "antenna").runs
    assert sorted(loaded["value"]) == sorted(float(f"{v:g}") for v in values)
    assert set(loaded["antenna"]) == {"Fächer", "Coil"}
    assert np.isfinite(loaded["value"]).all()
