"""Edits of the session's own files: what must change does, everything else stays."""

from __future__ import annotations

from pathlib import Path

import pytest

from extractor.errors import ChangedMeanwhileError, SessionFileError, TableError, UsageError
from extractor.session import conditions, corrections_editing, runs_editing
from extractor.session.csv_editing import TableFile
from extractor.session.folder import Session

RUNS = """run,clip,antenna,port,mounting,start_s,end_s,attenuation_db,my own
one,a.mp4,Slab,Upper,1,,,6,"kept, with a comma"
two,b.mkv,Coil,Lower,1,,,3,x
planned,,Fan,Upper,1,,,,later
"""


@pytest.fixture
def session(tmp_path: Path) -> Session:
    for name in ("a.mp4", "b.mkv", "c.ts"):
        (tmp_path / name).write_bytes(b"not looked into")
    return Session(tmp_path)


def rows(session: Session) -> list[dict[str, str]]:
    return [dict(r.cells) for r in runs_editing.run_rows(session) if r.stored]


def key(session: Session, run: str) -> str:
    return next(r.key for r in runs_editing.run_rows(session) if r.cells["run"] == run)


def test_without_a_file_every_clip_is_a_run_and_the_first_edit_makes_the_file(
    session: Session,
) -> None:
    before = runs_editing.run_rows(session)
    assert [(r.cells["clip"], r.stored) for r in before] == [
        ("a.mp4", False),
        ("b.mkv", False),
        ("c.ts", False),
    ]
    runs_editing.edit_run(session, before[1].key, "antenna", "", "Coil")
    # The second tab still knows the row by its old key.
    runs_editing.edit_run(session, before[2].key, "antenna", "", "Fan")
    assert [(r["run"], r["antenna"]) for r in rows(session)] == [
        ("a", ""),
        ("b", "Coil"),
        ("c", "Fan"),
    ]
    assert [run.cell("antenna") for run in session.runs()] == ["", "Coil", "Fan"]


def test_one_cell_changes_and_nothing_else(session: Session) -> None:
    session.runs_path.write_text(RUNS)
    runs_editing.edit_run(session, key(session, "two"), "antenna", "Coil", "Stub")
    assert session.runs_path.read_text() == RUNS.replace("Coil", "Stub")
    assert (session.root / ".runs.csv.previous").read_text() == RUNS


@pytest.mark.parametrize("encoding", ["utf-8-sig", "cp1252", "utf-16"])
def test_a_spreadsheets_own_separator_and_line_ends_stay(session: Session, encoding: str) -> None:
    text = "run;clip;antenna;start_s\r\nübung;a.mp4;Slab;1,5\r\n"
    session.runs_path.write_bytes(text.encode(encoding))
    runs_editing.edit_run(session, key(session, "übung"), "antenna", "Slab", "Fan")
    written = session.runs_path.read_bytes()
    assert written.decode("utf-8-sig") == text.replace("Slab", "Fan")
    assert written.startswith(b"\xef\xbb\xbf")  # or the spreadsheet would take it for its own
    assert session.runs()[0].start_s == 1.5


def test_two_tabs_keep_each_others_edits(session: Session) -> None:
    session.runs_path.write_text(RUNS)
    one = key(session, "one")
    runs_editing.edit_run(session, one, "antenna", "Slab", "Fan")
    runs_editing.edit_run(session, one, "port", "Upper", "Left")
    assert (rows(session)[0]["antenna"], rows(session)[0]["port"]) == ("Fan", "Left")


def test_a_cell_changed_underneath_is_noticed_and_left(session: Session) -> None:
    session.runs_path.write_text(RUNS)
    one = key(session, "one")
    session.runs_path.write_text(RUNS.replace("Slab", "By hand"))
    with pytest.raises(ChangedMeanwhileError, match="By hand"):
        runs_editing.edit_run(session, one, "antenna", "Slab", "Fan")
    assert "By hand" in session.runs_path.read_text()
    session.runs_path.write_text(RUNS.replace("one,", "renamed,"))
    with pytest.raises(ChangedMeanwhileError, match="gone"):
        runs_editing.edit_run(session, one, "antenna", "Slab", "Fan")


def test_a_write_in_the_last_moment_is_noticed(session: Session) -> None:
    session.runs_path.write_text(RUNS)
    table = TableFile.load(session.runs_path, ("run", "clip"))
    session.runs_path.write_text(RUNS + "three,c.ts,,,,,,,\n")
    with pytest.raises(ChangedMeanwhileError):
        table.save()
    assert "three" in session.runs_path.read_text()


@pytest.mark.parametrize(
    ("column", "value", "error"),
    [
        ("start_s", "soon", UsageError),
        ("clip", "../../secret.mp4", UsageError),
        ("no such column", "1", UsageError),
        ("run", "two", TableError),
        ("antenna", "x" * 3000, UsageError),
    ],
)
def test_what_cannot_stand_there_is_not_written(
    session: Session, column: str, value: str, error: type[Exception]
) -> None:
    session.runs_path.write_text(RUNS)
    old = {"run": "one", "clip": "a.mp4", "antenna": "Slab"}.get(column, "")
    with pytest.raises(error):
        runs_editing.edit_run(session, key(session, "one"), column, old, value)
    assert session.runs_path.read_text() == RUNS


def test_a_mounting_without_antenna_is_refused_with_the_reason(session: Session) -> None:
    with pytest.raises(TableError, match="no antenna"):
        runs_editing.edit_run(session, "clip:a.mp4", "mounting", "", "1")
    assert not session.runs_path.exists()


def test_a_planned_run_gets_its_clip(session: Session) -> None:
    session.runs_path.write_text(RUNS)
    runs_editing.edit_run(session, key(session, "planned"), "clip", "", "c.ts")
    assert [r.run for r in session.runs()] == ["one", "two", "planned"]
    assert all(r.stored for r in runs_editing.run_rows(session))


def test_cutting_setting_and_adding_runs(session: Session) -> None:
    session.runs_path.write_text(RUNS)
    runs_editing.split_run(session, key(session, "one"), 30.25)
    assert [(r.run, r.start_s, r.end_s, r.cell("antenna")) for r in session.runs()[:2]] == [
        ("one", None, 30.25, "Slab"),
        ("one_2", 30.25, None, "Slab"),
    ]
    runs_editing.edit_span(session, key(session, "one_2"), ("30.25", ""), (31, 60.5))
    assert (session.runs()[1].start_s, session.runs()[1].end_s) == (31, 60.5)
    with pytest.raises(ChangedMeanwhileError):
        runs_editing.edit_span(session, key(session, "one_2"), ("30.25", ""), (None, None))
    with pytest.raises(UsageError):
        runs_editing.split_run(session, key(session, "one"), 40)
    runs_editing.add_run(session, "c.ts", 1, 2)
    added = session.runs()[-1]
    assert (added.run, added.clips, added.start_s, added.end_s) == ("c", ("c.ts",), 1, 2)
    runs_editing.add_run(session, "c.ts", 3, 4)
    assert session.runs()[-1].run == "c_2"
    runs_editing.remove_run(session, key(session, "c_2"))
    assert [r.run for r in session.runs()] == ["one", "one_2", "two", "c"]
    assert "kept, with a comma" in session.runs_path.read_text()


def test_conditions_keep_comments_and_kinds(session: Session) -> None:
    path = session.root / "session.toml"
    path.write_text('# ours\nplace = "shed"  # the old one\npower_mw = 25\n')
    conditions.edit_condition(session, "power_mw", "25", "100")
    conditions.edit_condition(session, "walls", "", "1,5")
    assert path.read_text() == (
        '# ours\nplace = "shed"  # the old one\npower_mw = 100\nwalls = 1.5\n'
    )
    conditions.edit_condition(session, "walls", "1.5", "")
    conditions.edit_condition(session, "firmware", "", "1.10")
    assert session.conditions()["firmware"] == "1.10"
    assert "walls" not in session.conditions()
    with pytest.raises(ChangedMeanwhileError, match="shed"):
        conditions.edit_condition(session, "place", "barn", "quay")
    path.write_text("place = ")
    with pytest.raises(SessionFileError):
        conditions.edit_condition(session, "place", "", "quay")


def test_corrections_are_kept_replaced_and_taken_back(session: Session) -> None:
    session.corrections_path.write_text("clip,time_s,field,value,why\nb.mkv,1.0,bitrate,7,mine\n")
    held = corrections_editing.correct(
        session, "a.mp4", "bitrate", [(1.0, None, "12.5"), (1.1, None, "12.5")]
    )
    assert [(c.time_s, c.value) for c in held] == [(1.0, "12.5"), (1.1, "12.5")]
    held = corrections_editing.correct(
        session, "a.mp4", "bitrate", [(1.0, "12.5", "--"), (1.1, "12.5", None)]
    )
    assert [(c.time_s, c.value) for c in held] == [(1.0, "--")]
    assert "b.mkv,1.0,bitrate,7,mine" in session.corrections_path.read_text()
    with pytest.raises(ChangedMeanwhileError):
        corrections_editing.correct(session, "a.mp4", "bitrate", [(1.0, "12.5", "3")])
    with pytest.raises(UsageError, match="no number"):
        corrections_editing.correct(session, "a.mp4", "bitrate", [(1.0, "--", "abc")])
