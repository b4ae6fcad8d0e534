"""Clips and planned runs: paired by the order of recording, and never when in doubt."""

import os
import shlex
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser

import pytest
from recording_making import START, record

from extractor.commands.match import match as match_command
from extractor.errors import UsageError
from extractor.report.match_sheet import write_sheet
from extractor.report.run_sheet import Plan, run_rows, write_plan
from extractor.session.folder import Session
from extractor.session.runs_editing import RunRow
from extractor.video import recording_order
from extractor.video.pairing import Clip, proposed

#: Two antennas, one mounting each, both ports: a short pause for a port, a long one to remount.
PLAN = Plan(("A", "B"), ("P", "Q"), mountings=1, seed=1)
OFFSETS_S = (0, 60, 600, 660)


def planned(folder, plan=PLAN) -> Session:
    write_plan(folder, plan)
    return Session(folder)


def recorded(folder, offsets=OFFSETS_S, names=None, **options) -> Session:
    session = planned(folder)
    for i, offset in enumerate(offsets):
        name = names[i] if names else f"rec{i:03d}.mp4"
        record(folder / name, START + timedelta(seconds=offset), **options)
    return Session(session.root)


def clips_of(session) -> list[str]:
    return [run.clips[0] for run in Session(session.root).runs() if run.counts]


def test_a_title_that_is_no_utf8_hides_neither_clip_nor_creation_time(tmp_path):
    path = tmp_path / "a.mp4"
    record(path, START, title="aXXb")
    path.write_bytes(path.read_bytes().replace(b"aXXb", b"a\xff\xfcb"))
    (recording,) = recording_order.match(planned(tmp_path)).recordings
    assert recording.created == START


def test_clips_are_paired_by_creation_time(tmp_path):
    # Names say nothing here; the creation time does.
    session = recorded(tmp_path, names=["d.mp4", "b.mp4", "xy.mp4", "a.mp4"])
    found = recording_order.match(session)
    assert found.by == "created"
    assert found.questions == ()
    recording_order.fill(session, found)
    assert clips_of(session) == ["d.mp4", "b.mp4", "xy.mp4", "a.mp4"]


def test_nothing_is_written_without_a_yes(tmp_path, capsys):
    session = recorded(tmp_path)
    with pytest.raises(UsageError, match="add --yes"):
        match_command(tmp_path)
    assert session.runs() == ()
    assert "rec000.mp4" in capsys.readouterr().out
    match_command(tmp_path, yes=True)
    assert clips_of(session) == [f"rec{i:03d}.mp4" for i in range(4)]


def test_the_users_other_cells_stay(tmp_path):
    session = recorded(tmp_path)
    path = session.runs_path
    path.write_text(path.read_text().replace("Q=companion", "Q=Mast"))
    match_command(tmp_path, yes=True)
    assert "Q=Mast" in path.read_text()


def test_a_retake_is_asked_about_and_never_paired_by_order(tmp_path):
    session = recorded(tmp_path, offsets=(0, 60, 120, 600, 660))
    found = recording_order.match(session)
    assert found.pairs == ()
    assert "4 planned runs, 5 recordings" in found.questions[0]
    assert "pauses stop fitting the plan after rec001.mp4" in " ".join(found.questions)
    with pytest.raises(UsageError, match="nothing is paired"):
        recording_order.fill(session, found)
    with pytest.raises(UsageError, match="--skip CLIP"):
        match_command(tmp_path, yes=True)
    assert session.runs() == ()
    match_command(tmp_path, skip=["rec001.mp4"], yes=True)
    assert clips_of(session) == ["rec000.mp4", "rec002.mp4", "rec003.mp4", "rec004.mp4"]
    (aside,) = (r for r in Session(tmp_path).runs() if not r.counts)
    assert aside.clips == ("rec001.mp4",)
    assert Session(tmp_path).run_warnings(Session(tmp_path).runs()) == []


def test_a_missing_run_is_asked_about(tmp_path):
    session = recorded(tmp_path, offsets=(0, 600, 660))
    assert "4 planned runs, 3 recordings" in recording_order.match(session).questions[0]
    found = recording_order.match(session, missing=["r2"])
    assert [r.cells["run"] for r, _ in found.pairs] == ["r1", "r3", "r4"]


def test_a_retake_and_a_missing_run_that_cancel_are_pointed_out(tmp_path):
    found = recording_order.match(recorded(tmp_path, offsets=(0, 60, 120, 720)))
    assert found.questions == ()
    assert "pauses stop fitting the plan after rec001.mp4" in " ".join(found.notes)


def test_a_split_file_is_pointed_out_and_joined_when_told(tmp_path):
    session = recorded(tmp_path, offsets=(0, 60, 62, 600, 660))
    hints = " ".join(recording_order.match(session).questions)
    assert "rec002.mp4 begins where rec001.mp4 ends" in hints
    match_command(tmp_path, join=["rec002.mp4"], yes=True)
    assert Session(tmp_path).runs()[1].clips == ("rec001.mp4", "rec002.mp4")


def test_a_reset_clock_falls_back_to_numbered_names(tmp_path):
    session = planned(tmp_path)
    for i in range(4):
        record(tmp_path / f"rec{i:03d}.mp4", datetime(1980, 1, 1, 0, 4 - i, tzinfo=UTC))
    found = recording_order.match(session)
    assert found.by == "name"
    assert [c.name for c in found.recordings] == [f"rec{i:03d}.mp4" for i in range(4)]


def test_clock_against_names_is_asked_about(tmp_path):
    session = recorded(tmp_path, offsets=(600, 660, 0, 60))
    found = recording_order.match(session)
    assert "different orders" in found.questions[0]
    assert found.pairs == ()
    assert recording_order.match(session, by="name").pairs[0][1].name == "rec000.mp4"
    assert recording_order.match(session, by="created").pairs[0][1].name == "rec002.mp4"


def test_modification_times_alone_are_asked_about(tmp_path):
    session = planned(tmp_path)
    for i, name in enumerate(["d.mp4", "bb.mp4", "xyz.mp4", "a1.mp4"]):
        record(tmp_path / name)
        os.utime(tmp_path / name, (1_700_000_000 + 60 * i,) * 2)
    found = recording_order.match(session)
    assert "copying may have changed them" in found.questions[0]
    assert recording_order.match(session, by="modified").pairs[1][1].name == "bb.mp4"


def test_two_recorders_are_noted(tmp_path):
    session = recorded(tmp_path, offsets=(0, 60, 600))
    record(tmp_path / "rec003.mp4", START + timedelta(seconds=660), size=(96, 48))
    assert "two recorders" in recording_order.match(Session(session.root)).notes[0]


def test_a_clip_that_broke_off_is_noted(tmp_path):
    session = recorded(tmp_path, offsets=(0, 60, 600))
    record(tmp_path / "rec003.mp4", START + timedelta(seconds=660), seconds=0.6)
    found = recording_order.match(Session(session.root))
    assert any("rec003.mp4 lasts only" in note for note in found.notes)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"skip": ["x.mp4"]}, "--skip x.mp4: not among rec000.mp4"),
        ({"missing": ["r9"]}, "--missing r9: not among r1"),
        ({"join": ["x.mp4"]}, "--join x.mp4"),
    ],
)
def test_unknown_names_are_refused(tmp_path, options, message):
    session = recorded(tmp_path)
    with pytest.raises(UsageError, match=message):
        recording_order.match(session, **options)


def test_nothing_planned_says_what_to_do(tmp_path):
    record(tmp_path / "a.mp4", START)
    with pytest.raises(UsageError, match="plan first"):
        recording_order.match(Session(tmp_path))


class _Images(HTMLParser):
    def __init__(self):
        super().__init__()
        self.images = []

    def handle_starttag(self, tag, attrs):
        if tag == "img":
            self.images.append(dict(attrs))


def test_sheet_has_a_picture_of_each_clip_and_needs_nothing_else(tmp_path):
    session = recorded(tmp_path)
    path = write_sheet(session, recording_order.match(session))
    page = _Images()
    page.feed(path.read_text())
    assert len(page.images) == 4
    assert all(i["src"].startswith("data:image/jpeg;base64,") and i["alt"] for i in page.images)


def test_a_broken_clip_still_stands_in_the_sheet(tmp_path):
    session = recorded(tmp_path, offsets=(0, 60, 600))
    (tmp_path / "rec003.mp4").write_bytes(b"not a video")
    os.utime(tmp_path / "rec003.mp4", (2_000_000_000,) * 2)
    found = recording_order.match(Session(session.root))
    assert found.by == "name"
    assert "rec003.mp4" in write_sheet(session, found).read_text()


@pytest.mark.parametrize(
    ("gap_s", "split"), [(0, True), (2.9, True), (3.1, False), (-2.9, True), (-3.1, False)]
)
def test_a_clip_goes_on_where_the_one_before_ended_not_a_while_later(gap_s, split):
    begins = START + timedelta(seconds=600 + gap_s)
    pair = [
        recording_order.Recording(("a.mp4",), START, length_s=600.0),
        recording_order.Recording(("b.mp4",), begins, length_s=600.0),
    ]
    assert bool(recording_order._continued(pair)) is split


#: Twelve planned runs, two in each mounting: a minute to the next port, ten to the next antenna.
EVENING = Plan(("A", "B", "C"), ("P", "Q"), mountings=2, seed=3)


def evening(*changes):
    """Rows of the plan and the clips of it; `changes` are (place, clips put in its stead)."""
    rows = [
        RunRow(f"plan:{i}", {k: str(v) for k, v in row.items()})
        for i, row in enumerate(run_rows(EVENING, EVENING.runs()))
    ]
    clips = [[Clip(f"c{i}", 600.0 * (i // 2) + 60 * (i % 2))] for i in range(12)]
    for place, put in changes:
        start = clips[place][0].start_s
        clips[place] = [Clip(name, start + after, **marks) for name, after, marks in put]
    return rows, [clip for some in clips for clip in some]


SHORT, GOES_ON = {"mark": "short"}, {"mark": "goes on"}
BROKEN_AND_SPLIT = (
    (1, [("s", 0, SHORT), ("c1", 50, {})]),
    (8, [("c8", 0, {}), ("t", 40, GOES_ON)]),
)


@pytest.mark.parametrize(
    ("changes", "answers"),
    [
        ([(0, [("test", -300, SHORT), ("c0", 0, {})])], (("test",), (), (), ())),
        ([(5, [("broken", 0, SHORT), ("c5", 50, {})])], (("broken",), (), (), ())),
        ([(7, [("c7", 0, {}), ("rest", 40, GOES_ON)])], ((), (), ("rest",), ())),
        ([(4, [])], ((), ("r05",), (), ("r05",))),
        (BROKEN_AND_SPLIT, (("s",), (), ("t",), ())),
    ],
)
def test_what_likely_settles_it_is_proposed(changes, answers):
    rows, clips = evening(*changes)
    found = proposed(rows, clips)
    assert (found.skip, found.missing, found.join, found.doubts) == answers


def test_where_only_the_count_speaks_it_is_a_doubt():
    rows, clips = evening((3, [("c3", 0, {}), ("twice", 50, {})]))
    found = proposed(rows, clips)
    assert found.skip in {("c2",), ("c3",), ("twice",)}
    assert found.doubts == found.skip
    # Without a clock no pause speaks either.
    rows, clips = evening((4, []))
    found = proposed(rows, [Clip(c.name, None) for c in clips])
    assert len(found.missing) == 1 == len(found.doubts)


def test_the_command_that_answers_is_said_and_answers(tmp_path):
    session = recorded(tmp_path, offsets=(0, 60, 62, 600, 660))
    with pytest.raises(UsageError, match=r"likely.*: (extractor match .*)") as refused:
        match_command(tmp_path, yes=True)
    said = shlex.split(str(refused.value).rpartition("agree: ")[2])
    assert said == ["extractor", "match", str(tmp_path), "--join", "rec002.mp4"]
    assert session.runs() == ()
