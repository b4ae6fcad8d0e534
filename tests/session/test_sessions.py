"""Which folders can be chosen, the next round of a session, clips handed over in pieces."""

from __future__ import annotations

from pathlib import Path

import pytest

from extractor.errors import ChangedMeanwhileError, UsageError
from extractor.session import sessions
from extractor.session.dropping import take_piece
from extractor.session.folder import Session


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    home = tmp_path / "home"
    (home / "Videos" / "club").mkdir(parents=True)
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return home


def test_only_what_lies_at_home_or_was_open_before_can_be_chosen(
    home: Path, tmp_path: Path
) -> None:
    club, outside, hidden = home / "Videos" / "club", tmp_path / "else", home / ".keys"
    outside.mkdir()
    hidden.mkdir()
    (home / "way out").symlink_to(outside)
    (home / "a.txt").touch()
    assert sessions.confined(str(club)) == club
    for path in (outside, home / "way out", hidden, home / "a.txt", home / "none", home / ".."):
        with pytest.raises(UsageError, match="no such folder"):
            sessions.confined(str(path))
    with pytest.raises(UsageError):
        sessions.confined("\0")
    assert [p.name for p in sessions.subfolders(home)] == ["Videos"]
    # What was opened by its address in a terminal can be opened again.
    sessions.remember(outside)
    assert sessions.confined(str(outside)) == outside
    sessions.remember(club)
    assert sessions.recent() == (club, outside)
    outside.rmdir()
    assert sessions.recent() == (club,)


@pytest.mark.parametrize("name", ["", " ", ".x", "a/b", "..", "a\\b", "x" * 81, "a:b", "club"])
def test_a_name_that_can_be_no_new_session(home: Path, name: str) -> None:
    with pytest.raises(UsageError):
        sessions.new_session(home / "Videos", name)
    assert [p.name for p in (home / "Videos").iterdir()] == ["club"]


def test_a_free_name_is_free(home: Path) -> None:
    assert sessions.free_name(home / "Videos", "club") == "club 2"
    sessions.new_session(home / "Videos", "club 2")
    assert sessions.free_name(home / "Videos", "club") == "club 3"


def test_the_next_round_takes_over_what_was_marked_and_told(home: Path) -> None:
    first = home / "Videos" / "club"
    kept = {"overlay.toml": "version = 1\n", "antennas.csv": "antenna,colour\nSlab,#123456\n"}
    for name, text in (kept | {"runs.csv": "run\n", "session.toml": "place = 'pier'\n"}).items():
        (first / name).write_text(text)
    second = sessions.next_round(Session(first))
    third = sessions.next_round(Session(second))
    assert (second.name, third.name) == ("club round 2", "club round 3")
    assert sorted(p.name for p in third.iterdir() if p.is_file() and p.name[0] != ".") == [
        "antennas.csv", "overlay.toml", "session.toml",
    ]  # fmt: skip
    for name, text in kept.items():
        assert (third / name).read_text() == text
    assert Session(third).conditions() == {"place": "pier", "round_of": "club round 2"}
    assert sessions.rounds(Session(third)) == [third, second, first]
    assert sessions.next_round(Session(first)).name == "club round 4"


def test_rounds_that_name_each_other_or_elsewhere_end(home: Path) -> None:
    club = home / "Videos" / "club"
    for name in ("club", "../club", "none", ".hidden", ""):
        (club / "session.toml").write_text(f'round_of = "{name}"\n')
        assert sessions.rounds(Session(club)) == [club]


def test_a_clip_comes_in_pieces_and_appears_when_it_is_whole(tmp_path: Path) -> None:
    session = Session(tmp_path)
    assert not take_piece(session, "a.mp4", b"old", at=0, size=6)
    assert not take_piece(session, "a.mp4", b"abc", at=0, size=6)  # begun anew
    assert Session(tmp_path).clips == ()
    with pytest.raises(ChangedMeanwhileError):
        take_piece(session, "a.mp4", b"c", at=2, size=6)
    with pytest.raises(ChangedMeanwhileError):
        take_piece(session, "a.mp4", b"defg", at=3, size=6)
    with pytest.raises(ChangedMeanwhileError):
        take_piece(session, "b.mp4", b"c", at=2, size=6)
    assert take_piece(session, "a.mp4", b"def", at=3, size=6, modified_s=1e9)
    assert (tmp_path / "a.mp4").read_bytes() == b"abcdef"
    assert (tmp_path / "a.mp4").stat().st_mtime == 1e9
    assert [p.name for p in tmp_path.iterdir()] == ["a.mp4"]


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    session = Session(tmp_path)
    assert not take_piece(session, "a.mp4", b"ab", at=0, size=3)
    (tmp_path / "a.mp4").write_bytes(b"mine")  # meanwhile
    for at, piece in ((2, b"c"), (0, b"abc")):
        with pytest.raises(UsageError, match="already"):
            take_piece(session, "a.mp4", piece, at=at, size=3)
    assert (tmp_path / "a.mp4").read_bytes() == b"mine"


@pytest.mark.parametrize(
    "name",
    [
        "a.txt",
        "mp4",
        "../a.mp4",
        "/a.mp4",
        "b\\a.mp4",
        ".a.mp4",
        "a\n.mp4",
        f"{250 * chr(120)}.mp4",
    ],
)
def test_no_other_name_becomes_a_file(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "session"
    folder.mkdir()
    with pytest.raises(UsageError):
        take_piece(Session(folder), name, b"x", at=0, size=1)
    assert [*tmp_path.rglob("*")] == [folder]
