"""Looks: planned ones share the 5 %, unplanned ones are noticed."""

import shutil
from collections import Counter

import numpy as np
import pandas as pd
import pytest
from comparison_making import compared, finding, kinds, simulated
from report_making import made_up_session

from extractor.commands import watch
from extractor.comparison.looks import Looks, first_look, planned_looks
from extractor.comparison.run_order import plan_runs
from extractor.errors import UsageError
from extractor.pipeline import compare_sessions
from extractor.radio.cautions import cautions
from extractor.report.run_sheet import Plan, render_sheet, write_plan
from extractor.session.csv_tables import read_table, write_table
from extractor.session.folder import Session
from extractor.statistics.power import look_level
from extractor.video import recording_order

ANTENNAS = ("Slab", "Coil", "Fan", "Stub")
LEVELS = {"Slab": 38.0, "Coil": 31.0, "Fan": 31.5, "Stub": 25.0}


@pytest.mark.parametrize(
    ("looks", "level"), [((30, 60), 0.0294), ((30, 60, 90), 0.0221), ((30, 60, 90, 120), 0.0182)]
)
def test_levels_of_pocock(looks, level):
    # Pocock 1977; Jennison and Turnbull 2000, table 2.1 (from memory): two-sided, known variance,
    # 2, 3 and 4 looks. With so many mountings the spread is as good as known.
    assert look_level(2, looks, 0.05, 100_000)[0] == pytest.approx(level, rel=0.03)


@pytest.mark.parametrize(
    ("looks", "level"), [((2, 3, 4), 0.0206), ((2, 3, 4, 5, 6), 0.0144), ((2, 4, 6, 8), 0.0159)]
)
def test_levels_of_four_antennas(looks, level):
    # Simulated before and apart from this code (issue 17): Tukey's limits, pooled spread.
    found, careless = look_level(4, looks)
    assert found == pytest.approx(level, rel=0.02)
    if looks[-1] == 6:
        assert careless == pytest.approx(0.149, abs=0.002)


@pytest.mark.parametrize("kind", ["split", "full"])
def test_each_look_has_whole_rounds_and_is_balanced(kind):
    runs = plan_runs(ANTENNAS, ("Red", "Green"), mountings=4, looks=(2, 3, 4), kind=kind, seed=3)
    each = 1 if kind == "split" else 2
    for number, upto in enumerate((2, 3, 4), 1):
        turns = [r for r in runs if r.look <= number and r.remount]
        assert Counter(r.antenna for r in turns) == dict.fromkeys(ANTENNAS, upto * each)
        places = pd.Series([r.antenna for r in turns]).reset_index()
        assert np.ptp(places.groupby(0)["index"].mean()) <= 1.5


@pytest.mark.parametrize("options", [{"looks": (1, 3)}, {"looks": (3, 2)}, {"looks": (2, 4)}])
def test_looks_that_do_not_rise_to_the_mountings_are_refused(options):
    with pytest.raises(UsageError, match="--looks"):
        plan_runs(ANTENNAS, ("Red",), mountings=3, **options)
    with pytest.raises(UsageError, match="without --reference"):
        plan_runs(ANTENNAS, ("Red",), mountings=3, looks=(2, 3), reference="Fan")


def test_the_table_carries_the_plan(tmp_path):
    plan = Plan(ANTENNAS, ("Red", "Green"), mountings=4, looks=(2, 4), seed=1)
    runs, _ = write_plan(tmp_path, plan)
    assert planned_looks(read_table(runs)) == (2, 4)
    assert "Look\n      1 of 2." in render_sheet(plan, plan.runs(), cautions())
    assert "--looks 2,4 " in render_sheet(plan, plan.runs(), cautions())
    write_plan(tmp_path, Plan(ANTENNAS, ("Red",)), replace=True)
    assert planned_looks(read_table(runs)) == ()


def looked(mountings, looks, levels=LEVELS):
    rows = simulated(levels, mountings, spread=0.3, clip=0.1)
    return compared(rows, looks=looks)


def test_a_look_says_which_it_is_and_whether_to_stop():
    plan = Looks((2, 3, 4))
    clear = looked(3, plan)
    assert finding(clear, "looks").sentence == "Look 2 of 3: Slab is best: you can stop."
    assert clear.confidence == pytest.approx(1 - look_level(4, (2, 3, 4))[0], abs=5e-5)
    alike = dict.fromkeys(ANTENNAS, 30.0)
    assert "record the next round (to 4 mount" in finding(looked(3, plan, alike), "looks").sentence
    assert "the last" in finding(looked(4, plan, alike), "looks").sentence
    assert "beside the plan (3" in finding(looked(3, Looks((2, 4)), alike), "looks").sentence
    assert "next" not in kinds(clear)


def test_the_intervals_are_those_of_the_look():
    alone, one_of_three = looked(3, Looks()), looked(3, Looks((2, 3, 4)))
    wider = one_of_three.pairs["high"] - one_of_three.pairs["difference"]
    assert (wider > 1.1 * (alone.pairs["high"] - alone.pairs["difference"])).all()
    assert "looks" not in kinds(alone)


def test_one_mounting_is_no_look():
    assert looked(1, Looks((2, 3))).confidence == 0.95
    assert Looks(first=1).at(3) == (3,)


def test_looking_without_a_plan_is_noticed_and_stays_noticed(tmp_path):
    def session(name, mountings, antennas=("A", "B", "C", "D")):
        runs = [(a, "P", f"m{m}") for m in range(mountings) for a in antennas]
        made_up_session(tmp_path / name, runs)
        if name != "first":
            for table in ("ranking.csv", "findings.json"):
                shutil.copy(tmp_path / "first/results" / table, tmp_path / name / "results")
        return tmp_path / name

    def compare(folder):
        found = compare_sessions([folder])
        found.write(folder / "results")
        return found

    assert "looks" not in kinds(compare(session("first", 2)))
    later = session("later", 3)
    for _ in range(2):  # what was written last does not hide that it was looked before
        found = compare(later)
        assert "after every mounting from 2 to 6 are false in 14.9 %" in (
            finding(found, "looks").sentence
        )
        assert found.confidence == pytest.approx(1 - look_level(4, (2, 3, 4, 5, 6))[0], abs=5e-5)
    assert first_look(later / "results", ("A", "B", "C", "D")) == 2
    assert first_look(later / "results", ("A", "B", "C")) is None
    (later / "results/findings.json").write_text("{")
    assert first_look(later / "results", ("A", "B", "C", "D")) is None
    assert "looks" not in kinds(compare(session("others", 3, ("A", "B", "C", "E"))))


@pytest.fixture
def at_first_look(tmp_path):
    """A session of two looks, the clips of the first recorded."""
    plan = Plan(("A", "B"), ("P",), mountings=3, looks=(2, 3), seed=1)
    rounds = [(r.antenna, r.port, f"{r.mounting}") for r in plan.runs() if r.look == 1]
    folder = made_up_session(tmp_path / "s", rounds, clip_name="rec{:03d}.mp4")
    named = {(r["antenna"], r["mounting"]): r for r in read_table(folder / "runs.csv").rows}
    runs, _ = write_plan(folder, plan, replace=True)
    return folder, runs, named


def test_clips_are_paired_up_to_the_look_they_reach(at_first_look):
    folder, _, _ = at_first_look
    found = recording_order.match(Session(folder), by="name")
    assert len(found.pairs) == 4 == len(found.runs)
    (folder / "rec004.mp4").touch()
    found = recording_order.match(Session(folder), by="name")
    assert (len(found.runs), found.pairs) == (6, ())


def test_watch_says_at_a_look_whether_to_stop(at_first_look, monkeypatch):
    folder, runs, named = at_first_look
    assert watch._look(folder) == ["The clips of a look are all here: extractor match"]
    monkeypatch.setattr("extractor.pipeline.summarise_session", lambda session: None)
    table = read_table(runs)
    rows = [
        dict(r) | named.get((r["antenna"], r["mounting"]), {}) | {"look": r["look"]}
        for r in table.rows
    ]
    write_table(runs, table.columns, rows)
    (said,) = watch._look(folder)
    assert said.startswith("Look 1 of 2: ")
    # Between looks nothing is said.
    assert compare_sessions([folder]).confidence > 0.96
    for row in rows:
        row["look"] = ""
    write_table(runs, table.columns, rows)
    assert watch._look(folder) == []
    # Then it says how the antennas stand, and nothing as long as they can't.
    (said,) = watch._standing(folder)
    assert said == f"So far: {compare_sessions([folder]).findings[0].sentence}"
    for row in rows:
        row["antenna"] = "A"
    write_table(runs, table.columns, rows)
    assert watch._standing(folder) == []
