"""Files are replaced whole or not at all."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import pytest

from extractor.errors import StorageError
from extractor.session import atomic


def test_replaces_and_keeps_the_one_before(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "runs.csv"
    atomic.write_text(path, "one", keep_previous=True)
    atomic.write_text(path, "two", keep_previous=True)
    assert path.read_text() == "two"
    assert (tmp_path / "deep" / ".runs.csv.previous").read_text() == "one"
    assert sorted(p.name for p in path.parent.iterdir()) == [".runs.csv.previous", "runs.csv"]


def test_full_disk_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "x.csv"
    atomic.write_text(path, "old")

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StorageError, match=r"x\.csv: cannot be written \(No space left"):
        atomic.write_text(path, "new")
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["x.csv"]


def test_an_error_of_the_writer_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    atomic.write_text(path, "old")
    with pytest.raises(ValueError, match="mine"), atomic.replacing(path) as stream:
        stream.write(b"half")
        raise ValueError("mine")
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["x.csv"]


def test_a_writer_that_wants_a_path_gets_one_of_the_right_kind(tmp_path: Path) -> None:
    with atomic.replacing_path(tmp_path / "film.mp4", suffix=".mp4") as draft:
        assert draft.suffix == ".mp4"
        assert draft.parent == tmp_path
        draft.write_bytes(b"film")
    assert (tmp_path / "film.mp4").read_bytes() == b"film"
    assert [p.name for p in tmp_path.iterdir()] == ["film.mp4"]


def test_folder_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "results").write_text("a file")
    with pytest.raises(StorageError, match="cannot be written"):
        atomic.write_text(tmp_path / "results" / "x.csv", "new")


def test_ordinary_permissions(tmp_path: Path) -> None:
    atomic.write_text(tmp_path / "x", "1")
    (tmp_path / "y").write_text("1")
    assert (tmp_path / "x").stat().st_mode == (tmp_path / "y").stat().st_mode


def test_clean_up_takes_only_leftovers(tmp_path: Path) -> None:
    for name in (".a.csv.x1.part", ".film.y.part.mp4", "a.part", ".hidden", "a.csv"):
        (tmp_path / name).write_text("")
    atomic.clean_up(tmp_path)
    left: Any = sorted(p.name for p in tmp_path.iterdir())
    assert left == [".hidden", "a.csv", "a.part"]
