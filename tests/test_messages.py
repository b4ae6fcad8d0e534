"""What the tool says where something is missing: true, and it names what helps."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest
from command_line import run
from page_visitor import Visitor
from report_making import made_up_session, truth_session

import extractor
from extractor.cli import app
from extractor.errors import UsageError
from extractor.pipeline import compare_sessions
from extractor.radio.assessment import link_report
from extractor.radio.cautions import session_cautions
from extractor.report.html_report import write_report
from extractor.report.run_sheet import Plan, write_plan
from extractor.results import load, titled
from extractor.session.csv_tables import read_table, write_table
from extractor.session.folder import Session

PACKAGE = Path(extractor.__file__).parent
TWICE = [(name, "Red", str(m)) for m in (1, 2) for name in ("Slab", "Coil")]


def texts():
    """Every text of the package: its strings, its templates, its sentences, the page's scripts."""
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                yield node.value
    for ending in ("*.html", "*.js", "*.toml"):
        yield from (path.read_text() for path in PACKAGE.rglob(ending))


def test_every_command_that_is_named_is_there():
    from typer.main import get_command

    known = set(get_command(app).commands)
    named = {
        m
        for text in texts()
        for m in re.findall(
            r"\(extractor ([a-z]+)|: extractor ([a-z]+)|<code>extractor ([a-z]+)", text
        )
    }
    found = {one for group in named for one in group if one}
    assert {"read", "plan", "match", "compare"} <= found <= known


def test_match_without_clips_says_that_there_are_none(tmp_path):
    write_plan(tmp_path, Plan(("Slab", "Coil"), ("Red",), mountings=1))
    code, _, said = run("match", tmp_path)
    assert code == 2
    assert "no clips here yet" in said
    assert "named in runs.csv already" not in said


@pytest.mark.parametrize("ask", [lambda path: compare_sessions([path]), link_report])
def test_while_the_first_clip_is_read_nothing_is_said_of_fields(tmp_path, ask):
    session = truth_session(tmp_path / "club")
    summary = session / "results" / "summary.csv"
    summary.write_text(summary.read_text().splitlines()[0] + "\n")
    with pytest.raises(UsageError, match=r"holds no run yet; .*extractor read"):
        ask(session)


def test_one_caution_for_report_and_expect(tmp_path):
    session = truth_session(tmp_path / "club")
    said = session_cautions(Session(session))[1].text
    assert (
        "10 mW into 1.5 dBi is 11.5 dBm EIRP" in said
    )  # the mast's antenna, as antennas.csv rates
    assert said in link_report(session).remarks
    page = write_report([session], tmp_path / "out")[0].read_text()
    assert said in page
    assert page.count("dBm EIRP") == 1
    (session / "antennas.csv").unlink()
    assert "10 mW into 12 dBi (what is not given is reckoned high)" in (
        session_cautions(Session(session))[1].text
    )


def test_a_plan_says_that_the_reference_is_put_up_more_often(tmp_path):
    asked = ("plan", tmp_path / "a", "--antennas", "Slab,Coil", "--ports", "Red", "--seed", 1)
    _, said, _ = run(*asked, "--mountings", 2)
    assert "Slab is put up 3 times, the others 2" in said
    assert "Slab is put up 3 times" in (tmp_path / "a" / "results" / "run_sheet.html").read_text()
    _, said, _ = run(*asked, "--mountings", 3, "--replace")
    assert "is put up" not in said


def test_the_sheet_has_room_for_file_and_companions_and_gives_its_own_command(tmp_path):
    plan = Plan(("Big Slab", "Coil"), ("Red", "Green", "Blue"), companions=("Stub", "Whip"), seed=1)
    page = write_plan(tmp_path, plan)[1].read_text()
    assert '<th scope="col">File</th>' in page
    assert "--antennas &#39;Big Slab,Coil&#39;" in page
    assert "--companion Stub,Whip" in page
    assert "Companion antenna" not in page  # they are named
    blank = write_plan(tmp_path / "b", Plan(("Slab", "Coil"), ("Red", "Green", "Blue")))[1]
    assert re.search(r"Companion antennas\s+_{14}\s+_{14}\s+\(the", blank.read_text())


def test_each_companion_leaves_its_port_for_the_antenna_under_test_alone():
    plan = Plan(("Slab", "Coil"), ("Red", "Green", "Blue"), companions=("Stub", "Whip"))
    assert plan.others("Red") == {"Green": "Stub", "Blue": "Whip"}
    assert plan.others("Green") == {"Red": "Stub", "Blue": "Whip"}
    assert plan.others("Blue") == {"Red": "Whip", "Green": "Stub"}


def test_companions_are_one_for_all_or_one_for_each(tmp_path):
    asked = ("plan", tmp_path, "--antennas", "Slab,Coil", "--ports", "Red,Green,Blue,Grey")
    code, _, said = run(*asked, "--companion", "Stub,Whip")
    assert (code, "2 names for 3 other ports" in said) == (2, True)
    assert not (tmp_path / "runs.csv").exists()


def test_one_antenna_alone_is_said_in_words(tmp_path):
    session = made_up_session(tmp_path / "s", [("Slab", "Red", "1"), ("Slab", "Red", "2")])
    with pytest.raises(UsageError, match="only Slab stands in column 'antenna'"):
        compare_sessions([session])
    nobody = made_up_session(tmp_path / "t", TWICE, flags=("unreadable",))
    with pytest.raises(UsageError, match=r"nothing stands in column 'antenna'.*r0 \(no value"):
        compare_sessions([nobody])


def test_the_report_is_called_as_the_session_says(tmp_path):
    session = made_up_session(tmp_path / "evening3", TWICE)
    other = made_up_session(tmp_path / "evening4", TWICE)
    assert load(session).title == "evening3"
    (session / "session.toml").write_text('place = "the boat shed"\n')
    assert "<title>the boat shed" in write_report([session], tmp_path / "out")[0].read_text()
    (other / "session.toml").write_text('place = "the boat shed"\n')
    assert titled([load(session), load(other)]) == "evening3, evening4"
    (other / "session.toml").write_text('place = "the boat shed"\ntitle = "Second evening"\n')
    assert titled([load(session), load(other)]) == "the boat shed, Second evening"


def test_availability_asks_for_the_one_number_that_it_needs(tmp_path):
    session = made_up_session(tmp_path / "s", TWICE)
    overlay, summary = session / "overlay.toml", session / "results" / "summary.csv"
    overlay.write_text(overlay.read_text().replace("ceiling = 40.0\n", ""))
    table = read_table(summary)
    emptied = [dict(r) | {"availability": "", "ceiling": ""} for r in table.rows]
    write_table(summary, table.columns, emptied)
    asked = r"below how many Mbit/s does the link count as out\? Write low = .* 'bitrate'"
    with pytest.raises(UsageError, match=asked):
        compare_sessions([session], measure="availability")
    visitor = Visitor(session)
    try:
        assert visitor.get("/api/results").get_json()["without_low"] == ["bitrate"]
        asked = {"field": "bitrate", "low": 4}
        assert visitor.post("/api/low", asked).status_code == 200
        assert Session(session).fields()[0].low == 4
        assert visitor.post("/api/low", asked | {"low": "x"}).status_code == 400
        assert visitor.post("/api/low", asked | {"field": "no"}).status_code == 404
    finally:
        visitor.close()
    text = "".join(
        line for line in overlay.read_text().splitlines(True) if not line.startswith("low")
    )
    overlay.write_text(text + 'better = "lower"\n')
    with pytest.raises(UsageError, match="no meaning for 'bitrate'"):
        compare_sessions([session], measure="availability")
