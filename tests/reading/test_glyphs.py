"""Teaching a made-up set of glyphs that no network has seen."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner, Result

from extractor.cli import app
from extractor.errors import SessionFileError, UsageError
from extractor.reading.readers.base import Line
from extractor.reading.readers.glyphs import (
    Glyphs,
    GlyphSet,
    added,
    learn,
    read_with_glyphs,
    with_lessons,
)
from extractor.video.crops import Crop

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


def read(network: Blind, glyphs: Glyphs, *crops: Crop) -> list[Line]:
    return with_lessons(network.read(crops), crops, glyphs.of("bitrate"), network.gate)


@pytest.fixture(scope="module")
def glyphs() -> Glyphs:
    known = Glyphs(())
    for i, text in enumerate(["01.23", "45.6", "78.9"]):
        known = known.taught(learn("bitrate", drawn(text, seed=100 + i), text))
    return known


def test_taught_digits_are_read_on_other_backgrounds(glyphs: Glyphs) -> None:
    rng = np.random.default_rng(7)
    texts = [f"{v:.1f}" for v in rng.uniform(0, 99, 60)]
    lines = read(Blind(), glyphs, *(drawn(t, i, i % 5) for i, t in enumerate(texts)))
    sure = [(t, line.text) for t, line in zip(texts, lines, strict=True) if line.confidence >= 0.9]
    assert len(sure) >= 57
    assert all(t == read for t, read in sure)
    (nothing,) = read(Blind(), glyphs, np.full((HEIGHT, WIDTH, 3), 100, np.uint8))
    assert nothing.text == ""
    assert nothing.confidence >= 0.9


def test_a_digit_that_was_not_taught_is_not_guessed() -> None:
    known = Glyphs(()).taught(learn("bitrate", drawn("12.3"), "12.3"))
    for text in ("45.6", "78.9", "1.0"):
        (line,) = read(Blind(), known, drawn(text, seed=3))
        assert line.confidence < 0.9


def test_what_the_built_in_reader_surely_reads_stays(glyphs: Glyphs) -> None:
    crop = drawn("12.3", seed=5)
    for sure in (Line("99.9", 0.99), Line("99.9 ~", 0.95), Line("--", 0.95), Line("", 0.95)):
        assert read(Blind(sure), glyphs, crop) == [sure]
    for unsure in (Line("99.9", 0.89), Line("~~~", 0.99), Line("1 2.3", 0.99), Line("", 0.5)):
        assert read(Blind(unsure), glyphs, crop)[0].text == "12.3"
    # What the glyphs don't read leaves everything as it was.
    for line in (Line("45.6", 0.99), Line("45.6", 0.5)):
        assert added(line, Line("45.8", 0.89), 0.9) == line
        assert added(line, None, 0.9, insisted=True) == line


def test_a_lesson_that_was_insisted_on_claims_nothing_against_a_sure_reading() -> None:
    taught, sure = Line("12.3", 0.97), Line("99.9", 0.99)
    assert added(sure, taught, 0.9, insisted=True).confidence < 0.1
    assert added(Line("99.9", 0.9), taught, 0.9, insisted=True).confidence < 0.9
    for same in (Line("12.3 ~", 0.99), Line("12,3", 0.99)):
        assert added(same, taught, 0.9, insisted=True) == same
    assert added(Line("", 0.99), taught, 0.9, insisted=True) == taught


def test_boxes_of_another_shape_are_left_to_the_network(glyphs: Glyphs) -> None:
    taught = glyphs.of("bitrate")
    assert taught is not None
    assert read_with_glyphs(drawn("12.3")[:, :100], taught) is None
    # Once the field is taught in a box of another shape, the old lessons are of no use.
    again = glyphs.taught(learn("bitrate", drawn("12.3")[:, :140], "12.3"))
    assert [s.text for s in again.lessons] == ["12.3"]


def test_saved_and_loaded(tmp_path: Path, glyphs: Glyphs) -> None:
    path = tmp_path / "overlay_glyphs.npz"
    glyphs.save(path)
    back = Glyphs.load(path)
    assert back.digest() == glyphs.digest()
    taught = back.of("bitrate")
    assert taught is not None
    assert taught.characters() == ".0123456789"
    assert [s.text for s in back.lessons] == ["01.23", "45.6", "78.9"]
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
    assert {s.field for s in more.lessons} == {"bitrate", "latency"}
    taught = more.of("bitrate")
    assert taught is not None
    assert len(taught.glyphs) == 13
    assert more.of("speed") is None


def test_teach_command_then_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from fractions import Fraction

    import av

    from extractor.reading import readers
    from extractor.reading.readers import network

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
    from extractor.reading import clip_job

    monkeypatch.setattr(clip_job, "_made", {})
    result = run(app, ["read", str(tmp_path), "--jobs", "1", "--crosscheck", "0"])
    assert result.exit_code == 0, result.output
    from extractor.session.csv_tables import read_table

    rows = read_table(tmp_path / "results/readings/a.csv").rows
    good = [r for r in rows if r["bitrate_flag"] == "ok"]
    assert len(good) >= 57
    for row in good:
        assert float(row["bitrate"]) == float(shown[int(float(row["time_s"]) + 1e-6)])
    # When the number changed is found to a frame, by what was taught.
    assert {r["bitrate_since_s"] for r in good if 1 <= float(r["time_s"]) < 2} == {"1"}
    from extractor.reading import box_tightening
    from extractor.session import overlay_file
    from extractor.session.folder import Session

    session = Session(tmp_path)
    (item,) = overlay_file.load(tmp_path / "overlay.toml").fields
    glances, _ = box_tightening.look(session, item, {}, readers.create("network"))
    assert all(g.reading.flag == "ok" for g in glances)
    # A lesson is listed, taken back, and no longer counts; without any, the file goes.
    assert "45.6" in run(app, ["teach", str(tmp_path), "--list"]).output
    for text in ("78.9", "45.6", "01.23"):
        assert f"Forgotten: '{text}'" in run(app, ["teach", str(tmp_path), "--undo"]).output
    assert not (tmp_path / "overlay_glyphs.npz").exists()
    result = run(app, ["teach", str(tmp_path), "--undo"])
    assert (result.exit_code, "nothing was taught yet" in str(result.stderr)) == (2, True)
    assert "Nothing was taught yet" in run(app, ["teach", str(tmp_path), "--list"]).output
    run(app, ["read", str(tmp_path), "--jobs", "1", "--crosscheck", "0"])
    rows = read_table(tmp_path / "results/readings/a.csv").rows
    assert {r["bitrate_flag"] for r in rows} == {"unreadable"}


SAMPLES = Path(__file__).parents[2] / "sample_clips"


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[dict[str, str]]]:
    """One real clip with its marks, and what the built-in reader reads in it."""
    folder = tmp_path_factory.mktemp("sample")
    (folder / "overlay.toml").write_bytes((SAMPLES / "overlay.toml").read_bytes())
    shortest = min(SAMPLES.glob("*.mp4"), key=lambda p: p.stat().st_size)
    (folder / "a.mp4").symlink_to(shortest)
    return folder, readings(folder)


def readings(folder: Path) -> list[dict[str, str]]:
    from extractor.session.csv_tables import read_table

    done = CliRunner().invoke(app, ["read", str(folder), "--jobs", "1", "--crosscheck", "0"])
    assert done.exit_code == 0, done.output
    return read_table(folder / "results/readings/a.csv").rows


def lesson(folder: Path, row: dict[str, str], text: str, *more: str) -> Result:
    where = ("--clip", "a.mp4", "--at", row["time_s"])
    asked = ("teach", str(folder), "--field", "bitrate", "--text", text, *where, *more)
    return CliRunner().invoke(app, list(asked))


def teachable(folder: Path, rows: list[dict[str, str]]) -> dict[str, str]:
    """Return a moment at which a right lesson is learnt."""
    for row in rows[::5]:
        if row["bitrate_flag"] == "ok":
            text = row["bitrate_text"].replace("~", "").strip()
            if lesson(folder, row, text).exit_code == 0:
                return row | {"text": text}
    raise AssertionError("no moment of the clip could be taught")


COLUMNS = ("bitrate", "bitrate_flag", "bitrate_confidence", "bitrate_since_s")


def test_a_right_lesson_takes_nothing_from_real_readings(
    sample: tuple[Path, list[dict[str, str]]],
) -> None:
    folder, before = sample
    teachable(folder, before)
    after = readings(folder)
    assert len(after) == len(before) > 60
    for old, new in zip(before, after, strict=True):
        if old["bitrate_flag"] != "unreadable":
            assert [new[c] for c in COLUMNS] == [old[c] for c in COLUMNS]
        assert [v for k, v in new.items() if k.startswith("latency")] == [
            v for k, v in old.items() if k.startswith("latency")
        ]
    assert CliRunner().invoke(app, ["teach", str(folder), "--undo"]).exit_code == 0
    assert readings(folder) == before


def test_a_wrong_lesson_is_doubted_and_never_makes_a_number(
    sample: tuple[Path, list[dict[str, str]]],
) -> None:
    folder, before = sample
    row = teachable(folder, before)
    assert CliRunner().invoke(app, ["teach", str(folder), "--undo"]).exit_code == 0
    wrong = row["text"].translate(str.maketrans("0123456789", "1234567890"))
    refused = lesson(folder, row, wrong)
    assert refused.exit_code == 2
    told = refused.stderr.strip()
    assert f"surely reads '{row['text']}' there, not '{wrong}'; nothing was taught" in told
    assert "--insist" in told
    assert len(told.splitlines()) == 1
    assert not (folder / "overlay_glyphs.npz").exists()
    assert lesson(folder, row, wrong, "--insist").exit_code == 0
    assert "insisted on" in CliRunner().invoke(app, ["teach", str(folder), "--list"]).output
    # The right one is now asked about too: it contradicts what was taught before.
    assert "what was taught before surely reads" in lesson(folder, row, row["text"]).stderr
    after = readings(folder)
    for old, new in zip(before, after, strict=True):
        assert new["bitrate"] in (old["bitrate"], "")
    assert sum(r["bitrate_flag"] == "ok" for r in after) > 0.5 * len(after)
    assert CliRunner().invoke(app, ["teach", str(folder), "--undo"]).exit_code == 0
