"""Teaching a made-up set of glyphs that no network has seen."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from extractor.cli import app
from extractor.errors import SessionFileError, UsageError
from extractor.readers.base import Crop, Line
from extractor.readers.glyphs import GlyphReader, Glyphs, GlyphSet, learn, read_with_glyphs

#: Ten signs of our own on a grid of 3 x 5: no digit of any alphabet.
SIGNS = {
    "0": "111 101 010 101 111",
    "1": "100 110 101 011 001",
    "2": "101 101 111 000 111",
    "3": "010 111 010 010 111",
    "4": "111 000 111 000 111",
    "5": "110 100 110 001 111",
    "6": "001 011 111 110 100",
    "7": "111 101 101 010 010",
    "8": "101 010 101 111 101",
    "9": "111 011 001 011 111",
    ".": "0 0 0 0 1",
}
HEIGHT, WIDTH = 60, 170


def drawn(text: str, seed: int = 0, shift: int = 0) -> Crop:
    rng = np.random.default_rng(seed)
    luma = cv2.resize(rng.integers(40, 110, (4, 9), dtype=np.uint8), (WIDTH, HEIGHT)).copy()
    x = 16 + shift
    for character in text:
        rows = SIGNS[character].split()
        for i, row in enumerate(rows):
            for j, cell in enumerate(row):
                if cell == "1":
                    top, left = 14 + 6 * i, x + 7 * j
                    luma[top : top + 6, left : left + 7] = 225
        x += 7 * len(rows[0]) + 8
    noisy = np.clip(luma + rng.normal(0, 4, luma.shape), 0, 255).astype(np.uint8)
    crop = np.full((HEIGHT, WIDTH, 3), 128, np.uint8)
    crop[..., 0] = cv2.GaussianBlur(noisy, (3, 3), 0)
    return crop


class Blind:
    """Stands for the network: it cannot read this font, but knows an empty box."""

    name = "network"
    batch = 8
    gate = 0.9
    usual_share = 0.0

    def __init__(self, says: Line | None = None) -> None:
        self._says = says

    def version(self) -> str:
        return "1"

    def read(self, crops: Sequence[Crop]) -> list[Line]:
        empty = [float(c[..., 0].max()) < 150 for c in crops]
        return [Line("", 0.98) if e else self._says or Line("~", 0.3) for e in empty]


@pytest.fixture(scope="module")
def glyphs() -> Glyphs:
    known = Glyphs(())
    for i, text in enumerate(["01.23", "45.6", "78.9"]):
        known = known.taught(learn("bitrate", drawn(text, seed=100 + i), text))
    return known


def test_taught_digits_are_read_on_other_backgrounds(glyphs: Glyphs) -> None:
    reader = GlyphReader(Blind(), glyphs)
    rng = np.random.default_rng(7)
    texts = [f"{v:.1f}" for v in rng.uniform(0, 99, 60)]
    lines = reader.read([drawn(t, seed=i, shift=i % 5) for i, t in enumerate(texts)])
    sure = [(t, line.text) for t, line in zip(texts, lines, strict=True) if line.confidence >= 0.9]
    assert len(sure) >= 57
    assert all(t == read for t, read in sure)
    (nothing,) = reader.read([np.full((HEIGHT, WIDTH, 3), 100, np.uint8)])
    assert nothing.text == ""
    assert nothing.confidence >= 0.9


def test_a_digit_that_was_not_taught_is_not_guessed() -> None:
    known = Glyphs(()).taught(learn("bitrate", drawn("12.3"), "12.3"))
    for text in ("45.6", "78.9", "1.0"):
        (line,) = GlyphReader(Blind(), known).read([drawn(text, seed=3)])
        assert line.confidence < 0.9


def test_two_sure_readers_that_disagree_claim_nothing(glyphs: Glyphs) -> None:
    (line,) = GlyphReader(Blind(Line("99.9", 0.99)), glyphs).read([drawn("12.3", seed=5)])
    assert line.confidence < 0.1
    (line,) = GlyphReader(Blind(Line("12.3", 0.99)), glyphs).read([drawn("12.3", seed=5)])
    assert line.text == "12.3"
    assert line.confidence >= 0.9


def test_boxes_of_another_shape_are_left_to_the_network(glyphs: Glyphs) -> None:
    assert read_with_glyphs(drawn("12.3")[:, :100], glyphs) is None


def test_saved_and_loaded(tmp_path: Path, glyphs: Glyphs) -> None:
    path = tmp_path / "overlay_glyphs.npz"
    glyphs.save(path)
    back = Glyphs.load(path)
    assert back.digest() == glyphs.digest()
    assert back.sets[0].characters() == ".0123456789"
    assert Glyphs.load(tmp_path / "none.npz") == Glyphs(())
    path.write_bytes(b"not an archive")
    with pytest.raises(SessionFileError, match="teach again"):
        Glyphs.load(path)


def test_lessons_that_cannot_be_learnt() -> None:
    with pytest.raises(UsageError, match="give the digits"):
        learn("bitrate", drawn("12.3"), "fast")
    with pytest.raises(UsageError, match="could not be told apart"):
        learn("bitrate", drawn("12.3"), "12345678")
    busy = np.random.default_rng(1).integers(0, 255, (HEIGHT, WIDTH, 3), dtype=np.uint8)
    with pytest.raises(UsageError, match="calmer background"):
        learn("bitrate", busy, "12.3")


def test_another_field_keeps_its_own_glyphs(glyphs: Glyphs) -> None:
    more = glyphs.taught(GlyphSet("latency", 1.5, learn("x", drawn("1"), "1").glyphs))
    assert {s.field for s in more.sets} == {"bitrate", "latency"}
    assert len(next(s for s in more.sets if s.field == "bitrate").glyphs) == 13


def test_teach_command_then_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from fractions import Fraction

    import av

    from extractor import readers
    from extractor.readers import network

    shown = ["01.23", "45.6", "78.9", "33.1", "20.5", "64.8"]
    with av.open(str(tmp_path / "a.mp4"), "w") as container:
        stream = container.add_stream("libx264", rate=10)
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        stream.options = {"crf": "16", "preset": "ultrafast"}
        for i in range(60):
            planes = np.full((HEIGHT * 3 // 2, WIDTH), 128, np.uint8)
            planes[:HEIGHT] = drawn(shown[i // 10], seed=i)[..., 0]
            frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
            frame.pts, frame.time_base = i, Fraction(1, 10)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    (tmp_path / "overlay.toml").write_text(
        f'[[field]]\nname = "bitrate"\nframe = [{WIDTH}, {HEIGHT}]\n'
        f"box = [0, 0, {WIDTH}, {HEIGHT}]\n"
    )
    monkeypatch.setattr(network, "NetworkReader", Blind)
    run = CliRunner().invoke
    for text, at in (("01.23", "0.5"), ("45.6", "1.5"), ("78.9", "2.5")):
        result = run(
            app,
            [
                *("teach", str(tmp_path), "--field", "bitrate", "--text", text),
                *("--clip", "a.mp4", "--at", at),
            ],
        )
        assert result.exit_code == 0, result.output
    assert "All digits are known" in result.output
    from extractor import jobs

    monkeypatch.setattr(jobs, "_made", {})
    result = run(app, ["read", str(tmp_path), "--jobs", "1", "--crosscheck", "0"])
    assert result.exit_code == 0, result.output
    from extractor.tables import read_table

    rows = read_table(tmp_path / "results/readings/a.csv").rows
    good = [r for r in rows if r["bitrate_flag"] == "ok"]
    assert len(good) >= 57
    for row in good:
        assert float(row["bitrate"]) == float(shown[int(float(row["time_s"]) + 1e-6)])
    assert readers.create("network", tmp_path / "overlay_glyphs.npz").name == "network+glyphs"
