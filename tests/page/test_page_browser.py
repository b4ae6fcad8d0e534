"""The whole job with a mouse, in a real browser, on copies of sample clips."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from page_browser import MARKS, Browser, Keys, table
from page_visitor import served

from extractor.radio.cautions import cautions
from extractor.session.folder import Session

pytestmark = MARKS
SAMPLES = Path(__file__).parents[2] / "sample_clips"
CLIPS = ("slab_m1_red.mp4", "slab_m2_red.mp4", "stub_m1_red.mp4", "stub_m2_red.mp4")
#: Where make.py draws the bitrate: x, y, width, height in the 1600x900 picture.
BOX = (668, 20, 147, 53)
HOSTILE = "<img src=x onerror=window.hit=1>"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    made = Browser()
    yield made
    made.driver.quit()


def truth(clip: str, time_s: float) -> str:
    rows = table(SAMPLES / "truth" / f"{Path(clip).stem}.csv")
    return next(
        r["bitrate"] for r in rows if float(r["start_s"]) <= time_s + 1e-3 < float(r["end_s"])
    )


def test_from_a_folder_of_clips_to_the_ranking(browser: Browser, tmp_path: Path) -> None:
    folder = tmp_path / "boat club"
    folder.mkdir()
    for name in CLIPS:
        shutil.copy(SAMPLES / name, folder)
    with served(folder) as (_, address):
        browser.enter(address)
        fill_the_table(browser, folder)
        mark_by_dragging(browser, folder)
        read_and_watch(browser, folder)
        what_was_asked_last_stands(browser)
        correct_by_keyboard(browser, folder)
        edit_an_antenna(browser, folder)
        set_start_and_end(browser, folder)
        find_it_all_after_a_reload(browser)
        compare(browser, folder)
        make_the_report(browser, folder)
        find_the_cautions(browser)
        assert browser.complaints() == []
        leave_nobody_out(browser)


def leave_nobody_out(browser: Browser) -> None:
    """Hold every view, light and dark, narrow and wide, against the rules of axe-core (WCAG 2)."""
    rules = files("axe_core_python").joinpath("axe.min.js").read_text(encoding="utf-8")
    found = []
    for scheme, width in (("light", 1280), ("dark", 390)):
        features = [{"name": "prefers-color-scheme", "value": scheme}]
        browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
        browser.driver.set_window_size(width, 900)
        for view in [
            link.get_attribute("href").partition("#/")[2] for link in browser.all("nav a")
        ]:
            browser.go(view)
            time.sleep(0.5)  # what fades in has its colours then
            browser.driver.execute_script(rules)
            told = browser.driver.execute_async_script("axe.run().then(arguments[0])")
            found += [
                (scheme, width, view, broken["id"], node["html"][:120])
                for broken in told["violations"]
                for node in broken["nodes"]
            ]
    assert found == []


def fill_the_table(browser: Browser, folder: Path) -> None:
    browser.wait(lambda: len(browser.all("table.clips tbody tr")) == 4)
    browser.press("#checked")
    browser.wait(lambda: not browser.all("#checked"))
    rows = table(folder / "runs.csv")
    assert [(r["antenna"], r["mounting"]) for r in rows] == [
        ("Slab", "1"),
        ("Slab", "2"),
        ("Stub", "1"),
        ("Stub", "2"),
    ]
    assert {r["notes"] for r in rows} == {""}


def mark_by_dragging(browser: Browser, folder: Path) -> None:
    browser.go("mark")
    browser.wait(lambda: browser.one(".stage image").get_attribute("href"))
    time_s = float(browser.one(".tools input[type=range]").get_attribute("value"))
    x, y, width, height = BOX
    browser.drag(".stage", (x, y), (x + width, y + height))
    read = browser.one("#read-here")
    assert read.text == truth(CLIPS[0], time_s)
    before = browser.one("rect.box").get_attribute("x")
    browser.keys(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, Keys.ARROW_LEFT)
    assert int(browser.one("rect.box").get_attribute("x")) == int(before) + 1
    browser.wait(lambda: len(browser.all(".look img")) == 10)
    shown = [e.text for e in browser.all(".look b")]
    assert sum(one.replace(".", "").isdigit() for one in shown) >= 8, shown
    browser.press("#save")
    browser.wait(lambda: (folder / "overlay.toml").exists())
    (item,) = Session(folder).overlay().fields
    assert (item.name, item.unit, item.frame) == ("bitrate", "Mbit/s", (1600, 900))
    assert [abs(a - b) <= 3 for a, b in zip(item.box.as_list(), BOX, strict=True)] == [True] * 4
    # A rectangle that reads nothing takes its place only when that is insisted on.
    browser.wait(lambda: "Saved" in browser.text("body"))
    browser.wait(lambda: "Remove" in browser.text("body"))
    good = (folder / "overlay.toml").read_bytes()
    browser.drag(".stage", (100, 600), (260, 660))
    browser.press("#save")
    browser.wait(lambda: browser.all("#insist"))
    assert (folder / "overlay.toml").read_bytes() == good
    assert all("428" in one for one in browser.complaints())  # the browser logs the refusal


def read_and_watch(browser: Browser, folder: Path) -> None:
    browser.go("read")
    browser.press("#start")
    seen: set[str] = set()

    def done() -> bool:
        seen.update(e.text for e in browser.all("table.reading td:nth-child(4)"))
        return "Every clip is read" in browser.text()

    browser.wait(done, 120)
    assert {"reading", "done"} <= seen
    rows = table(folder / "results" / "summary.csv")
    assert [r["antenna"] for r in rows] == ["Slab", "Slab", "Stub", "Stub"]
    assert all(float(r["coverage"]) > 0.8 for r in rows)


def what_was_asked_last_stands(browser: Browser) -> None:
    """The series of one clip, answered late, must not stand under the name of another."""

    def choose(clip: str) -> None:
        browser.driver.execute_script(
            "const one = document.querySelector('#series-clip'); one.value = arguments[0];"
            "one.dispatchEvent(new Event('change'));",
            clip,
        )

    def first_value(clip: str) -> str:
        choose(clip)
        browser.wait(lambda: browser.all("#seen-value"))
        return browser.text("#seen-value")

    browser.go(f"series?clip={CLIPS[0]}")
    browser.wait(lambda: browser.all("#seen-value"))
    assert browser.text("#seen-value") != (own := first_value(CLIPS[-1]))
    browser.driver.execute_script(
        "const ask = window.fetch; window.fetch = (path, how) => path.startsWith('/api/series')"
        " && path.includes(arguments[0]) ? new Promise((give) => { window.release = () =>"
        " ask(path, how).then(give); }) : ask(path, how);",
        CLIPS[0],
    )
    choose(CLIPS[0])
    assert first_value(CLIPS[-1]) == own
    browser.driver.execute_script("window.release()")
    time.sleep(1)
    assert browser.text("#seen-value") == own
    browser.driver.refresh()


def correct_by_keyboard(browser: Browser, folder: Path) -> None:
    browser.go("check?mode=sample")
    first = browser.one(".card.now")
    clip = first.find_element("css selector", "a").text.split()[0]
    browser.wait(lambda: browser.one(".card.now img").get_property("naturalWidth"))
    browser.keys("1", "2", ".", "5", Keys.ENTER)
    browser.keys(Keys.ENTER, "x")
    browser.wait(lambda: "1 wrong of 2 judged" in browser.text("#proof"))
    browser.keys("u")

    def corrected() -> list[tuple[str, str, str]]:
        rows = table(folder / "corrections.csv")
        return [(r["clip"], r["field"], r["value"]) for r in rows]

    # The file is the truth; what the page says may be a moment ahead of it.
    browser.wait(lambda: corrected() == [(clip, "bitrate", "12.5")])

    def counted() -> bool:
        rows = table(folder / "results" / "summary.csv")
        return [r["n_corrected"] for r in rows if r["clip"] == clip] == ["1"]

    browser.wait(counted)


def css_of(clip: str, column: str) -> str:
    return f'input[data-cell="run:{clip.removesuffix(".mp4")}|{column}"]'


def cell(browser: Browser, clip: str, column: str) -> Any:
    return browser.one(css_of(clip, column))


def edit_an_antenna(browser: Browser, folder: Path) -> None:
    browser.go("clips")

    def written(row: int) -> bool:
        return table(folder / "runs.csv")[row]["antenna"] == "Stick"

    for row, name in enumerate(CLIPS[2:], 2):
        browser.fill(css_of(name, "antenna"), "Stick")
        browser.wait(lambda row=row: written(row))
    antennas = [r["antenna"] for r in table(folder / "runs.csv")]
    assert antennas == ["Slab", "Slab", "Stick", "Stick"]


def set_start_and_end(browser: Browser, folder: Path) -> None:
    browser.go(f"series?clip={CLIPS[1]}")
    browser.wait(lambda: browser.all(".chart path.line[d^=M]"))
    width = browser.one(".chart").size["width"]
    browser.drag(".chart", (width * 0.3, 100), (width * 0.8, 120))
    browser.press(".set-span")
    browser.wait(lambda: table(folder / "runs.csv")[1]["end_s"])
    row = table(folder / "runs.csv")[1]
    assert 2 < float(row["start_s"]) < 6 < float(row["end_s"]) < 13


def find_it_all_after_a_reload(browser: Browser) -> None:
    browser.go("clips")
    browser.driver.refresh()
    assert cell(browser, CLIPS[2], "antenna").get_attribute("value") == "Stick"
    assert float(cell(browser, CLIPS[1], "start_s").get_attribute("value")) > 2
    assert browser.text("nav").count("4/4") == 1
    browser.go("mark")
    assert browser.one(".fields [aria-pressed=true]").text == "bitrate"
    browser.go("check?mode=sample")
    assert "1 wrong of 2 judged" in browser.text("#proof")


def compare(browser: Browser, folder: Path) -> None:
    browser.go("results")
    browser.press("#compare")
    browser.wait(lambda: browser.all("#ranking tbody tr"), 120)
    names = [e.text for e in browser.all("#ranking tbody th")]
    assert names == ["Slab", "Stick"]
    assert (folder / "results" / "ranking.csv").exists()
    assert browser.all(".question")
    assert browser.text("#bold")
    # Another choice: what stands there is marked as old until it is compared again.
    assert "choice before" not in browser.text()
    browser.press('select[aria-label="measure"] option[value="p05"]')
    assert "results of the choice before (bitrate, mean" in browser.text()
    assert browser.all(".results.old")
    browser.press('select[aria-label="measure"] option[value=""]')
    browser.press("#compare")
    browser.wait(lambda: not browser.all(".results.old"))
    assert "choice before" not in browser.text()


def find_the_cautions(browser: Browser) -> None:
    browser.go("help")
    browser.wait(lambda: len(browser.all("#cautions dt")) == len(cautions()))
    browser.wait(lambda: "Tukey-Kramer" in browser.text("#words"))
    assert cautions()[1].text in browser.text("main")


def make_the_report(browser: Browser, folder: Path) -> None:
    browser.go("results")
    browser.press("#report")
    link = 'a.button[href*="report.html"]'
    browser.wait(lambda: browser.all(link), 120)
    assert (folder / "results" / "report.html").exists()
    browser.press(link)
    first, second = browser.wait(
        lambda: len(browser.driver.window_handles) == 2 and browser.driver.window_handles
    )
    browser.driver.switch_to.window(second)
    assert browser.text("h1") == "boat club"
    assert "Slab" in browser.text("body")
    assert browser.complaints() == []
    browser.driver.close()
    browser.driver.switch_to.window(first)


def test_markup_in_names_is_shown_not_run(browser: Browser, tmp_path: Path) -> None:
    folder = tmp_path / "<b>club"
    folder.mkdir()
    shutil.copy(SAMPLES / CLIPS[0], folder)
    (folder / f"{HOSTILE}.mp4").write_bytes(b"no video")
    (folder / "runs.csv").write_text(f'run,clip,antenna\n"{HOSTILE}",{CLIPS[0]},"{HOSTILE}"\n')
    shutil.copy(SAMPLES / "overlay.toml", folder)
    with served(folder) as (_, address):
        browser.enter(address)
        browser.wait(lambda: "failed" in browser.text())
        assert HOSTILE in browser.text()
        assert browser.text("h1") == "<b>club"
        assert cell(browser, HOSTILE, "antenna").get_attribute("value") == HOSTILE
        for view in ("mark", "read", "check", "series", "results", "help"):
            browser.go(view)
            time.sleep(0.2)
        assert browser.driver.execute_script("return window.hit") is None
        assert browser.driver.execute_script("return document.cookie") == ""


NARROW = """const wide = document.documentElement.clientWidth;
    return [...document.querySelectorAll("main *, header *")].filter((one) => {
      const at = one.getBoundingClientRect();
      return at.right > wide + 1 && at.width && !one.closest(".scroll,.unseen,svg");
    }).length;"""


def test_nothing_covers_or_cuts_what_one_looks_at(browser: Browser, tmp_path: Path) -> None:
    for name in CLIPS[:2]:
        shutil.copy(SAMPLES / name, tmp_path)
    shutil.copy(SAMPLES / "overlay.toml", tmp_path)
    run = browser.driver.execute_script
    with served(tmp_path) as (_, address):
        browser.enter(address)
        browser.wait(lambda: len(browser.all("table.clips tbody tr")) == 2)
        # Tabs that are drawn anew under a pointer cannot be clicked.
        run("document.querySelector('nav a').mine = true")
        time.sleep(1.5)
        assert run("return document.querySelector('nav a').mine")
        browser.driver.set_window_size(390, 700)
        for view in ("clips", "plan", "mark", "read", "series", "results", "help", "start"):
            browser.go(view)
            time.sleep(0.5)
            assert run(NARROW) == 0, view
        browser.go("clips")
        # The menu of the last row stands in the window as a whole; its first item has the focus.
        browser.wait(lambda: len(browser.all("table.clips tbody tr")) == 2)
        run("window.scrollTo(0, 9999)")
        browser.wait(lambda: [one.click() for one in browser.all("[popovertarget]")[-1:]])
        menu = browser.wait(lambda: [e for e in browser.all(".sheet") if e.is_displayed()])[0]
        at = run("return arguments[0].getBoundingClientRect().toJSON()", menu)
        assert at["top"] >= 0
        assert at["left"] >= 0
        assert at["bottom"] <= run("return innerHeight")
        assert at["right"] <= run("return innerWidth")
        assert run("return arguments[0].contains(document.activeElement)", menu)
        browser.keys(Keys.ESCAPE)
        stage_covers_nothing(browser)
        browser.driver.set_window_size(1280, 900)
        stage_covers_nothing(browser)
        pictures_belong_to_the_clip(browser)


def stage_covers_nothing(browser: Browser) -> None:
    browser.go("mark")
    browser.wait(lambda: len(browser.all("rect.handle")) == 8)
    x, y, width, height, *handles = browser.driver.execute_script(
        "const of = (e) => ['x', 'y', 'width', 'height'].map((k) => Number(e.getAttribute(k)));"
        "return [...of(document.querySelector('rect.box')),"
        "  ...[...document.querySelectorAll('rect.handle')].map(of)];"
    )
    for left, top, wide, tall in handles:
        beside = left + wide <= x + 0.01 or left >= x + width - 0.01
        assert beside or top + tall <= y + 0.01 or top >= y + height - 0.01
    # The picture fills its place: no bars beside it.
    size = browser.one(".stage").size
    assert size["width"] / size["height"] == pytest.approx(1600 / 900, rel=0.02)


def pictures_belong_to_the_clip(browser: Browser) -> None:
    browser.go(f"series?clip={CLIPS[0]}")
    browser.wait(lambda: "seen" in browser.one(".seen").get_attribute("class"))
    browser.wait(lambda: browser.one(".seen img.frame").get_property("naturalWidth"))
    # From the very change of the clip no picture of the one before is to be seen.
    shown = browser.driver.execute_script("""
        const choice = document.querySelector("#series-clip");
        choice.value = arguments[0];
        choice.dispatchEvent(new Event("change"));
        return [...document.querySelectorAll(".seen img")].map((one) => one.getAttribute("src"));
    """, CLIPS[1])  # fmt: skip
    assert not any(CLIPS[0] in (one or "") for one in shown)
    browser.wait(lambda: CLIPS[1] in browser.one(".seen img.frame").get_attribute("src"))
