"""A correction that the field's own limits exclude never counts, typed in a file or on the page."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from clipmaker import GreyReader, overlay_toml
from page_visitor import Visitor

from extractor import pipeline
from extractor.errors import TableError
from extractor.reading.clip_job import ReadOptions
from extractor.session.csv_tables import read_table
from extractor.session.folder import Session
from extractor.session.overlay import Box, Field

ONE = ReadOptions(jobs=1, crosscheck=0)
LIMITED = overlay_toml("minimum = 0.0\nmaximum = 45.0")


@pytest.fixture
def limited(session_folder: Path, grey_reader: GreyReader) -> Path:
    (session_folder / "overlay.toml").write_text(LIMITED)
    return session_folder


def write(folder: Path, *rows: str) -> None:
    (folder / "corrections.csv").write_text("\n".join(["clip,time_s,field,value", *rows]) + "\n")


@pytest.mark.parametrize("value", ["9999", "-5", "45.1", "1e14"])
def test_a_number_beyond_the_limits_is_flagged_and_named(limited, value):
    plain = pipeline.read_session(Session(limited), ONE).rows[0]
    write(limited, f"a.mp4,0.5,bitrate,{value}", "a.mp4,0.9,bitrate,45")
    for work in (
        lambda: pipeline.read_session(Session(limited), ONE),
        lambda: pipeline.summarise_session(Session(limited)),
    ):
        report = work()
        (said,) = [w for w in report.warnings if "0.5 s" in w]
        assert "not counted" in said and "of bitrate" in said and "a.mp4" in said
        row = report.rows[0]
        assert (row["n_range"], row["n_corrected"]) == (1, 1)
        assert row["mean"] < 2 * plain["mean"]
    readings = read_table(Session(limited).readings_path("a.mp4"))
    assert [r["bitrate_flag"] for r in readings.rows].count("range") == 1


def test_taking_it_away_takes_the_warning_away(limited):
    write(limited, "a.mp4,0.5,bitrate,9999")
    assert pipeline.read_session(Session(limited), ONE).warnings
    write(limited, "a.mp4,0.5,bitrate,12")
    report = pipeline.summarise_session(Session(limited))
    assert (report.warnings, report.rows[0]["n_corrected"]) == ([], 1)


def test_limits_set_later_hold_for_corrections_made_before(limited):
    (limited / "overlay.toml").write_text(overlay_toml())
    write(limited, "a.mp4,0.5,bitrate,99")
    assert pipeline.read_session(Session(limited), ONE).rows[0]["n_corrected"] == 1
    (limited / "overlay.toml").write_text(LIMITED)
    report = pipeline.summarise_session(Session(limited))
    assert report.rows[0]["n_corrected"] == 0 and "above the maximum 45" in report.warnings[0]


def test_a_number_that_none_can_be_is_refused_with_its_line(limited):
    write(limited, "a.mp4,0.5,bitrate,1e308")
    with pytest.raises(TableError, match="line 2, column 'value'"):
        Session(limited).corrections()


@pytest.mark.parametrize("value", ["9999", "-5", "1e308", "45,1"])
def test_the_page_refuses_it_in_one_line(limited, value):
    visitor = Visitor(limited)
    try:
        pipeline.read_session(Session(limited), ONE)
        body = {"clip": "a.mp4", "field": "bitrate", "verdict": "wrong", "mode": "doubtful"}
        body |= {"text": "7", "times": [0.5], "changes": [[0.5, None, value]]}
        answer = visitor.post("/api/judge", body)
        assert answer.status_code == 400
        said = answer.get_json()["error"]
        assert "\n" not in said and ("of bitrate" in said or "no number" in said)
        assert not (limited / "corrections.csv").exists()
        body["changes"] = [[0.5, None, "45"]]
        assert visitor.post("/api/judge", body).status_code == 200
    finally:
        visitor.close()


def test_the_page_shows_one_from_the_file_as_not_counted(limited):
    visitor = Visitor(limited)
    try:
        pipeline.read_session(Session(limited), ONE)
        write(limited, "a.mp4,0.5,bitrate,9999")
        flags = visitor.get("/api/series", clip="a.mp4", field="bitrate").get_json()["flags"]
        assert "corrected" not in flags and flags.count("range") == 1
    finally:
        visitor.close()


def test_limits_and_what_is_said_of_a_number():
    item = Field("bitrate", (320, 180), Box(0, 0, 9, 9), minimum=0.0, maximum=45.0)
    assert [item.objection(v) for v in (0.0, 45.0)] == ["", ""]
    assert item.objection(-5.0) == "-5 is below the minimum 0 of bitrate"
    assert item.objection(46.0) == "46 is above the maximum 45 of bitrate"
    free = Field("rssi", (320, 180), Box(0, 0, 9, 9))
    assert free.limits == (-math.inf, math.inf) and not free.objection(-90.0)
