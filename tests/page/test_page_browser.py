"""The whole job with a mouse, in a real browser, on copies of sample clips."""

from __future__ import annotations

import csv
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from page_visitor import served

from extractor.radio.cautions import cautions
from extractor.session.folder import Session

webdriver = pytest.importorskip("selenium.webdriver", reason="needs selenium (extra: test)")
from selenium.webdriver.common.action_chains import ActionChains  # noqa: E402
from selenium.webdriver.common.keys import Keys  # noqa: E402

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        CHROMIUM is None or DRIVER is None, reason="needs Debian's chromium and chromium-driver"
    ),
]
SAMPLES = Path(__file__).parents[2] / "sample_clips"
CLIPS = ("slab_m1_red.mp4", "slab_m2_red.mp4", "stub_m1_red.mp4", "stub_m2_red.mp4")
#: Where make.py draws the bitrate: x, y, width, height in the 1600x900 picture.
BOX = (668, 20, 147, 53)
HOSTILE = "<img src=x onerror=window.hit=1>"


class Browser:
    """A person at the page."""

    def __init__(self) -> None:
        options = webdriver.ChromeOptions()
        options.binary_location = CHROMIUM or ""
        for argument in (
            *("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic"),
            *("--no-first-run", "--disable-background-networking", "--disable-dev-shm-usage"),
            *("--disable-component-update", "--disable-sync", "--window-size=1280,900"),
        ):
            options.add_argument(argument)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        service = webdriver.ChromeService(executable_path=DRIVER)
        self.driver = webdriver.Chrome(options=options, service=service)
        self.base = ""

    def enter(self, address: str) -> None:
        self.driver.get(address)
        self.base = address.partition("/enter")[0]
        self.wait(lambda: self.all("nav a"))

    def go(self, view: str) -> None:
        self.driver.get(f"{self.base}/#/{view}")
        self.wait(lambda: self.all(f"main.view-{view.partition('?')[0]} *"))

    def all(self, css: str) -> list[Any]:
        return self.driver.find_elements("css selector", css)

    def one(self, css: str) -> Any:
        return self.wait(lambda: self.all(css))[0]

    def text(self, css: str = "main") -> str:
        return str(self.one(css).text)

    def wait(self, found: Callable[[], Any], limit_s: float = 180) -> Any:
        ends = time.monotonic() + limit_s
        while not (result := self._tried(found)):
            assert time.monotonic() < ends, f"not seen in {limit_s} s; page: {self.text('body')}"
            time.sleep(0.05)
        return result

    @staticmethod
    def _tried(found: Callable[[], Any]) -> Any:
        from selenium.common import exceptions

        try:
            return found()
        except (
            exceptions.StaleElementReferenceException,
            exceptions.ElementNotInteractableException,
            exceptions.ElementClickInterceptedException,
        ):
            return None  # drawn anew, or not drawn yet, between finding and looking

    def press(self, css: str) -> None:
        """Click as soon as it can be clicked."""
        self.wait(lambda: [one.click() for one in self.all(css)[:1]])

    def fill(self, css: str, text: str) -> None:
        """Replace what stands in a box and leave it."""
        keys = (Keys.CONTROL, "a", Keys.NULL, text, Keys.TAB)
        self.wait(lambda: [one.send_keys(*keys) for one in self.all(css)[:1]])

    def drag(self, css: str, start: tuple[float, float], end: tuple[float, float]) -> None:
        """Drag inside an SVG from one point to another, in its own coordinates."""
        script = """
            const svg = document.querySelector(arguments[0]);
            svg.scrollIntoView({block: "center"});
            return arguments[1].map(([x, y]) => {
              const p = new DOMPoint(x, y).matrixTransform(svg.getScreenCTM());
              return [p.x, p.y];
            });"""
        (ax, ay), (bx, by) = self.driver.execute_script(script, css, [start, end])
        chain = ActionChains(self.driver, duration=20)
        pointer = chain.w3c_actions.pointer_action
        pointer.move_to_location(ax, ay).pointer_down()
        pointer.move_to_location((ax + bx) / 2, (ay + by) / 2)
        pointer.move_to_location(bx, by).pointer_up()
        chain.perform()

    def keys(self, *keys: str) -> None:
        ActionChains(self.driver).send_keys(*keys).perform()

    def complaints(self) -> list[str]:
        logged = self.driver.get_log("browser")
        return [e["message"] for e in logged if e["level"] == "SEVERE"]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    made = Browser()
    yield made
    made.driver.quit()


def table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


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
        correct_by_keyboard(browser, folder)
        edit_an_antenna(browser, folder)
        set_start_and_end(browser, folder)
        find_it_all_after_a_reload(browser)
        compare(browser, folder)
        make_the_report(browser, folder)
        find_the_cautions(browser)
        assert browser.complaints() == []


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
        seen.update(e.text for e in browser.all("table.reading td:nth-child(3)"))
        return "Every clip is read" in browser.text()

    browser.wait(done, 120)
    assert {"reading", "done"} <= seen
    rows = table(folder / "results" / "summary.csv")
    assert [r["antenna"] for r in rows] == ["Slab", "Slab", "Stub", "Stub"]
    assert all(float(r["coverage"]) > 0.8 for r in rows)


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
    assert browser.all("details.finding")
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
    browser.wait(lambda: len(browser.all("main dt")) == len(cautions()))
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
