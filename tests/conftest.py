"""Fixtures that several test files share."""

from __future__ import annotations

from pathlib import Path

import pytest
from clipmaker import GreyReader, make_clip, overlay_toml, stairs, steady

from extractor import framing, jobs, readers


@pytest.fixture
def grey_reader(monkeypatch: pytest.MonkeyPatch) -> GreyReader:
    """Let every stage read with a `GreyReader` and without tightening (in this process)."""
    reader = GreyReader()
    monkeypatch.setattr(readers, "create", lambda name, glyphs=None: reader)
    monkeypatch.setattr(framing, "_tight_share", lambda seen, reader: None)
    monkeypatch.setattr(jobs, "_made", {})
    return reader


@pytest.fixture
def session_folder(tmp_path: Path) -> Path:
    """Make a session of two short clips with one marked number."""
    make_clip(tmp_path / "a.mp4", steady(2.0), stairs)
    make_clip(tmp_path / "b.mkv", steady(2.0), lambda t: stairs(t) // 2)
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    return tmp_path
