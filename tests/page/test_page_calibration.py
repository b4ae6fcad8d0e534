"""Calibration with a mouse: antennas described, steps planned, recorded, and told in dB."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

import pytest
from page_visitor import Visitor, served
from report_making import made_up_session
from test_page_browser import Browser
from test_page_browser import pytestmark as in_a_browser

from extractor.errors import UsageError
from extractor.pipeline import compare_sessions
from extractor.report.step_sheet import STEPS_DB, write_steps
from extractor.session.csv_tables import read_table, write_table
from extractor.session.folder import Session

RUNS = [(name, "Red", str(m)) for m in (1, 2) for name in ("Slab", "Twig")]


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.fixture
def club(tmp_path: Path) -> Path:
    return made_up_session(tmp_path / "club", RUNS)


@pytest.fixture
def visitor(club: Path) -> Iterator[Visitor]:
    made = Visitor(club)
    yield made
    made.close()


def record(session: Path) -> None:
    """Give the planned steps clips and numbers: as if they had been recorded, matched and read."""
    runs, summary = (read_table(session / name) for name in ("runs.csv", "results/summary.csv"))
    planned = [dict(row) for row in runs.rows]
    read = [dict(row) for row in summary.rows]
    for row in (row for row in planned if row["run"].startswith("step")):
        row["clip"] = f"{row['run']}.mp4"
        (session / row["clip"]).touch()
        level = 36.0 - 0.08 * float(row["attenuation_db"]) ** 2 + 0.1 * (float(row["order"]) % 3)
        own = {"run": row["run"], "clip": row["clip"], "antenna": "Slab", "port": "Red"}
        own |= {"mounting": "steps", "order": row["order"], "mean": f"{level:.2f}"}
        read.append(read[0] | own)
    write_table(session / "runs.csv", runs.columns, planned)
    write_table(session / "results" / "summary.csv", summary.columns, read)


def test_steps_are_planned_up_and_down_with_a_sheet(club: Path) -> None:
    runs, sheet = write_steps(club, "Slab")
    planned = [row for row in rows_of(runs) if not row["clip"]]
    assert [float(row["attenuation_db"]) for row in planned] == list(STEPS_DB)
    assert {(row["antenna"], row["port"], row["padded"]) for row in planned} == {
        ("Slab", "Red", "transmitter")
    }
    assert [row["order"] for row in planned] == [str(i) for i in range(5, 16)]  # after the four
    text = sheet.read_text()
    assert text.count("&#9744;") + text.count("\N{BALLOT BOX}") == len(STEPS_DB)
    for needed in ("at the transmitter", "Lithium", "rated for that power", ">File<"):
        assert needed in text
    with pytest.raises(UsageError, match="planned already"):
        write_steps(club, "Slab")


def refused(club: Path, antenna: str = "Slab", padded: str = "transmitter") -> str:
    before = (club / "runs.csv").read_bytes()
    with pytest.raises(UsageError) as caught:
        write_steps(club, antenna, padded)  # type: ignore[arg-type]
    assert (club / "runs.csv").read_bytes() == before
    assert not (club / "results" / "step_sheet.html").exists()
    return str(caught.value)


def test_steps_are_refused_where_they_tell_nothing_or_harm(club: Path) -> None:
    assert "no run of 'Nobody'" in refused(club, "Nobody")
    assert "nothing says that Red only receives" in refused(club, padded="all")
    assert "not 'pocket'" in refused(club, padded="pocket")
    overlay = club / "overlay.toml"
    text = overlay.read_text()
    overlay.write_text(text + "low = 15.0\n")
    assert "nothing is left to step down" in refused(club)
    overlay.write_text(text.replace("ceiling = 40.0\n", "") + 'better = "lower"\n')
    assert "'bitrate' does not" in refused(club)
    overlay.write_text(text)
    table = read_table(club / "runs.csv")
    receiving = [dict(row) | {"port_role": "rx"} for row in table.rows]
    write_table(club / "runs.csv", (*table.columns, "port_role"), receiving)
    write_steps(club, "Slab", "all")  # now it is said


def test_an_antenna_is_edited_and_checked(visitor: Visitor, club: Path) -> None:
    def edit(column: str, old: str, new: str) -> int:
        asked = {"antenna": "Slab", "column": column, "old": old, "new": new}
        return int(visitor.post("/api/antenna", asked).status_code)

    assert list(visitor.get("/api/antennas").get_json()["antennas"]) == ["Slab", "Twig"]
    assert edit("kind", "", "panel") == 200
    assert edit("gain_dbi", "", "11") == 200
    assert edit("gain_dbi", "", "12") == 409  # somebody else wrote 11
    assert edit("gain_dbi", "11", "much") == 400
    assert edit("gain_dbi", "11", "99") == 400
    assert edit("colour_of_box", "", "red") == 400
    assert edit("gain_dbi", "11", "") == 200  # unknown again
    (row,) = rows_of(club / "antennas.csv")
    assert (row["antenna"], row["kind"], row["gain_dbi"]) == ("Slab", "panel", "")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    made = Browser()
    yield made
    made.driver.quit()


@in_a_browser[0]
@in_a_browser[1]
def test_a_calibration_with_a_mouse(browser: Browser, club: Path) -> None:
    with served(club) as (_, address):
        browser.enter(address)
        browser.press('a[data-tab="antennas"]')
        kind = 'select[data-antenna="Slab"][data-column="kind"]'
        browser.press(f'{kind} option[value="helix"]')
        browser.wait(lambda: browser.all('input[data-antenna="Slab"][data-column="turns"]'))
        assert not browser.all('input[data-antenna="Slab"][data-column="width_mm"]')
        browser.fill('input[data-antenna="Slab"][data-column="gain_dbi"]', "12")
        browser.fill('input[data-antenna="Twig"][data-column="gain_dbi"]', "2.15")
        browser.wait(lambda: len(rows_of(club / "antennas.csv")) == 2)
        browser.press('#step-place option[value="all"]')
        browser.press("#plan-steps")
        browser.wait(lambda: "may come into a line that transmits" in browser.text("#toasts"))
        browser.press('#step-place option[value="transmitter"]')
        browser.press("#plan-steps")
        assert "11 steps are planned with Slab, 0 of them recorded" in browser.text(
            "#steps-planned"
        )
        assert "may come into a line" not in browser.text("body")  # settled
        record(club)
        browser.go("results")
        browser.press("#compare")
        browser.wait(lambda: browser.all("#bold"), 120)
        assert browser.text("#bold") in compare_sessions([club]).text()
        browser.press(".question summary")
        assert "dB" in browser.text(".question")
        browser.press("#expected summary")
        browser.wait(lambda: browser.all("#expected table"), 60)
        assert "Twig" in browser.text("#expected")
        # The refused pads are the only request that went wrong.
        assert all("/api/steps" in complaint for complaint in browser.complaints())
    assert len(Session(club).runs()) == len(RUNS) + len(STEPS_DB)
