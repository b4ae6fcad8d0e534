"""The session folder: clips, names, runs, corrections."""

from __future__ import annotations

from pathlib import Path

import pytest

from extractor.errors import SessionFileError, TableError, UsageError
from extractor.session.folder import Session


def touch(root: Path, *names: str) -> Session:
    for name in names:
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).touch()
    return Session(root)


def test_finds_clips_in_subfolders_but_not_in_results(tmp_path: Path) -> None:
    session = touch(
        tmp_path,
        *("b.MP4", "day 1/a.mkv", "day 1/results/c.ts", "results/videos/a.mp4"),
        *(".trash/x.mp4", "day 1/.y/z.mp4", ".hidden.mp4", "notes.txt"),
    )
    assert session.clips == ("b.MP4", "day 1/a.mkv", "day 1/results/c.ts")


def test_names_of_results_never_collide(tmp_path: Path) -> None:
    long = "x" * 240 + ".mp4"
    names = ["a.mp4", "a.mkv", "d/b.mp4", "d__b.mp4", "e.mp4", "E.mkv", "sub/a.mp4", long]
    session = touch(tmp_path, *names)
    stems = [session.stems[n] for n in names]
    assert stems[0:2] == ["a.mp4", "a.mkv"]
    assert session.stems["sub/a.mp4"] == "sub__a"
    assert len({s.casefold() for s in stems}) == len(names)
    assert all(len(s.encode()) < 230 for s in stems)


def test_choose(tmp_path: Path) -> None:
    session = touch(tmp_path, "d/a.mp4", "e/a.mp4", "b.mp4")
    assert session.choose([]) == session.clips
    assert session.choose(["b.mp4", "d/a.mp4", "b.mp4"]) == ("b.mp4", "d/a.mp4")
    with pytest.raises(UsageError, match="several clips"):
        session.choose(["a.mp4"])
    with pytest.raises(UsageError, match="no such clip"):
        session.choose(["c.mp4"])


def test_not_a_folder(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="not there"):
        Session(tmp_path / "none")
    (tmp_path / "file").touch()
    with pytest.raises(UsageError, match="not a folder"):
        Session(tmp_path / "file")
    with pytest.raises(UsageError, match="holds no clips"):
        Session(tmp_path).require_clips()


def test_runs(tmp_path: Path) -> None:
    session = touch(tmp_path, "a.mp4", "b.mp4", "c.mp4")
    assert [r.run for r in session.runs()] == ["a", "b", "c"]
    session.runs_path.write_text(
        "run,clip,start_s,end_s,antenna,mounting,attenuation_db\n"
        'one,"a.mp4;b.mp4",1.5,20,Fan,1,6\n,gone.mp4,,,,,\nplanned,,,,Coil,1,\n'
    )
    one, second = session.runs()
    assert (one.clips, one.start_s, one.end_s) == (("a.mp4", "b.mp4"), 1.5, 20.0)
    assert one.cell("attenuation_db") == "6"
    assert second.run == "gone"
    assert session.run_warnings([one, second]) == [
        "runs.csv names gone.mp4, which is not in the folder",
        "c.mp4 is in the folder, but no run of runs.csv names it",
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("run,antenna\n1,Fan\n", "no column 'clip'"),
        ("run,clip\n1,a.mp4\n1,b.mp4\n", "the run '1' stands 2 times"),
        ("clip,start_s,end_s\na.mp4,5,5\n", "line 2: end_s 5 is not after start_s"),
        ("clip,start_s\na.mp4,early\n", "line 2, column 'start_s': 'early' is not a number"),
        ("clip,mounting\na.mp4,1\n", "has a mounting, but no antenna"),
    ],
)
def test_runs_refused(tmp_path: Path, text: str, said: str) -> None:
    session = touch(tmp_path, "a.mp4")
    session.runs_path.write_text(text)
    with pytest.raises(TableError, match=said):
        session.runs()


def test_corrections(tmp_path: Path) -> None:
    session = touch(tmp_path, "a.mp4")
    assert session.corrections() == ()
    head = "clip,time_s,field,value\n"
    session.corrections_path.write_text(head + "a.mp4,1.2,bitrate,38.4\na.mp4,2,bitrate,--\n")
    assert [c.value for c in session.corrections()] == ["38.4", "--"]
    # What a merged cell leaves in the rows below it.
    session.corrections_path.write_text(head + "a.mp4,1.2,bitrate,38.4\n,2,bitrate,--\n")
    with pytest.raises(TableError, match="line 3, column 'clip': is empty"):
        session.corrections()
    session.corrections_path.write_text(head + "a.mp4,1.2,bitrate,about 38\n")
    with pytest.raises(TableError, match="line 2, column 'value'"):
        session.corrections()


def test_conditions(tmp_path: Path) -> None:
    session = touch(tmp_path, "a.mp4")
    assert session.conditions() == {}
    (tmp_path / "session.toml").write_text('place = "hall"\nmy_key = 3\n')
    assert session.conditions() == {"place": "hall", "my_key": 3}
    (tmp_path / "session.toml").write_text("place = \n")
    with pytest.raises(SessionFileError, match="not valid TOML"):
        session.conditions()
