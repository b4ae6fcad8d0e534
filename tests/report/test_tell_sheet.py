"""The clips that tell: planned into the session, printed with their cautions, weighed later."""

import csv
import shutil
from pathlib import Path

import pytest

from extractor.errors import UsageError
from extractor.radio.cautions import cautions
from extractor.report.run_sheet import Plan, render_sheet
from extractor.report.tell_sheet import write_tell

STORY = Path(__file__).parents[1] / "radio" / "end_fire_session"


@pytest.fixture
def story(tmp_path):
    return Path(shutil.copytree(STORY, tmp_path / "story"))


def planned(session):
    with (session / "runs.csv").open(encoding="utf-8") as stream:
        return [row for row in csv.DictReader(stream) if not row["clip"]]


def test_the_changed_clip_stands_between_two_unchanged(story):
    cause, runs_path, sheet = write_tell(story, "cable")
    rows = planned(story)
    assert runs_path == story / "runs.csv"
    assert [row["tells"] for row in rows] == ["", "cable", ""]
    assert {row["antenna"] for row in rows} == {"Stub"}
    assert len({row["mounting"] for row in rows}) == 1
    assert rows[1]["notes"] == cause.clip == "Stub on Coil's cable"
    page = sheet.read_text(encoding="utf-8")
    assert f"{cause.if_so_db:+.1f} dB" in page
    assert "Neither pad nor load goes on a port that may transmit" in page
    assert "Never transmit into nothing" in page
    with pytest.raises(UsageError, match="planned already"):
        write_tell(story, "cable")


def test_a_pair_tells_a_rating(story):
    write_tell(story, "rating")
    assert [row["antenna"] for row in planned(story)] == ["Coil", "Stub"] * 2
    assert {row["tells"] for row in planned(story)} == {"rating"}


def test_no_pad_comes_into_a_line_that_may_transmit(story):
    runs = story / "runs.csv"
    text = runs.read_text().replace(",rx\n", ",rxtx\n")
    runs.write_text(text)
    with pytest.raises(UsageError, match="only receives"):
        write_tell(story, "ports")
    assert runs.read_text() == text
    runs.write_text(text.replace("spot 2,1,6,,rxtx", "spot 2,1,6,,rx"))  # coil_m2_green
    write_tell(story, "ports")
    assert {row["port"] for row in planned(story)} == {"Green"}


def test_an_unknown_cause_names_those_that_are(story):
    with pytest.raises(UsageError, match="--tell moon: no surprise here has it; these are: cable"):
        write_tell(story, "moon")


def test_the_run_sheet_says_what_the_other_ports_hide():
    # Brennan 1959, equal ports: 10 dB on one of four shows as 5.1, with 20 dB pads as 9.9 dB.
    plan = Plan(("A", "B"), ("Red", "Green", "Blue", "White"))
    page = " ".join(render_sheet(plan, plan.runs(), cautions()).split())
    assert "show as 5.1 dB" in page
    assert "show as 9.9 dB" in page
    assert "Neither pad nor load on a port that may transmit" in page
    alone = Plan(("A", "B"), ("Red",))
    assert "other ports hide" not in render_sheet(alone, alone.runs(), cautions())
