"""A digit that is always read as another: it is said, its readings do not count, a look settles."""

from __future__ import annotations

import csv
import dataclasses
import shutil
import warnings
from collections.abc import Sequence
from pathlib import Path

import pytest
from clipmaker import DASH, FLOOR, HIDDEN, GreyReader, make_clip, overlay_toml, steady
from page_visitor import Visitor

from extractor import pipeline
from extractor.reading import clip_job, readers
from extractor.reading.clip_job import ReadOptions
from extractor.reading.readers.base import Line
from extractor.reading.session_clips import SessionReport
from extractor.report import html_report, pack
from extractor.results import load
from extractor.review.checked import Checked, waiting
from extractor.session.folder import Session
from extractor.tabulation import doubted_digits, single_clip

OPTIONS = ReadOptions(jobs=1, crosscheck=0)
SAID = "8 was never read as last digit in 450 numbers of bitrate: it may be read as 0."
CLIPS = {"a.mp4": 0, "b.mp4": 50, "c.mp4": 100}
LOSSLESS = {"preset": "ultrafast", "qp": "0"}


class TenthsReader(GreyReader):
    """Reads one decimal, 20.0 to 36.0, a grey level each; takes one digit for another."""

    def __init__(self, digit: str = "8", read_as: str = "0") -> None:
        super().__init__()
        self.swap = (digit, read_as)

    def version(self) -> str:
        return "".join(self.swap)

    def _line(self, level: float) -> Line:
        if level in (HIDDEN, DASH):
            return super()._line(level)
        return Line(f"{20 + round(level - FLOOR) / 10:.1f}".replace(*self.swap), 0.99)


def shown(t: float, offset: int) -> float:
    """Return what stands in clip and time: all of 20.0 to 36.0 in turn, ten a second."""
    return (round(t * 10) + offset) * 37 % 161 / 4


def set_reader(monkeypatch: pytest.MonkeyPatch, reader: GreyReader) -> None:
    monkeypatch.setattr(readers, "create", lambda name, glyphs=None: reader)
    monkeypatch.setattr(clip_job, "_made", {})


@pytest.fixture(scope="module")
def clips(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("clips")
    for name, offset in CLIPS.items():
        times = steady(15.0, 10.0)
        make_clip(made / name, times, lambda t, o=offset: shown(t, o), options=LOSSLESS)
    return made


@pytest.fixture
def folder(
    clips: Path, tmp_path: Path, grey_reader: GreyReader, monkeypatch: pytest.MonkeyPatch
) -> Path:
    for name in CLIPS:
        shutil.copy(clips / name, tmp_path / name)
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    (tmp_path / "runs.csv").write_text(
        "run,clip,antenna,mounting\n1,a.mp4,Slab,1\n2,b.mp4,Coil,1\n3,c.mp4,Coil,2\n"
    )
    set_reader(monkeypatch, TenthsReader())
    return tmp_path


def read(folder: Path) -> SessionReport:
    return pipeline.read_session(Session(folder), OPTIONS)


def rows(folder: Path, clip: str = "a") -> list[dict[str, str]]:
    with (folder / f"results/readings/{clip}.csv").open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def all_rows(folder: Path) -> list[tuple[str, dict[str, str]]]:
    return [(clip, row) for clip in CLIPS for row in rows(folder, clip[0])]


def drawn(row: dict[str, str], clip: str) -> str:
    """Return the number that stood there."""
    return f"{20 + shown(float(row['time_s']), CLIPS[clip]) * 0.4:.1f}"


def test_readings_with_a_digit_in_doubt_do_not_count(folder: Path) -> None:
    report = read(folder)
    assert report.warnings[0].startswith(SAID)
    for clip, row in all_rows(folder):
        assert row["bitrate_text"] == drawn(row, clip).replace("8", "0")
        # The tens of 20.0 to 36.0 show 2 and 3, never a digit in doubt.
        if set("80") & set(row["bitrate_text"]):
            assert (row["bitrate"], row["bitrate_flag"]) == ("", "unreadable")
        else:
            assert (row["bitrate"], row["bitrate_flag"]) == (drawn(row, clip), "ok")
    counted = [float(row["bitrate"]) for _, row in all_rows(folder) if row["bitrate"]]
    assert sum(r["n"] for r in report.rows) == len(counted)


def test_reading_again_leaves_them_out_again(folder: Path) -> None:
    read(folder)
    before = rows(folder)
    pipeline.read_session(Session(folder), dataclasses.replace(OPTIONS, again=True))
    assert rows(folder) == before


def test_nothing_is_said_of_a_reader_without_fault(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    set_reader(monkeypatch, TenthsReader("8", "8"))
    report = read(folder)
    assert not any("never read" in w for w in report.warnings)
    assert not (folder / "results" / doubted_digits.FILE).exists()
    assert {row["bitrate_flag"] for _, row in all_rows(folder)} == {"ok"}


def test_it_is_said_first_in_comparison_report_and_pack(
    folder: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    read(folder)
    (standing,) = doubted_digits.load(Session(folder))
    empty = sum(not row["bitrate"] for _, row in all_rows(folder))
    first = pipeline.compare_sessions([folder]).findings[0]
    assert (first.kind, first.part) == ("doubted_digits", "verdict")
    assert SAID in first.sentence
    assert first.numbers[0].value == standing.left_out == empty > 100
    made = pack.pack(Session(folder), tmp_path_factory.mktemp("packs") / "p.zip")
    with pack.opened(made) as opened:
        assert SAID in pipeline.compare_sessions([opened]).findings[0].sentence
    out = tmp_path_factory.mktemp("report")
    page, *_ = html_report.write_report([folder], out)
    assert SAID in page.read_text("utf-8")
    # Also where antennas are not compared.
    (folder / "runs.csv").unlink()
    pipeline.summarise_session(Session(folder))
    text = html_report.write_report([folder], out)[0].read_text("utf-8")
    assert SAID in text
    assert "Antennas were not compared" in text


def test_the_page_says_it_and_shows_the_readings_first(folder: Path) -> None:
    (folder / "overlay.toml").write_text(overlay_toml("maximum = 35.95"))
    read(folder)
    visitor = Visitor(folder)
    (doubt,) = visitor.session()["doubts"]
    cards = visitor.get("/api/check", field="bitrate").get_json()["cards"]
    series = visitor.get("/api/series", clip="a.mp4", field="bitrate").get_json()
    crop = visitor.get("/api/crop", clip="a.mp4", field="bitrate", t=cards[0]["times"][0]).data
    visitor.close()
    assert doubt["field"] == "bitrate"
    assert doubt["sentence"].startswith("8 was never read as last digit in 447 numbers")
    reasons = [c["reason"] for c in cards]
    doubted = [r == "8 was never read: may it be read as 0?" for r in reasons]
    assert "outside the limits" in reasons
    assert doubted == sorted(doubted, reverse=True)
    assert sum(doubted) > 20
    assert crop.startswith(b"\x89PNG")
    assert series["flags"] == [row["bitrate_flag"] for row in rows(folder)]
    first = waiting(load(folder))[0]
    assert first.reason == reasons[0]


def test_it_is_said_while_clips_are_still_read(folder: Path) -> None:
    heard: list[int] = []

    class Listener(pipeline.Silent):
        def ended(self, report: object) -> None:
            heard.append(len(doubted_digits.load(Session(folder))))

    pipeline.read_session(Session(folder), OPTIONS, watcher=Listener())
    assert heard[-1] == 1


def judge(folder: Path, texts: Sequence[str], verdict: str, times: int = 1) -> None:
    """Judge readings of these texts, each in so many clips."""
    checked = Checked(Session(folder))
    for clip in list(CLIPS)[:times]:
        for text in texts:
            row = next(r for r in rows(folder, clip[0]) if r["bitrate_text"] == text)
            checked.note((clip, "bitrate", text), [float(row["time_s"])], verdict, "doubtful")


def is_doubted(folder: Path) -> bool:
    report = pipeline.summarise_session(Session(folder))
    flagged = any(row["bitrate_flag"] == "unreadable" for _, row in all_rows(folder))
    said = any("never read" in w for w in report.warnings)
    assert flagged == said == (folder / "results" / doubted_digits.FILE).exists()
    return said


def test_ten_that_are_right_settle_it_for_all(folder: Path) -> None:
    read(folder)
    judge(folder, ["21.0", "22.0", "23.0", "24.0"], "right", times=3)
    assert is_doubted(folder)  # four numbers, each of which counts twice
    judge(folder, ["21.5", "22.5", "23.5", "24.5"], "right", times=3)
    assert is_doubted(folder)  # holds no digit in doubt
    judge(folder, ["25.0", "26.0"], "right")
    assert not is_doubted(folder)
    counted = {row["bitrate_flag"] for _, row in all_rows(folder)}
    assert counted == {"ok"}


def test_one_that_is_the_missing_digit_keeps_it(folder: Path) -> None:
    read(folder)
    judge(folder, [f"{n}.0" for n in (21, 22, 23, 24, 25)], "right", times=3)
    judge(folder, ["26.0"], "wrong")
    at = next(float(r["time_s"]) for r in rows(folder) if r["bitrate_text"] == "26.0")
    corrections = folder / "corrections.csv"
    assert is_doubted(folder)  # what it was instead is not known
    corrections.write_text(f"clip,time_s,field,value\na.mp4,{at:.3f},bitrate,26.8\n")
    assert is_doubted(folder)
    row = next(r for r in rows(folder) if float(r["time_s"]) == pytest.approx(at, abs=1e-3))
    assert (row["bitrate"], row["bitrate_flag"]) == ("26.8", "corrected")
    # Another kind of slip says nothing about this digit.
    corrections.write_text(f"clip,time_s,field,value\na.mp4,{at:.3f},bitrate,25.0\n")
    assert not is_doubted(folder)


def test_all_put_right_by_hand_leave_no_doubt(folder: Path) -> None:
    read(folder)
    lines = [
        f"{clip},{row['time_s']},bitrate,{drawn(row, clip)}\n"
        for clip, row in all_rows(folder)
        if row["bitrate_flag"] == "unreadable"
    ]
    (folder / "corrections.csv").write_text("clip,time_s,field,value\n" + "".join(lines))
    assert not is_doubted(folder)
    assert {row["bitrate_flag"] for _, row in all_rows(folder)} == {"ok", "corrected"}


def test_a_reader_that_has_learned_it_ends_it(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read(folder)
    assert is_doubted(folder)
    set_reader(monkeypatch, TenthsReader("8", "8"))
    assert not any("never read" in w for w in read(folder).warnings)
    assert not is_doubted(folder)


def test_where_lessons_and_reader_differ_nothing_is_claimed_and_the_rest_counts(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Unsure(TenthsReader):
        def _line(self, level: float) -> Line:
            line = super()._line(level)
            return Line(line.text, 0.1) if "8" in line.text else line

    read(folder)
    set_reader(monkeypatch, Unsure("8", "8"))
    assert "no other digit stands in its place" in read(folder).warnings[0]
    for _, row in all_rows(folder):
        assert (row["bitrate_flag"] == "ok") == ("8" not in row["bitrate_text"])
    first = waiting(load(folder))[0]
    assert (first.reason, "8" in first.text) == ("8 was never read: is this one?", True)


def test_answers_on_the_page_settle_it(folder: Path) -> None:
    read(folder)
    visitor = Visitor(folder)
    cards = visitor.get("/api/check", field="bitrate").get_json()["cards"]
    for number in ("21.0", "22.0", "23.0", "24.0", "25.0"):
        for card in [c for c in cards if c["text"] == number][:2]:
            answer = {
                **{k: card[k] for k in ("clip", "field", "times", "text")},
                **{"verdict": "right", "mode": "doubtful"},
                "changes": [[t, None, card["number"]] for t in card["times"]],
            }
            assert visitor.post("/api/judge", answer).status_code == 200
    visitor.wait_for(lambda s: not s["doubts"])
    visitor.close()
    assert {row["bitrate_flag"] for _, row in all_rows(folder)} == {"ok", "corrected"}


def test_a_clip_alone_is_read_with_the_same_care(folder: Path) -> None:
    times = steady(60.0, 10.0)
    make_clip(folder / "long.mp4", times, lambda t: shown(t, 0), options=LOSSLESS)
    overlay = Session(folder).overlay()
    with pytest.warns(UserWarning, match="8 was never read"):
        series = single_clip.read_clip(folder / "long.mp4", overlay, OPTIONS)["bitrate"]
    held = series["text"].str.contains("0")
    assert set(series["flag"][held]) == {"unreadable"}
    assert set(series["flag"][~held]) == {"ok"}
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        single_clip.read_clip(folder / "a.mp4", overlay, OPTIONS)  # too few numbers to tell
