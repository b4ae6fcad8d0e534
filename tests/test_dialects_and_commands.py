"""Tables that a spreadsheet saved again change nothing, in any dialect and for any command."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from clipmaker import GreyReader, make_clip, overlay_toml, stairs, steady
from hypothesis import HealthCheck, given, settings
from page_visitor import Visitor
from spreadsheets import save, saved

from extractor import cli
from extractor.cli import app
from extractor.errors import TableError
from extractor.reading import box_tightening, clip_job, readers
from extractor.results import load
from extractor.session import csv_tables
from extractor.session.csv_tables import parse_table, read_table
from extractor.session.numerals import parse_number

Dialect = tuple[str, str, str, str, int]
PLAIN: Dialect = (",", ".", "\n", "utf-8", csv.QUOTE_MINIMAL)
GERMAN: Dialect = (";", ",", "\r\n", "cp1252", csv.QUOTE_MINIMAL)
CALIBRATION = Path(__file__).parents[1] / "docs" / "examples" / "calibration"

RUNS = [
    ["run", "clip", "start_s", "end_s", "antenna", "port", "others", "mounting", "order"],
    ["r1", "a.mp4", "0.2", "0.9", "Fächer", "Red", "Green=Slab", "1", "1.5"],
    ["r2", "a.mp4", "0.9", "", "Coil", "Red", "Green=Slab", "1", "2.5"],
    ["r3", "b.mp4", "", "0.95", "Fächer", "Green", "Red=Slab", "2", "3.5"],
    ["r4", "b.mp4", "1.05", "", "Coil", "Green", "Red=Slab", "2", "4.5"],
]
PLANNED = [*RUNS, ["r5", "", "", "", "Slab", "Red", "", "1", "10.5"],
           ["r6", "", "", "", "Slab", "Red", "", "2", "9.5"]]  # fmt: skip
ANTENNAS = [["antenna", "gain_dbi", "cable", "cable_m"], ["Fächer", "8.5", "2.5 dB/m", "0.5"],
            ["Coil", "12.5", "1.5 dB", "1.3"], ["Slab", "9", "RG-316", "0.25"]]  # fmt: skip
CORRECTIONS = [["clip", "time_s", "field", "value"], ["a.mp4", "0.5", "bitrate", "12.5"],
               ["b.mp4", "1.2", "bitrate", "--"], ["b.mp4", "1.4", "bitrate", ""]]  # fmt: skip
LOG = [["t", "mbit"], *[[f"{i / 4:g}", f"{20 + i % 7 / 4:g}"] for i in range(60)]]


def resave(path: Path, dialect: Dialect) -> None:
    """Save a table again as a spreadsheet of that dialect does."""
    table = read_table(path)
    rows = [list(table.columns), *([row[c] for c in table.columns] for row in table.rows)]
    mark = dialect[1]
    marked = [[c if parse_number(c) is None else c.replace(".", mark) for c in r] for r in rows]
    path.write_bytes(save(marked, dialect))


@pytest.fixture(scope="module")
def club(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A session that was read, of two clips in four runs."""
    folder = tmp_path_factory.mktemp("dialects") / "club"
    folder.mkdir()
    make_clip(folder / "a.mp4", steady(2.0), stairs)
    make_clip(folder / "b.mp4", steady(2.0), lambda t: stairs(t) // 2 + 9)
    (folder / "overlay.toml").write_text(overlay_toml("minimum = 0.0\nmaximum = 45.0"))
    patch = pytest.MonkeyPatch()
    reader = GreyReader()
    patch.setattr(readers, "create", lambda name, glyphs=None: reader)
    patch.setattr(box_tightening, "_tight_share", lambda seen, reader: None)
    patch.setattr(clip_job, "_made", {})
    for name, rows in (("runs", RUNS), ("antennas", ANTENNAS), ("corrections", CORRECTIONS)):
        (folder / f"{name}.csv").write_bytes(save(rows, PLAIN))
    done(["read", str(folder), "--jobs", "1", "--crosscheck", "0"])
    yield folder
    patch.undo()


@pytest.fixture(scope="module")
def plain() -> dict[str, Any]:
    """What commands say and write where all tables are plain, once they are known."""
    return {}


def done(arguments: list[str]) -> None:
    code = app(arguments, standalone_mode=False)
    assert not code, f"{arguments[0]} ended with {code}"


def matched(folder: Path, more: Path) -> None:
    for name in ("c_001.mp4", "c_002.mp4"):
        make_clip(folder / name, steady(0.5), lambda t, name=name: len(name) + int(name[4]))
    done(["match", str(folder), "--by", "name", "--yes"])


#: Every command, as it is called on a folder; in a second one it may write.
COMMANDS: dict[str, Callable[[Path, Path], None] | str] = {
    "read": lambda f, o: done(["read", str(f), "--jobs", "1", "--crosscheck", "0"]),
    "match": matched,
    "summarise": lambda f, o: done(
        ["summarise", str(f / "log.csv"), "--time", "t", "--value", "mbit", "--out",
         str(o / "log.csv")]
    ),
    "compare": lambda f, o: done(["compare", str(f)]),
    "expect": lambda f, o: done(["expect", str(f)]),
    "plan": lambda f, o: done(
        ["plan", str(o / "next"), "--antennas", "A,B", "--ports", "Red,Green", "--mountings", "2",
         "--seed", "1", "--detect", "3", "--from", str(f)]
    ),
    "report": lambda f, o: done(["report", str(f)]),
    "card": lambda f, o: done(["card", str(f)]),
    "replay": lambda f, o: done(["replay", str(f), "--out", str(o)]),
    "film": lambda f, o: done(["film", str(f), "--size", "640x480", "--rate", "5"]),
    "describe": lambda f, o: done(["describe", str(f)]),
    "annotate": lambda f, o: done(["annotate", str(f), "--clip", "a.mp4"]),
    "mosaic": lambda f, o: done(["mosaic", str(f)]),
    "pack": lambda f, o: (
        done(["pack", str(f), "--out", str(o / "club.zip")]),
        done(["compare", str(o / "club.zip"), "--out", str(o)]),
    )[0],
    "open": lambda f, o: page(f, o),
    "mark": "looks into overlay.toml and clips alone",
    "quick": "looks into overlay.toml and clips alone",
    "teach": "looks into overlay.toml and clips alone",
    "watch": "reads as read does",
}  # fmt: skip
QUICK = ("read", "match", "summarise", "compare", "expect")


def page(folder: Path, out: Path) -> None:
    visitor = Visitor(folder)
    try:
        session = visitor.session()
        assert not session["problems"] and session["editable"]
        shown = [visitor.get("/api/series", clip=c, field="bitrate").get_json() for c in ("a.mp4",)]
        results = visitor.get("/api/results").get_json()["tables"]["summary"]
        (out / "page.json").write_text(json.dumps([shown, results["columns"], session["antennas"]]))
    finally:
        visitor.close()


def test_every_command_stands_in_the_table():
    names = {c.__name__ for c in cli.COMMANDS} | {"open"}
    assert names == set(COMMANDS)


def outcome(club: Path, name: str, dialect: Dialect, capfd: Any) -> tuple[str, dict[str, Any]]:
    """Return what a command prints and writes, all tables being saved in that dialect."""
    folder, out = club.parent / "again" / "club", club.parent / "again" / "out"
    shutil.rmtree(folder.parent, ignore_errors=True)
    shutil.copytree(club, folder)
    out.mkdir()
    (folder / "log.csv").write_bytes(save(LOG, PLAIN))
    if name == "match":
        (folder / "runs.csv").write_bytes(save(PLANNED, PLAIN))
    if name != "read":  # it writes its own tables anew
        resave(folder / "results" / "summary.csv", dialect)
        for path in (folder / "results" / "readings").iterdir():
            resave(path, dialect)
    for table in ("runs", "antennas", "corrections", "log"):
        resave(folder / f"{table}.csv", dialect)
    capfd.readouterr()
    command = COMMANDS[name]
    assert callable(command)
    command(folder, out)
    printed = capfd.readouterr().out
    written = [
        p for f in (folder, out) for p in sorted(f.rglob("*.csv")) if "videos" not in p.parts
    ]
    found: dict[str, Any] = {p.name: [numbered(r) for r in read_table(p).rows] for p in written}
    for path in [*folder.rglob("findings.json"), *out.rglob("*.json")]:
        found[path.name] = json.loads(path.read_text("utf-8"))
    return printed, found


def numbered(row: dict[str, str]) -> dict[str, Any]:
    return {k: v if (n := parse_number(v)) is None else n for k, v in row.items()}


@given(dialect=saved())
@settings(
    max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@pytest.mark.parametrize("name", QUICK)
def test_a_quick_command_says_and_writes_the_same(name, club, plain, capfd, dialect):
    if name not in plain:
        plain[name] = outcome(club, name, PLAIN, capfd)
    assert plain[name][0]
    assert outcome(club, name, dialect, capfd) == plain[name]


@pytest.mark.parametrize(
    "name", [n for n, how in COMMANDS.items() if n not in QUICK and callable(how)]
)
def test_a_slow_command_says_and_writes_the_same(name, club, capfd):
    assert outcome(club, name, GERMAN, capfd) == outcome(club, name, PLAIN, capfd)


@given(dialect=saved())
@settings(
    max_examples=2, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_calibration_and_sweep(tmp_path_factory, capfd, dialect):
    printed = []
    for way in (PLAIN, dialect):
        folder = tmp_path_factory.mktemp("calibration", numbered=True)
        shutil.copytree(CALIBRATION, folder, dirs_exist_ok=True)
        for path in folder.rglob("*.csv"):
            resave(path, way)
        capfd.readouterr()
        done(["expect", str(folder), "--threshold", "20.5"])
        done(["compare", str(folder)])
        printed.append(capfd.readouterr().out.replace(str(folder), "FOLDER"))
    assert "dB" in printed[0]
    assert printed[0] == printed[1]


ODD = (
    "1e308",
    "-1e308",
    "1e16",
    "inf",
    "nan",
    "1e-320",
    "1_0",
    "0x10",
    "1,5,2",
    "abc",
    "1e15",
    "-3",
)


@pytest.mark.parametrize("column", ["start_s", "end_s", "order", "attenuation_db", "angle_deg"])
@pytest.mark.parametrize("odd", ODD)
def test_an_odd_number_ends_in_one_line_or_in_a_result(club, capfd, column, odd):
    folder = club.parent / "odd"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(club, folder, ignore=shutil.ignore_patterns("*.zip"))
    columns = [*RUNS[0], *({column} - set(RUNS[0]))]
    rows = [columns, *([*row, *[""] * (len(columns) - len(row))] for row in RUNS[1:])]
    rows[2][columns.index(column)] = odd
    (folder / "runs.csv").write_bytes(save(rows, PLAIN))
    for command in ("compare", "expect") if column == "angle_deg" else ("compare",):
        capfd.readouterr()
        code = app([command, str(folder)], standalone_mode=False)
        said = capfd.readouterr().err
        assert code in (None, 0, 2)
        assert code != 2 or said.count("error: ") == 1


def test_the_summary_is_read_back_with_every_number_checked(club, capfd):
    folder = club.parent / "odd"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(club, folder)
    path = folder / "results" / "summary.csv"
    table = parse_table(path.read_bytes(), "summary.csv")
    cells = [dict(r) for r in table.rows]
    cells[1]["sd"] = "much"
    csv_tables.write_table(path, table.columns, cells)
    assert app(["report", str(folder)], standalone_mode=False) == 2
    assert "line 3, column 'sd': 'much' is not a number" in capfd.readouterr().err


def test_numbers_beyond_all_bounds_are_none():
    assert [parse_number(t) for t in ("1e15", "-1e15", "1e15,5")] == [1e15, -1e15, None]
    assert [parse_number(t) for t in ("1e308", "1e16", "1e400", "inf", "nan")] == [None] * 5
    cells = {"1e308": "is too large a number", "1e400": "is too large", "inf": "is not a",
             "1_0": "is not a number", "x": "is not a number"}  # fmt: skip
    table = parse_table("\n".join(["order", *cells]).encode(), "t.csv")
    for i, said in enumerate(cells.values()):
        with pytest.raises(TableError, match=said):
            table.number(i, "order")


@pytest.mark.parametrize("dialect", [GERMAN, ("\t", ",", "\n", "utf-16", csv.QUOTE_ALL)])
def test_readings_saved_again_give_the_same_series(club, dialect):
    folder = club.parent / "odd"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(club, folder)
    before = load(folder).readings("a.mp4", "bitrate")
    assert len(before) > 10
    resave(folder / "results" / "readings" / "a.csv", dialect)
    assert load(folder).readings("a.mp4", "bitrate").to_csv() == before.to_csv()
