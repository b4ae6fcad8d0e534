"""Planning on the page, and which clip is which run."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from page_visitor import Visitor
from recording_making import START, record
from report_making import made_up_session

from extractor.report.run_sheet import Plan, sizes
from extractor.session import sessions
from extractor.session.folder import Session
from extractor.statistics.power import Spreads

ASKED = {
    "antennas": ["Slab", "Coil", "Stub"],
    "ports": ["Red", "Green"],
    "companions": ["Mast"],
    "mountings": 2,
    "repeats": 1,
    "kind": "listed",
    "reference": "",
}


@pytest.fixture
def visitor(tmp_path: Path) -> Iterator[Visitor]:
    folder = tmp_path / "evening"
    folder.mkdir()
    made = Visitor(folder)
    yield made
    made.close()


def rows(visitor: Visitor) -> list[dict[str, str]]:
    with (visitor.desk.root / "runs.csv").open() as stream:
        return list(csv.DictReader(stream))


def recorded(visitor: Visitor, *more: tuple[str, float, float]) -> None:
    """Twelve clips, a port a minute, an antenna ten; `more` are name, minute, seconds."""
    clips = [(f"REC{2 * i:04d}.mp4", 10.0 * (i // 2) + i % 2, 2.0) for i in range(12)]
    for name, minute, seconds in [*clips, *more]:
        record(visitor.desk.root / name, START + timedelta(minutes=minute), seconds=seconds)


def ok(answer: Any) -> Any:
    assert answer.status_code == 200, answer.get_json()
    return answer.get_json()


def test_clips_without_a_plan_become_runs_in_the_order_told(visitor: Visitor) -> None:
    recorded(visitor)
    size = ok(visitor.post("/api/plan/size", ASKED))
    assert size["clips"] == 12
    ok(visitor.post("/api/plan", ASKED))
    found = ok(visitor.post("/api/match", {"by": ""}))
    assert (found["by"], found["questions"], found["doubts"]) == ("created", [], [])
    ok(visitor.post("/api/match/fill", {"by": "", "answers": found["answers"]}))
    made = [(r["clip"], r["antenna"], r["port"], r["mounting"], r["order"]) for r in rows(visitor)]
    assert made[0] == ("REC0000.mp4", "Slab", "Red", "1", "1")
    assert made[3] == ("REC0006.mp4", "Coil", "Green", "1", "4")
    assert made[-1] == ("REC0022.mp4", "Stub", "Green", "2", "12")
    # What nobody planned nobody knows: neither spot nor battery pack.
    assert {(r["position"], r["battery"]) for r in rows(visitor)} == {("", "")}
    assert rows(visitor)[1]["others"] == "Red=Mast"


def test_what_does_not_fit_is_proposed_and_written_only_when_answered(visitor: Visitor) -> None:
    recorded(visitor, ("REC0001.mp4", 0.5, 0.6), ("REC0007.mp4", 31.0 - 20, 2.0))
    ok(visitor.post("/api/plan", ASKED))
    found = ok(visitor.post("/api/match", {"by": ""}))
    assert "REC0001.mp4" in [f["clip"] for f in found["skipped"]]
    assert [f["mark"] for f in found["skipped"] if f["clip"] == "REC0001.mp4"] == ["short"]
    assert len(found["pairs"]) == 12
    assert not any(r["clip"] for r in rows(visitor))
    for body in ({"by": ""}, {"by": "", "answers": None}, {"by": "", "answers": {}}):
        assert visitor.post("/api/match/fill", body).status_code == 400
    unanswered = {"skip": [], "missing": [], "join": []}
    asked = ok(visitor.post("/api/match", {"by": "", "answers": unanswered}))
    assert "12 planned runs, 14 recordings" in asked["questions"][0]
    assert visitor.post("/api/match/fill", {"by": "", "answers": unanswered}).status_code == 400
    answers = {"skip": ["REC0001.mp4", "REC0007.mp4"], "missing": [], "join": []}
    ok(visitor.post("/api/match/fill", {"by": "", "answers": answers}))
    aside = {r["clip"]: r["use"] for r in rows(visitor) if r["use"]}
    assert aside == {"REC0001.mp4": "no", "REC0007.mp4": "no"}
    assert len(Session(visitor.desk.root).measured) == 12


def test_a_plan_never_takes_the_place_of_a_table_unasked(visitor: Visitor) -> None:
    recorded(visitor)
    (visitor.desk.root / "runs.csv").write_text("run,clip,antenna\nx,REC0000.mp4,Mine\n")
    assert visitor.post("/api/plan", ASKED).status_code == 400
    assert rows(visitor)[0]["antenna"] == "Mine"
    ok(visitor.post("/api/plan", ASKED | {"replace": True}))
    assert len(rows(visitor)) == 12


@pytest.mark.parametrize(
    "wrong",
    [
        {"antennas": ["A"]},
        {"antennas": "A,B"},
        {"antennas": ["A", "A"]},
        {"antennas": [5, "A"]},
        {"ports": []},
        {"kind": "other"},
        {"reference": "Slab"},
        {"mountings": 0},
        {"mountings": None},
        {"companions": ["a", "b", "c"]},
    ],
)
def test_a_plan_that_cannot_be_is_refused(visitor: Visitor, wrong: dict[str, Any]) -> None:
    for route in ("/api/plan", "/api/plan/size"):
        assert visitor.post(route, ASKED | wrong).status_code == 400
    assert not (visitor.desk.root / "runs.csv").exists()


def test_the_next_round_plans_with_what_the_first_had(visitor: Visitor) -> None:
    ok(visitor.post("/api/plan", ASKED))
    second = Visitor(sessions.next_round(visitor.desk.session()))
    found = ok(second.get("/api/plan"))
    told = {key: found[key] for key in ("antennas", "ports", "companions", "mountings", "before")}
    assert told == {
        "antennas": ["Slab", "Coil", "Stub"],
        "ports": ["Red", "Green"],
        "companions": ["Mast"],
        "mountings": 2,
        "before": "evening",
    }
    assert ok(Visitor(visitor.desk.root.parent).get("/api/plan"))["antennas"] == []
    second.close()


def test_a_difference_says_how_many_rounds_both_questions_need(visitor: Visitor) -> None:
    plan = Plan(("Slab", "Coil", "Stub"), ("Red", "Green"))
    antennas, ports = sizes(plan, 2.0, Spreads(1.0, 0.5))
    assert antennas.question == "antennas"
    assert ports.mountings < antennas.mountings
    assert ports.clips == 6 * ports.mountings
    # Nothing is known of ports where no mounting had two clips, nor where each port is a mounting.
    assert [s.question for s in sizes(plan, 2.0, Spreads(1.0, 0.0))] == ["antennas"]
    asked = ASKED | {"kind": "split", "detect": 2.0, "sd": 1.0, "clip_sd": 0.5, "unit": "Mbit/s"}
    said = ok(visitor.post("/api/plan/size", asked))["sentences"]
    assert said == [s.sentence("2 Mbit/s") for s in (antennas, ports)]
    assert f"{antennas.mountings} mountings of each antenna" in said[0]
    huge = ok(visitor.post("/api/plan/size", asked | {"sd": 50.0}))["sentences"][0]
    assert "can't be told apart with a bearable number" in huge


def test_rounds_are_compared_together_when_asked(tmp_path: Path) -> None:
    flown = [(a, p, str(m)) for m in (1, 2) for a in ("Slab", "Coil") for p in ("Red", "Green")]
    made_up_session(tmp_path / "club", flown)
    second = made_up_session(tmp_path / "club round 2", flown)
    (second / "session.toml").write_text('round_of = "club"\n')
    visitor = Visitor(second)
    assert visitor.session()["rounds"] == ["club"]
    runs = []
    for together in (False, True):
        ok(visitor.post("/api/compare", {"rounds": together}))
        visitor.wait_for(lambda s: s["tasks"]["compare"]["state"] == "done")
        with (second / "results" / "ranking.csv").open() as stream:
            runs.append({row["antenna"]: int(float(row["runs"])) for row in csv.DictReader(stream)})
    assert runs == [{"Slab": 4, "Coil": 4}, {"Slab": 8, "Coil": 8}]
    assert not (tmp_path / "club" / "results" / "ranking.csv").exists()
    visitor.close()
