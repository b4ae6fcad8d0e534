"""Fixtures that several test files share."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest
from clipmaker import GreyReader, make_clip, overlay_toml, stairs, steady

from extractor.reading import box_tightening, clip_job, readers
from extractor.report import theme

SAMPLES = Path(__file__).parents[1] / "sample_clips"


@pytest.fixture(scope="session", autouse=True)
def sessions_of_nobody(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Let no test leave its sessions among those that the user had open last."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        yield


@pytest.fixture(scope="session")
def sample_session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Read a copy of the sample session with the command line's defaults."""
    folder = tmp_path_factory.mktemp("samples") / "sample_clips"
    folder.mkdir()
    for path in SAMPLES.iterdir():
        if path.is_file() and path.suffix != ".py":
            (folder / path.name).symlink_to(path)
    done = subprocess.run(
        [sys.executable, "-m", "extractor", "read", str(folder)],
        capture_output=True,
        text=True,
        check=False,
        cwd=SAMPLES.parent,
    )
    assert done.returncode == 0, done.stderr
    assert "fan_m1_green.mp4: the recording was cut off" in done.stderr
    return folder


@pytest.fixture
def grey_reader(monkeypatch: pytest.MonkeyPatch) -> GreyReader:
    """Let every stage read with a `GreyReader` and without tightening (in this process)."""
    reader = GreyReader()
    monkeypatch.setattr(readers, "create", lambda name, glyphs=None: reader)
    monkeypatch.setattr(box_tightening, "_tight_share", lambda seen, reader: None)
    monkeypatch.setattr(clip_job, "_made", {})
    return reader


@pytest.fixture
def session_folder(tmp_path: Path) -> Path:
    """Make a session of two short clips with one marked number."""
    make_clip(tmp_path / "a.mp4", steady(2.0), stairs)
    make_clip(tmp_path / "b.mkv", steady(2.0), lambda t: stairs(t) // 2)
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    return tmp_path


@pytest.fixture
def fonts(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., None]]:
    """Give a function that says which fonts are listed and which lie on the system."""
    from matplotlib import font_manager

    every = tuple(font_manager.fontManager.ttflist)

    def set_fonts(listed: set[str], on_system: Sequence[str] = ()) -> None:
        kept = [entry for entry in every if entry.name in listed]
        monkeypatch.setattr(font_manager.fontManager, "ttflist", kept)
        monkeypatch.setattr(font_manager, "findSystemFonts", lambda: list(on_system))

    theme._further.cache_clear()
    monkeypatch.setattr(theme, "_TOLD", set())
    yield set_fonts
    theme._further.cache_clear()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the long ones, so that at the end no core waits for another."""
    items.sort(key=lambda item: item.get_closest_marker("slow") is None)
