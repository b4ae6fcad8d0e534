"""The draft of runs.csv: grows with later clips, and never touches what a person wrote."""

from __future__ import annotations

import csv
from datetime import timedelta
from pathlib import Path

import pytest
from clipmaker import GreyReader, make_clip, overlay_toml, stairs, steady
from page_visitor import Visitor
from recording_making import START, record

from extractor import pipeline
from extractor.errors import StorageError, UsageError
from extractor.pipeline import compare_sessions
from extractor.reading.clip_job import ReadOptions
from extractor.report.run_sheet import Plan, write_plan
from extractor.session import runs_editing
from extractor.session.csv_tables import write_table
from extractor.session.folder import Session
from extractor.video import recording_order, runs_draft

NAMES = [f"{a}_m{m}_{p}.mp4" for a in ("coil", "slab") for m in (1, 2) for p in ("green", "red")]
PLAN = Plan(("A", "B"), ("P",), mountings=1, seed=1)


def touch(folder: Path, *names: str) -> Session:
    """Clips that cannot be read: names are all that is known of them."""
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"no video")
    return Session(folder)


def rows_of(folder: Path) -> dict[str, dict[str, str]]:
    with (folder / "runs.csv").open(encoding="utf-8") as stream:
        return {row["clip"]: row for row in csv.DictReader(stream)}


def drafted(folder: Path, *names: str) -> str:
    return runs_draft.draft(touch(folder, *names))


def cells(row: dict[str, str]) -> tuple[str, ...]:
    return tuple(row[c] for c in ("run", "antenna", "port", "mounting", "order"))


def test_every_clip_gets_a_row_that_says_it_is_a_draft(tmp_path: Path) -> None:
    told = drafted(tmp_path, *NAMES, "walk round.mp4")
    assert told == (
        "runs.csv: drafted a row for 9 clips; antenna, port, mounting are from the file names, "
        "check them; fill antenna, port, mounting before you compare"
    )
    rows = rows_of(tmp_path)
    assert cells(rows["slab_m2_red.mp4"]) == ("slab_m2_red", "Slab", "Red", "2", "")
    assert rows["slab_m2_red.mp4"]["notes"] == (
        "draft: antenna, port, mounting from the file name, check; fill order"
    )
    assert cells(rows["walk round.mp4"]) == ("walk round", "", "", "", "")
    assert rows["walk round.mp4"]["notes"] == "draft: fill antenna, port, mounting, order"
    assert runs_draft.draft(Session(tmp_path)) == ""


def test_names_that_say_nothing_leave_the_cells_empty(tmp_path: Path) -> None:
    told = drafted(tmp_path, *(f"REC_{i:04d}.mp4" for i in range(8)))
    assert told.endswith("8 clips; fill antenna, port, mounting before you compare")
    assert {cells(row)[1:4] for row in rows_of(tmp_path).values()} == {("", "", "")}


def test_it_grows_and_what_a_person_changed_stays(tmp_path: Path) -> None:
    drafted(tmp_path, NAMES[0], NAMES[4])
    assert cells(rows_of(tmp_path)["coil_m1_green.mp4"])[1:4] == ("", "", "")
    runs_editing.edit_run(Session(tmp_path), "run:slab_m1_green", "antenna", "", "Sl4b")
    told = drafted(tmp_path, *NAMES)
    assert "6 clips" in told
    rows = rows_of(tmp_path)
    # With more names the pattern is plain, and an untouched row learns from it.
    assert cells(rows["coil_m1_green.mp4"])[1:4] == ("Coil", "Green", "1")
    assert cells(rows["slab_m1_green.mp4"])[1:4] == ("Sl4b", "", "")
    assert rows["slab_m1_green.mp4"]["notes"] == ""
    assert cells(rows["slab_m2_red.mp4"])[1:4] == ("Slab", "Red", "2")


@pytest.mark.parametrize(
    ("column", "value"), [("notes", ""), ("notes", "draft: mine"), ("order", "7"), ("port", "")]
)
def test_any_cell_changed_by_hand_makes_a_row_ones_own(
    tmp_path: Path, column: str, value: str
) -> None:
    drafted(tmp_path, *NAMES[:6])
    rows = rows_of(tmp_path)
    rows[NAMES[0]][column] = value
    write_table(tmp_path / "runs.csv", list(rows[NAMES[0]]), rows.values())
    drafted(tmp_path, *NAMES)
    after = rows_of(tmp_path)
    assert after[NAMES[0]] == rows[NAMES[0]]
    assert set(after) == set(NAMES)


def test_a_row_taken_out_does_not_come_back(tmp_path: Path) -> None:
    drafted(tmp_path, *NAMES[:6])
    runs_editing.remove_run(Session(tmp_path), "run:coil_m1_red")
    drafted(tmp_path, *NAMES)
    assert set(rows_of(tmp_path)) == set(NAMES) - {"coil_m1_red.mp4"}


def test_a_drafted_row_goes_with_its_clip_and_a_persons_row_does_not(tmp_path: Path) -> None:
    drafted(tmp_path, *NAMES)
    runs_editing.edit_run(Session(tmp_path), "run:coil_m1_red", "port", "Red", "Left")
    (tmp_path / "coil_m1_red.mp4").unlink()
    (tmp_path / "slab_m1_red.mp4").unlink()
    runs_draft.draft(Session(tmp_path))
    assert set(rows_of(tmp_path)) == set(NAMES) - {"slab_m1_red.mp4"}
    drafted(tmp_path, *NAMES)
    assert set(rows_of(tmp_path)) == set(NAMES)


@pytest.mark.parametrize(
    "text",
    [
        "run,clip,antenna\nmine,coil_m1_red.mp4,Coil\n",
        "run,clip,notes\nmine,coil_m1_red.mp4,draft: a horse\n",
        "run,clip,antenna\nr1,,Coil\n",
        "run,clip\n",
    ],
)
def test_a_table_made_by_hand_or_planned_is_left_alone(tmp_path: Path, text: str) -> None:
    path = tmp_path / "runs.csv"
    path.write_text(text)
    assert drafted(tmp_path, *NAMES) == ""
    assert path.read_text() == text
    # So too where it takes the place of a draft.
    path.unlink()
    runs_draft.draft(Session(tmp_path))
    path.write_text(text)
    assert drafted(tmp_path, "later.mp4") == ""
    assert path.read_text() == text


def test_a_forgotten_draft_counts_as_a_persons_own(tmp_path: Path) -> None:
    drafted(tmp_path, *NAMES[:6])
    before = (tmp_path / "runs.csv").read_text()
    (tmp_path / "results" / ".state" / "drafts.json").unlink()
    assert drafted(tmp_path, *NAMES) == ""
    assert (tmp_path / "runs.csv").read_text() == before


def test_a_plan_replaces_a_draft_but_no_row_of_a_persons(tmp_path: Path) -> None:
    drafted(tmp_path, *NAMES)
    write_plan(tmp_path, PLAN)
    assert runs_draft.draft(touch(tmp_path, "later.mp4")) == ""
    assert set(rows_of(tmp_path)) == {""}
    (tmp_path / "runs.csv").unlink()
    runs_draft.draft(Session(tmp_path))
    runs_editing.edit_run(Session(tmp_path), "run:coil_m1_red", "mounting", "1", "3")
    with pytest.raises(UsageError, match="never overwritten unasked"):
        write_plan(tmp_path, PLAN)


def test_match_takes_drafted_clips_and_no_others(tmp_path: Path) -> None:
    for i in range(3):
        record(tmp_path / f"rec{i:03d}.mp4", START + timedelta(seconds=60 * i))
    runs_draft.draft(Session(tmp_path))
    runs_editing.edit_run(Session(tmp_path), "run:rec001", "antenna", "", "Mine")
    with (tmp_path / "runs.csv").open("a") as stream:
        stream.write("r1,,,,A,P,,1,,,1,\nr2,,,,B,P,,1,,,2,\n")
    found = recording_order.match(Session(tmp_path))
    recording_order.fill(Session(tmp_path), found)
    runs = [(r.run, r.clips[0], r.cell("antenna")) for r in Session(tmp_path).runs()]
    assert runs == [
        ("rec001", "rec001.mp4", "Mine"),
        ("r1", "rec000.mp4", "A"),
        ("r2", "rec002.mp4", "B"),
    ]


def orders(folder: Path) -> list[str]:
    return [row["order"] for _, row in sorted(rows_of(folder).items())]


def test_the_order_comes_from_the_recorders_clock(tmp_path: Path) -> None:
    for name, offset_s in (("c.mp4", 0), ("a.mp4", 60), ("b.mp4", 120)):
        record(tmp_path / name, START + timedelta(seconds=offset_s))
    (tmp_path / "broken.mp4").symlink_to("broken.mp4")
    runs_draft.draft(Session(tmp_path))
    assert orders(tmp_path) == ["2", "3", "", "1"]
    # A later clip goes on counting; where a person counts otherwise the tool stops.
    record(tmp_path / "d.mp4", START + timedelta(seconds=180))
    runs_draft.draft(Session(tmp_path))
    assert orders(tmp_path) == ["2", "3", "", "1", "4"]
    runs_editing.edit_run(Session(tmp_path), "run:a", "order", "2", "1")
    record(tmp_path / "e.mp4", START + timedelta(seconds=240))
    runs_draft.draft(Session(tmp_path))
    assert orders(tmp_path) == ["1", "", "", "", "", ""]


def test_a_clip_still_being_recorded_gets_its_place_later(tmp_path: Path) -> None:
    for name, offset_s in (("a.mp4", 0), ("b.mp4", 60)):
        record(tmp_path / name, START + timedelta(seconds=offset_s))
    runs_draft.draft(touch(tmp_path, "c.mp4"))
    assert orders(tmp_path) == ["1", "2", ""]
    stamp = (tmp_path / "runs.csv").stat().st_mtime_ns
    runs_draft.draft(Session(tmp_path))
    assert (tmp_path / "runs.csv").stat().st_mtime_ns == stamp
    record(tmp_path / "c.mp4", START + timedelta(seconds=120))
    runs_draft.draft(Session(tmp_path))
    assert orders(tmp_path) == ["1", "2", "3"]


@pytest.mark.parametrize(
    ("names", "gaps_s"),
    [
        # Clips that begin while the one before still runs: the clock was set back, or lies.
        (["a.mp4", "b.mp4", "c.mp4"], (0, 1, 200)),
        # Counter and clock differ.
        (["REC_0003.mp4", "REC_0002.mp4", "REC_0001.mp4"], (0, 60, 120)),
    ],
)
def test_a_doubtful_clock_gives_no_order(
    tmp_path: Path, names: list[str], gaps_s: tuple[int, ...]
) -> None:
    for name, offset_s in zip(names, gaps_s, strict=True):
        record(tmp_path / name, START + timedelta(seconds=offset_s), seconds=8.0)
    runs_draft.draft(Session(tmp_path))
    assert orders(tmp_path) == ["", "", ""]


@pytest.mark.parametrize(
    ("names", "order"),
    [
        (["REC_0001.mp4", "REC_0002.mp4"], ["1", "2"]),
        (["ant1_port1.mp4", "ant1_port2.mp4", "ant2_port1.mp4"], ["", "", ""]),
        # Copying may have set these files' times.
        (["a.mp4", "b.mp4"], ["", ""]),
    ],
)
def test_without_a_clock_only_a_counter_gives_the_order(
    tmp_path: Path, names: list[str], order: list[str]
) -> None:
    for name in names:
        record(tmp_path / name)
    runs_draft.draft(Session(tmp_path))
    assert orders(tmp_path) == order


def test_a_clip_that_no_cell_can_name_is_left_out(tmp_path: Path) -> None:
    told = drafted(tmp_path, "a;b.mp4", " c.mp4", "d, e.mp4", "=f.mp4", "ü.mp4")
    assert "3 clips" in told
    assert [r.clips for r in Session(tmp_path).runs()] == [("=f.mp4",), ("d, e.mp4",), ("ü.mp4",)]


def test_reading_drafts_and_a_comparison_says_what_to_fill(
    tmp_path: Path, grey_reader: GreyReader, capsys: pytest.CaptureFixture[str]
) -> None:
    for i in (1, 2, 3, 4):
        make_clip(tmp_path / f"REC_{i:04d}.mp4", steady(2.0 + i / 30), stairs)
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    report = pipeline.read_session(Session(tmp_path), ReadOptions(jobs=1))
    assert report.drafted.startswith("runs.csv: drafted a row for 4 clips")
    assert report.warnings == []
    with pytest.raises(UsageError) as refused:
        compare_sessions([tmp_path])
    assert str(refused.value) == (
        f"{tmp_path}/runs.csv: no run says its 'antenna' yet; fill the columns antenna, port and "
        "mounting, a row a clip; then compare"
    )
    rows = list(rows_of(tmp_path).values())
    for row, antenna in zip(rows, ("Coil", "Coil", "Slab", "Slab"), strict=True):
        row["antenna"] = antenna
    write_table(tmp_path / "runs.csv", list(rows[0]), rows)
    # Filled in by hand: nothing of it was taken from a name.
    assert not [f for f in compare_sessions([tmp_path]).findings if f.kind == "draft"]
    for row in rows:
        row["notes"] = "draft: antenna from the file name, check; fill port, mounting"
    write_table(tmp_path / "runs.csv", list(rows[0]), rows)
    unchecked = [f.sentence for f in compare_sessions([tmp_path]).findings if f.kind == "draft"]
    assert len(unchecked) == 1
    assert unchecked[0].startswith("4 of 4 runs still say 'draft' in the notes of runs.csv.")
    runs_editing.confirm_drafts(Session(tmp_path))
    assert not [f for f in compare_sessions([tmp_path]).findings if f.kind == "draft"]


def test_reading_goes_on_where_the_draft_cannot_be_written(
    session_folder: Path, grey_reader: GreyReader, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*args: object) -> None:
        raise StorageError("the disk is full")

    monkeypatch.setattr(runs_draft, "draft_runs", full)
    report = pipeline.read_session(Session(session_folder), ReadOptions(jobs=1))
    assert report.warnings == ["the disk is full"]
    assert len(report.rows) == 2


def test_the_page_shows_the_draft_and_takes_a_yes(tmp_path: Path) -> None:
    drafted(tmp_path, *NAMES, "odd.mp4")
    visitor = Visitor(tmp_path)
    try:
        shown = visitor.session()
        assert shown["drafts"] == len(NAMES)
        assert [r["stored"] for r in shown["rows"]] == [True] * 9
        edit = {"key": "run:coil_m1_red", "column": "antenna", "old": "Coil", "new": "Helix"}
        assert visitor.post("/api/run", edit).get_json()["drafts"] == len(NAMES) - 1
        assert rows_of(tmp_path)["coil_m1_red.mp4"]["notes"] == ""
        assert visitor.post("/api/runs/checked").get_json()["drafts"] == 0
    finally:
        visitor.close()
    notes = {clip: row["notes"] for clip, row in rows_of(tmp_path).items() if row["notes"]}
    assert set(notes) == {"odd.mp4"}


@pytest.mark.parametrize(
    "line", ["r,b.mp4,,,Coil", "r,a.mp4,0.5,1.5,Coil", "x,a.mp4,,,Coil", "r,a.mp4;b.mp4,,,Coil"]
)
def test_a_table_changed_after_the_reading_is_not_compared_with_the_old_numbers(
    tmp_path: Path, grey_reader: GreyReader, line: str
) -> None:
    for i, name in enumerate("abcd"):
        make_clip(tmp_path / f"{name}.mp4", steady(2.0 + i / 30), stairs)
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    head, rest = "run,clip,start_s,end_s,antenna\n", "\ns,c.mp4,,,Slab\nt,d.mp4,,,Slab\n"
    (tmp_path / "runs.csv").write_text(f"{head}r,a.mp4,,,Coil{rest}")
    pipeline.read_session(Session(tmp_path), ReadOptions(jobs=1))
    (tmp_path / "runs.csv").write_text(f"{head}r,a.mp4,,,Helix{rest}")  # a name counts at once
    assert set(compare_sessions([tmp_path]).ranking["antenna"]) == {"Helix", "Slab"}
    (tmp_path / "runs.csv").write_text(f"{head}{line}{rest}")
    with pytest.raises(UsageError, match=r"of run 'r' was changed since summary.csv was made"):
        compare_sessions([tmp_path])
    pipeline.read_session(Session(tmp_path), ReadOptions(jobs=1))
    assert set(compare_sessions([tmp_path]).ranking["antenna"]) == {"Coil", "Slab"}
