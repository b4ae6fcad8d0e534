"""The last edit of a file can be taken back, and put back."""

from __future__ import annotations

from pathlib import Path

import pytest

from extractor.errors import ChangedMeanwhileError, UsageError
from extractor.session import conditions, undoing
from extractor.session.folder import Session
from extractor.session.runs_editing import edit_run


def test_an_edit_is_taken_back_and_brought_back(tmp_path: Path) -> None:
    (tmp_path / "a.mp4").touch()
    path = tmp_path / "runs.csv"
    before = "clip;antenna\r\na.mp4;Slab\r\n"
    path.write_bytes(before.encode())
    session = Session(tmp_path)
    edit_run(session, "run:a.mp4", "antenna", "Slab", "Coil")
    after = path.read_bytes()
    undoing.undo(session, "runs.csv", undoing.seen(session)["runs.csv"])
    assert path.read_bytes() == before.encode()
    undoing.undo(session, "runs.csv", undoing.seen(session)["runs.csv"])
    assert path.read_bytes() == after != before.encode()


def test_what_others_changed_meanwhile_stays(tmp_path: Path) -> None:
    session = Session(tmp_path)
    conditions.edit_condition(session, "place", "", "pier")
    conditions.edit_condition(session, "place", "pier", "hall")
    seen = undoing.seen(session)["session.toml"]
    (tmp_path / "session.toml").write_text('place = "attic"\n')
    with pytest.raises(ChangedMeanwhileError):
        undoing.undo(session, "session.toml", seen)
    assert session.conditions() == {"place": "attic"}


@pytest.mark.parametrize("name", ["runs.csv", "a.mp4", "../x", ".runs.csv.previous", ""])
def test_nothing_else_can_be_put_back(tmp_path: Path, name: str) -> None:
    (tmp_path / "a.mp4").touch()
    session = Session(tmp_path)
    with pytest.raises(UsageError):
        undoing.undo(session, name, undoing.seen(session).get(name, ""))
    assert [p.name for p in tmp_path.iterdir() if p.is_file()] == ["a.mp4"]
