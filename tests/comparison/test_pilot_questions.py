"""What a pilot asks: dropouts by name, ports by role, one line at the head."""

from __future__ import annotations

import math
from dataclasses import replace

import pandas as pd
import pytest
from comparison_making import compared, finding, five_by_hand, scenario, simulated
from report_making import made_up_session, truth_session

from extractor.comparison.findings import (
    MOST_NAMED,
    MOST_WORDS,
    QUESTIONS,
    Finding,
    by_question,
    headline,
)
from extractor.comparison.lost_links import lost_findings
from extractor.pipeline import compare_sessions
from extractor.results import load
from extractor.session.csv_tables import read_table, write_table
from extractor.statistics.dropouts import events
from extractor.tabulation.link_events import LinkEvent, link_events

TWICE = [(name, "Red", str(m)) for m in (1, 2) for name in ("Slab", "Twig")]


def series(flags, value=30.0):
    """Ten samples a second, a letter each: . a number, 0 next to nothing, - h f as flags."""
    names = {"-": "no_link", "h": "hidden", "f": "frozen", "u": "unreadable"}
    kept = [names.get(sign, "ok") for sign in flags]
    values = [0.5 if s == "0" else value if s in ".f" else math.nan for s in flags]
    times = [i / 10 for i in range(len(flags))]
    return pd.DataFrame({"time_s": times, "value": values, "since_s": times, "flag": kept})


def seen(flags, low=4.0):
    found = events(series(flags), low)
    return [(e.kind, round(e.start_s, 2), round(e.length_s, 2)) for e in found]


def test_what_happened_to_a_link_is_found_with_its_moment():
    assert seen("." * 30) == []
    assert seen("." * 10 + "-" * 22 + "." * 10) == [("lost", 1.0, 2.2)]
    assert seen("." * 10 + "0" * 5 + "." * 10) == [("lost", 1.0, 0.5)]
    assert seen("." * 10 + "0" * 5 + "." * 10, low=math.nan) == []  # nobody said what is low
    assert seen("." * 10 + "-" * 5 + "." * 10, low=math.nan) == [("lost", 1.0, 0.5)]
    assert seen("." * 10 + "--" + "." * 10) == []  # shorter than 0.3 s
    assert seen("." * 10 + "h" * 60 + "." * 10) == [("hidden", 0.95, 6.0)]
    assert seen("." * 10 + "h" * 9 + "." * 10) == []  # under a second
    assert seen("." * 10 + "f" * 15 + "." * 10) == [("frozen", 0.95, 1.5)]


def test_a_lost_link_is_named_whatever_the_comparison_counts_by(tmp_path):
    session = truth_session(tmp_path / "club")
    for measure in ("mean", "median", "p05"):
        found = finding(compare_sessions([session], measure=measure), "events")
        assert found.sentence.startswith("Stub lost the link twice, for up to 1.4 s; with Coil")
    assert found.question == "Did any link drop out?"
    longest = found.moments[0]
    assert (longest.clip, longest.text) == ("stub_m2_green.mp4", "Stub: link lost, 1.4 s")
    assert longest.time_s == pytest.approx(8.4, abs=0.15)  # as make.py planted it


def test_events_of_a_split_run_stand_in_their_own_clip(tmp_path):
    session = made_up_session(tmp_path / "s", TWICE, length=60)
    runs = read_table(session / "runs.csv")
    rows = [dict(r) for r in runs.rows]
    rows[0]["clip"] = "clip000.mp4;clip001.mp4"
    write_table(session / "runs.csv", runs.columns, [rows[0], *rows[2:]])
    summary = read_table(session / "results" / "summary.csv")
    rows = [dict(r) for r in summary.rows]
    rows[0]["clip"] = "clip000.mp4;clip001.mp4"
    write_table(session / "results" / "summary.csv", summary.columns, [rows[0], *rows[2:]])
    path = session / "results" / "readings" / "clip001.csv"
    readings = read_table(path)
    lost = [dict(r) for r in readings.rows]
    for row in lost[20:30]:
        row |= {"bitrate": "", "bitrate_flag": "no_link"}
    write_table(path, readings.columns, lost)
    (event,) = link_events(load(session), "bitrate")
    assert (event.kind, event.clip) == ("lost", "clip001.mp4")
    assert event.time_s == pytest.approx(2.0, abs=0.06)


def test_few_words_for_many_dropouts():
    def event(name, length, kind="lost"):
        return LinkEvent(kind, "s", name, name, f"{name}.mp4", 1.0, length)

    def said(*found):
        return lost_findings(found, "4 Mbit/s")[0].sentence

    assert said() == "No link dropped out."
    assert said(event("Twig", 2.2)) == "Twig lost the link once, for 2.2 s."
    assert said(event("Twig", 6.0, "hidden")) == (
        "No link dropped out; with Twig the overlay was hidden once, for 6.0 s."
    )
    many = [event(f"A{i}", 1.0 + i) for i in range(6)]
    assert said(*many) == "6 antennas lost the link, A5 for the longest, 6.0 s."
    assert "set low in overlay.toml" in lost_findings([], "")[0].how_we_know


def ported(role_red="", role_green="", effect=1.5, **more):
    rows = scenario(port_effect=effect)
    roles = {"Red": role_red, "Green": role_green}
    rows["port_role"] = rows["port"].map(roles)
    return compared(rows, **more)


@pytest.mark.parametrize("effect", [1.5, -1.5])
def test_the_best_antenna_goes_on_the_port_that_only_receives(effect):
    found = finding(ported("rxtx", "rx", effect), "port_choice").sentence
    assert found.startswith("Hang Slab on Green, which only receives; Red also transmits")
    better = "Green" if effect > 0 else "Red"
    assert f"By the clips {better} reads" in found  # said beside, whichever it favours
    assert "port_role" not in found


def test_without_roles_the_better_port_and_the_question():
    found = finding(ported(), "port_choice").sentence
    assert found == (
        "Hang Slab on Green. Whether Green or Red also transmits is not said: fill port_role."
    )
    same = finding(ported("rx", "rx", 0.0), "port_choice").sentence
    assert same == "Which port takes which antenna makes no difference that these clips could see."
    # Of a delay the lower port is the better one.
    lower = finding(ported("rx", "rx", better="lower"), "port_choice").sentence
    assert lower.endswith("on Red.")


def test_the_headline_is_one_line():
    levels = {f"Antenna {i}": 30.0 - i for i in range(12)}
    tables = [scenario(), five_by_hand(), simulated(levels, 3), simulated(levels, 1)]
    for rows in (*tables, scenario().assign(value=30.0)):
        for better in ("higher", "lower", None):
            said = headline(compared(rows, better=better).findings)
            assert 3 < len(said.split()) <= MOST_WORDS, said
            assert said[-1] in ".?"


def test_no_sentence_lists_twelve_antennas_or_their_pairs():
    levels = {f"Antenna {i}": 30.0 - i for i in range(12)}
    first, second = simulated(levels, 1), simulated(levels, 1, session="two", seed=1)
    found = compared(first.assign(ceiling_share=0.6, coverage=0.4))
    joined = compared(pd.concat([first, second], ignore_index=True))
    said = [finding(found, k).sentence for k in ("inner_differences", "ceiling", "thin_clips")]
    for sentence in (*said, finding(joined, "link").sentence):
        assert sentence.count("Antenna") <= MOST_NAMED
    assert "of 66 pairs (pairs.csv)" in said[0]
    assert "12 antennas (ranking.csv). The mean of 12 of them is a lower bound" in said[1]
    assert "24 runs (summary.csv)" in said[2]


def test_few_antennas_are_named():
    rows = simulated({"A": 30.0, "B": 28.0, "C": 20.0}, 1)
    said = finding(compared(rows.assign(ceiling_share=0.3)), "ceiling").sentence
    assert "up to 30 % of a clip: A in 2 of 2 clips, B in 2 of 2 clips and C in" in said
    assert "The mean of A, B and C is a lower bound" in said
    inner = finding(compared(rows), "inner_differences").sentence
    assert "beyond it are A over B, A over C and B over C." in inner


def test_the_unit_of_the_pairs_stands_once():
    rows = simulated({"A": 40.0, "B": 30.0, "C": 20.0}, 3, spread=0.1, clip=0.1)
    found = finding(compared(rows), "pairs")
    assert found.sentence.count("Mbit/s") == 1
    assert "(Tukey-Kramer)" in found.how_we_know
    against = finding(compared(rows, reference="B"), "pairs")
    assert against.how_we_know.endswith("together (Dunnett).")


def test_every_finding_answers_one_question():
    found = compared(scenario()).findings
    grouped = by_question(found)
    assert list(grouped) == [q for q in QUESTIONS if q in grouped]
    assert sorted(map(id, found)) == sorted(id(f) for own in grouped.values() for f in own)
    doubt = Finding("doubted_digits", "8 was never read.", "So.")
    assert next(iter(by_question([*found, doubt]))) == "Mind this first"
    assert replace(doubt, kind="something new").question == "How sure is that?"
