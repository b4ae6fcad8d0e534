"""No second of a recording counts twice: overlapping runs and copies of a clip are refused."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import pandas as pd
import pytest
from clipmaker import GreyReader, make_clip, overlay_toml, stairs, steady
from hypothesis import given, settings
from hypothesis import strategies as st

from extractor import pipeline
from extractor.comparison.admission import refuse_counted_twice
from extractor.comparison.loading import prepare
from extractor.errors import TableError
from extractor.pipeline import compare_sessions
from extractor.reading.clip_job import ReadOptions
from extractor.report import pack
from extractor.report.html_report import write_report
from extractor.session.csv_tables import parse_table
from extractor.session.folder import Session
from extractor.session.recordings import Span, content_digest, counted_twice, digests_of, originals
from extractor.session.runs_editing import edit_run, run_rows
from extractor.session.user_tables import parse_runs

ONE = ReadOptions(jobs=1, crosscheck=0)
HEAD = "run,clip,start_s,end_s,antenna,mounting"


def runs_of(*rows: str) -> None:
    parse_runs(parse_table("\n".join([HEAD, *rows]).encode(), "runs.csv"))


@pytest.mark.parametrize(
    "rows",
    [
        ("a,a.mp4,,,Fan,1", "b,a.mp4,,,Fan,2"),
        ("a,a.mp4,0,20,Fan,1", "b,a.mp4,19.9,40,Fan,2"),
        ("a,a.mp4,,20,Fan,1", "c,c.mp4,,,Coil,1", "b,a.mp4,10,,Coil,1"),
        ("a,a.mp4,,,Fan,1", "b,b.mp4;a.mp4,,,Fan,2"),
        ("a,a.mp4;b.mp4,10,70,Fan,1", "b,a.mp4;b.mp4,69,90,Fan,2"),
        ("a,a.mp4,0,100,Fan,1", "b,a.mp4,10,20,Fan,2", "c,a.mp4,110,120,Fan,2"),
    ],
)
def test_runs_that_share_seconds_are_refused_by_their_lines(rows):
    with pytest.raises(TableError, match=r"line \d \(run 'a'\) and line \d \(run 'b'\).* a.mp4"):
        runs_of(*rows)


def test_runs_that_adjoin_or_are_no_runs_are_fine():
    runs_of("a,a.mp4,0,20,Fan,1", "b,a.mp4,20,40,Fan,2", "c,a.mp4,40,,Fan,2", "d,,,,Fan,3")
    runs_of("a,a.mp4;b.mp4,0,70,Fan,1", "b,a.mp4;b.mp4,70,,Fan,2")
    runs_of("a,a.mp4,,0.30000000000000004,Fan,1", "b,a.mp4,0.3,,Fan,2")
    runs_of("a,a.mp4,,6.6667,Fan,1", "b,a.mp4,6.666,,Fan,2")
    parse_runs(parse_table(b"run,clip,use\na,a.mp4,no\nb,a.mp4,\n", "runs.csv"))


def test_a_clip_named_twice_in_one_run_is_refused():
    with pytest.raises(TableError, match="names a clip twice"):
        runs_of("a,a.mp4;b.mp4;a.mp4,,,Fan,1")


def test_times_count_through_clips_of_known_length():
    def twice(*spans: tuple[str, float, float]) -> bool:
        made = [Span(str(i), tuple(c), start, end) for i, (c, start, end) in enumerate(spans)]
        return counted_twice(made, {"a": 60.0, "b": 60.0, "c": 30.0}) is not None

    assert twice(("ab", 50, 80), ("b", 10, math.inf))
    assert not twice(("ab", 50, 80), ("b", 20, math.inf))
    assert not twice(("ab", 60, 80), ("a", 0, math.inf))
    assert twice(("ab", 59, 80), ("a", 0, math.inf))
    assert twice(("abc", 0, 130), ("c", 0, math.inf))
    assert not twice(("abc", 0, 120), ("c", 0, math.inf))


cuts = st.lists(st.integers(0, 100), min_size=2, max_size=8, unique=True).map(sorted)


@given(cuts, st.data())
@settings(max_examples=200, deadline=None)
def test_whether_spans_overlap_is_found_as_by_marking_each_second(cut, data):
    count = data.draw(st.integers(2, 5))
    ends = [data.draw(st.tuples(st.sampled_from(cut), st.sampled_from(cut))) for _ in range(count)]
    spans = [Span(str(i), ("a",), a, b) for i, (a, b) in enumerate(ends) if a < b]
    seconds = [s for one in spans for s in range(int(one.start_s), int(one.end_s))]
    assert (counted_twice(spans, {}) is not None) == (len(set(seconds)) < len(seconds))


@pytest.fixture
def three(tmp_path: Path, grey_reader: GreyReader) -> Path:
    """Two recordings, and the first once more under another name and date."""
    folder = tmp_path / "club"
    folder.mkdir()
    make_clip(folder / "a.mp4", steady(2.0), stairs)
    make_clip(folder / "b.mp4", steady(2.0), lambda t: stairs(t) // 2)
    shutil.copyfile(folder / "a.mp4", folder / "c.mp4")
    (folder / "overlay.toml").write_text(overlay_toml())
    runs(folder, "1,a.mp4,,,Fan,1", "2,b.mp4,,,Coil,1", "3,c.mp4,,,Fan,2")
    return folder


def runs(folder: Path, *rows: str) -> None:
    (folder / "runs.csv").write_text("\n".join([HEAD, *rows]) + "\n")


def test_a_copy_is_named_by_read_and_refused_by_all_that_compares(three):
    report = pipeline.read_session(Session(three), ONE)
    (said,) = [w for w in report.warnings if "same recording" in w]
    assert said.startswith("c.mp4 is the same recording as a.mp4")
    for work in (lambda: compare_sessions([three]), lambda: write_report([three])):
        with pytest.raises(TableError, match=r"run '1' \(a.mp4\) and run '3' \(c.mp4\) count"):
            work()
    packed = pack.pack(Session(three))
    with pack.opened(packed) as folder, pytest.raises(TableError, match="no two measure"):
        compare_sessions([folder])
    with pack.opened(packed) as folder, pytest.raises(TableError, match="of one recording"):
        compare_sessions([folder, three])
    runs(three, "1,a.mp4,,,Fan,1", "2,b.mp4,,,Coil,1")
    pipeline.summarise_session(Session(three))
    assert len(compare_sessions([three]).runs) == 2


def test_a_row_that_is_no_run_never_counts(three):
    rows = ("1,a.mp4,,,Fan,1,", "2,b.mp4,,,Coil,1,", "3,c.mp4,,,Fan,2,No")
    (three / "runs.csv").write_text("\n".join([f"{HEAD},use", *rows]) + "\n")
    report = pipeline.read_session(Session(three), ONE)
    assert [row["run"] for row in report.rows] == ["1", "2"]
    assert compare_sessions([three]).runs["run"].tolist() == ["1", "2"]


def test_parts_of_a_copy_that_do_not_overlap_may_count(three):
    runs(three, "1,a.mp4,,1,Fan,1", "2,b.mp4,,,Coil,1", "3,c.mp4,1,,Fan,2")
    pipeline.read_session(Session(three), ONE)
    assert len(compare_sessions([three]).runs) == 3


def test_a_split_recording_and_its_second_half_are_found_once_lengths_are_known(three):
    (three / "c.mp4").unlink()
    make_clip(three / "d.mp4", steady(2.0), lambda t: 9)
    runs(three, "1,a.mp4;b.mp4,0.5,3.5,Fan,1", "2,b.mp4,0.5,,Coil,1", "3,d.mp4,,,Stub,1")
    pipeline.read_session(Session(three), ONE)
    with pytest.raises(TableError, match=r"run '1'.* and run '2'"):
        compare_sessions([three])
    runs(three, "1,a.mp4;b.mp4,0.5,2.4,Fan,1", "2,b.mp4,0.5,,Coil,1", "3,d.mp4,,,Stub,1")
    pipeline.summarise_session(Session(three))
    assert len(compare_sessions([three]).runs) == 3


def test_a_table_made_by_hand_is_held_to_the_same(tmp_path):
    path = tmp_path / "hand.csv"
    path.write_text("antenna,value,clip\nFan,30,a.mp4\nFan,31,a.mp4\nCoil,20,b.mp4\n")
    with pytest.raises(TableError, match=r"run 'line 2'.* and run 'line 3'"):
        compare_sessions([path])


def test_the_page_cannot_make_an_overlap(three):
    session = Session(three)
    row = run_rows(session)[1]
    with pytest.raises(TableError, match=r"cover the same seconds of a\.mp4"):
        edit_run(session, row.key, "clip", "b.mp4", "a.mp4")
    assert "2,b.mp4" in (three / "runs.csv").read_text()


def test_content_and_not_name_or_date_makes_a_copy(three):
    session = Session(three)
    digests = digests_of(session, session.clips)
    assert originals(digests) == {"a.mp4": "a.mp4", "b.mp4": "b.mp4", "c.mp4": "a.mp4"}
    whole = (three / "c.mp4").read_bytes()
    (three / "c.mp4").write_bytes(whole[:-1] + bytes([whole[-1] ^ 1]))
    assert content_digest(three / "c.mp4") != content_digest(three / "a.mp4")
    (three / "d.mp4").write_bytes(b"alone of its size: it has no copy, and is not looked into")
    assert digests_of(session, ("a.mp4", "d.mp4")) == {"a.mp4": "", "d.mp4": ""}
    (three / "e.mp4").touch()
    (three / "f.mp4").touch()
    assert originals(digests_of(session, ("e.mp4", "f.mp4")))["f.mp4"] == "f.mp4"


def test_a_recording_that_lies_in_two_sessions_counts_once(tmp_path):
    """Nor where in each of them no other clip is as large."""
    paths, tables = [tmp_path / "spring", tmp_path / "autumn"], []
    for path, clip in zip(paths, ("first.mp4", "again.mp4"), strict=True):
        path.mkdir()
        (path / clip).write_bytes(b"one and the same recording")
        (path / "other.mp4").write_bytes(path.name.encode())
        rows = pd.DataFrame({"antenna": ["A", "B"], "clip": [clip, "other.mp4"], "value": [1, 2]})
        tables.append(prepare(rows.assign(session=path.name))[0])
    with pytest.raises(TableError, match=r"first.mp4.* of spring and .*again.mp4.* of autumn"):
        refuse_counted_twice(paths, tables)
    for path, table in zip(paths, tables, strict=True):
        refuse_counted_twice([path], [table])
