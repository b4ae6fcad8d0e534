"""The report: complete, self-contained, sensible whatever the session."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from clipmaker import overlay_toml
from report_making import made_up_session, truth_session

from extractor.errors import ExtractorError
from extractor.pipeline import compare_sessions
from extractor.reading import process_pool
from extractor.report import chart_files, html_report, pack
from extractor.report.charts import clips
from extractor.session.csv_tables import read_table
from extractor.session.folder import Session


class Page(HTMLParser):
    """Headings, text and everything that a browser would load."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.headings: list[str] = []
        self.loads: list[str] = []
        self.text: list[str] = []
        self.tags: list[str] = []
        self.ids: list[str] = []
        self._heading = False
        self.feed(text)

    def handle_starttag(self, tag, attrs) -> None:
        self.tags.append(tag)
        self._heading = tag == "h2"
        for name, value in attrs:
            if name in ("src", "href", "xlink:href", "data", "action", "srcset"):
                self.loads.append(value or "")
            if name == "id":
                self.ids.append(value or "")
            assert not name.startswith("on"), f"{tag} {name}"

    def handle_data(self, data) -> None:
        self.text.append(data)
        if self._heading and data.strip():
            self.headings.append(data.strip())
            self._heading = False


@pytest.fixture(scope="module")
def club(tmp_path_factory) -> Path:
    folder = truth_session(tmp_path_factory.mktemp("report") / "club")
    html_report.write_report([folder])
    return folder


def page_of(folder: Path) -> tuple[str, Page]:
    text = (folder / "results" / "report.html").read_text("utf-8")
    return text, Page(text)


def test_sections_stand_in_the_agreed_order(club) -> None:
    _, page = page_of(club)
    assert page.headings == [
        *(
            "Findings",
            "Is that what physics expects?",
            "What was tested",
            "Ports",
            "Every run",
            "By antenna",
            "Beside each other",
        ),
        *("Over the session", "Reading quality", "Tables", "Method", "Cautions"),
        "How this was made",
    ]


def test_nothing_is_loaded_from_elsewhere(club) -> None:
    text, page = page_of(club)
    assert not {"script", "iframe", "object", "embed", "form"} & set(page.tags)
    outside = [u for u in page.loads if not u.startswith(("#", "data:"))]
    assert not outside
    assert not re.findall(r"url\((?!#)", text)
    assert len(page.ids) == len(set(page.ids))
    assert len(text.encode()) < 8_000_000


def test_findings_and_tables_are_those_of_the_comparison(club) -> None:
    _, page = page_of(club)
    flat = " ".join(" ".join(page.text).split())
    comparison = compare_sessions([club])
    for finding in comparison.findings:
        assert "".join(finding.sentence.split()) in "".join(flat.split())
    table = read_table(club / "results" / "ranking.csv")
    assert [row["antenna"] for row in table.rows] == list(comparison.order.names)
    assert (club / "results" / "findings.json").exists()
    for word in ("boat club shore station", "distance, m", "Never transmit into nothing"):
        assert word in flat


def test_every_chart_is_there_as_png_and_svg(club) -> None:
    pictures = club / "results" / "pictures"
    names = {p.stem for p in pictures.glob("*.png")}
    assert names == {p.stem for p in pictures.glob("*.svg")}
    assert {"ranking", "ports", "runs-bitrate", "distribution", "drift"} <= names


def test_without_runs_table_the_page_says_why_nothing_is_compared(tmp_path) -> None:
    folder = made_up_session(tmp_path / "plain", [("", "", "")] * 3, flags=("ok", "unreadable"))
    (folder / "runs.csv").unlink()
    html_report.write_report([folder])
    _, page = page_of(folder)
    flat = " ".join(page.text)
    assert "Antennas were not compared" in flat
    assert "No conditions are known" in flat
    assert "Which one?" not in flat
    assert "No link dropped out" in flat
    assert {"Every run", "By antenna", "Reading quality"} <= set(page.headings)


def test_one_clip_with_nothing_readable(tmp_path) -> None:
    folder = made_up_session(tmp_path / "one", [("A", "U", "1")], flags=("unreadable",))
    html_report.write_report([folder])
    assert "Every run" in page_of(folder)[1].headings


def test_many_runs_are_drawn_in_several_pictures(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(clips, "MOST_RUNS", 6)
    runs = [(f"antenna {i % 4}", "UL"[i % 2], str(i // 4)) for i in range(8)]
    folder = made_up_session(tmp_path / "many", runs, length=6)
    html_report.write_report([folder])
    names = {p.name for p in (folder / "results" / "pictures").iterdir()}
    assert {"runs-bitrate-1.png", "runs-bitrate-2.png"} <= names


@pytest.mark.slow
def test_two_processes_draw_what_one_draws(tmp_path, monkeypatch) -> None:
    runs = [(a, p, m) for a in ("A", "B") for m in ("1", "2") for p in ("U", "L")]
    folder = made_up_session(tmp_path / "shared", runs)
    one = html_report.write_report([folder], tmp_path / "one")
    monkeypatch.setattr(chart_files, "SHARED_FROM", 1)
    monkeypatch.setattr(chart_files.os, "cpu_count", lambda: 2)
    told: list[str] = []
    two = html_report.write_report([folder], tmp_path / "two", progress=told.append)
    assert [p.relative_to(tmp_path / "one") for p in one] == [
        p.relative_to(tmp_path / "two") for p in two
    ]
    assert all(a.read_bytes() == b.read_bytes() for a, b in zip(one, two, strict=True))
    assert "chart ranking" in told and "chart runs-bitrate" in told


def test_a_drawing_process_that_dies_is_made_up_for(tmp_path, monkeypatch) -> None:
    folder = made_up_session(tmp_path / "died", [("A", "U", "1")] * 2)
    whole = html_report.write_report([folder], tmp_path / "whole")

    def die(jobs, work, count, progress):
        for job in jobs:
            yield job, None, process_pool.died(job)

    monkeypatch.setattr(process_pool, "run", die)
    again = html_report.write_report([folder], tmp_path / "again")
    assert [p.read_bytes() for p in again] == [p.read_bytes() for p in whole]


def test_a_chart_with_too_much_drawing_stands_there_as_pixels(tmp_path, monkeypatch) -> None:
    folder = made_up_session(tmp_path / "large", [("A", "U", "1")] * 2)
    monkeypatch.setattr(chart_files, "LARGEST_INLINE", 1000)
    html_report.write_report([folder])
    _, page = page_of(folder)
    assert page.tags.count("img") == 3
    assert "svg" not in page.tags


def test_markup_in_every_name_stays_text(tmp_path) -> None:
    evil = "<script>window.hit=1</script>\"'><img src=x onerror=hit()>&amp;{{7*7}}\u202e"
    runs = [(f"{evil}{a}", evil, m) for a in "AB" for m in ("1", "2")]
    folder = made_up_session(tmp_path / "evil", runs, clip_name="a<b>{:d}&'.mp4")
    (folder / "session.toml").write_text(f"place = '''{evil}'''\n'{evil[:8]}' = 3\n")
    html_report.write_report([folder], options=html_report.Options(title=evil))
    text, page = page_of(folder)
    assert "script" not in page.tags
    assert page.tags.count("img") == 0
    assert "49" not in text.partition("<title>")[2].partition("</title>")[0]


def test_a_pack_gives_the_same_findings_and_its_own_crops(tmp_path, session_folder, grey_reader):
    from extractor.pipeline import read_session
    from extractor.reading.clip_job import ReadOptions

    (session_folder / "overlay.toml").write_text(overlay_toml("maximum = 12.0"))
    read_session(Session(session_folder), ReadOptions(jobs=1))
    path = pack.pack(Session(session_folder), tmp_path / "p.zip")
    page, *_ = html_report.write_report([path], tmp_path / "out")
    text = page.read_text("utf-8")
    assert "data:image/png;base64," in text
    assert "no picture" not in text
    assert "grey 1" in text
    assert page.parent == tmp_path / "out"


def test_options_that_cannot_be_followed_are_not_passed_over(club, tmp_path) -> None:
    for options in (html_report.Options(reference="Nobody"), html_report.Options(field="speed")):
        with pytest.raises(ExtractorError, match=r"Nobody|speed"):
            html_report.write_report([club], tmp_path, options)


def test_an_earlier_session_lends_its_spread_to_the_report(tmp_path) -> None:
    once = made_up_session(tmp_path / "once", [(a, "U", "1") for a in "ABC"])
    twice = made_up_session(tmp_path / "twice", [(a, "U", m) for m in "12" for a in "ABC"])
    options = html_report.Options(spread_from=(twice,))
    page, *_ = html_report.write_report([once], tmp_path / "out", options)
    flat = " ".join(Page(page.read_text("utf-8")).text)
    assert "is taken from twice too" in flat
    assert str(twice) in flat


def test_two_sessions_in_one_report(tmp_path) -> None:
    runs = [(a, "U", m) for a in ("A", "B") for m in ("1", "2")]
    folders = [made_up_session(tmp_path / name, runs) for name in ("may", "june")]
    page, *_ = html_report.write_report(folders, tmp_path / "out")
    flat = " ".join(Page(page.read_text("utf-8")).text)
    assert "may, june" in flat
    assert "The sessions" in flat
