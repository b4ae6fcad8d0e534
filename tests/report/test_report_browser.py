"""The report in headless Chromium: nothing runs, nothing is fetched, nothing sticks out."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from report_making import made_up_session

from extractor.report import html_report

webdriver = pytest.importorskip("selenium.webdriver", reason="needs selenium (extra: test)")

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        CHROMIUM is None or DRIVER is None, reason="needs Debian's chromium and chromium-driver"
    ),
]
EVIL = "<img src=x onerror=window.hit=1><script>window.hit=1</script>\"'>"
RIGHT_TO_LEFT = "אנטנה \u202e שלום"
LONG = "long" * 50


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    runs = [(a, p, m) for a in (EVIL, RIGHT_TO_LEFT, LONG) for m in "12" for p in (EVIL, "Green")]
    folder = made_up_session(tmp_path_factory.mktemp("browser") / "odd", runs)
    (folder / "session.toml").write_text(
        f"place = '''{EVIL}{RIGHT_TO_LEFT}'''\nnotes = '{LONG}'\ndistance_m = 180.0\n"
    )
    return html_report.write_report([folder], options=html_report.Options(title=EVIL + LONG))[0]


@pytest.fixture(scope="module")
def driver() -> Iterator[Any]:
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM or ""
    for argument in (
        *("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
        *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
        "--disable-dev-shm-usage",
    ):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(
        options=options, service=webdriver.ChromeService(executable_path=DRIVER)
    )
    yield driver
    driver.quit()


def show(driver: Any, page: Path, width: int, theme: str = "light", media: str = "screen") -> None:
    size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 600}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    feature = {"name": "prefers-color-scheme", "value": theme}
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": media, "features": [feature]})
    driver.get(page.as_uri())


def test_nothing_runs_and_nothing_is_fetched(driver: Any, page: Path) -> None:
    driver.get_log("performance")
    show(driver, page, 1440)
    assert driver.execute_script("return window.hit") is None
    assert EVIL in driver.execute_script("return document.querySelector('h1').textContent")
    assert driver.execute_script("return document.querySelector('h1 bdi *')") is None
    assert driver.get_log("browser") == []
    events = [json.loads(entry["message"])["message"] for entry in driver.get_log("performance")]
    asked = {
        event["params"]["request"]["url"]
        for event in events
        if event["method"] == "Network.requestWillBeSent"
    }
    assert {url for url in asked if not url.startswith("data:")} == {page.as_uri()}


@pytest.mark.parametrize("width", [390, 1440])
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_no_horizontal_scroll(driver: Any, page: Path, width: int, theme: str) -> None:
    show(driver, page, width, theme)
    wide = driver.execute_script("return document.documentElement.scrollWidth")
    assert wide <= width
    outside = driver.execute_script(
        "return [...document.querySelectorAll('main > *, figure, li, .scroll')]"
        ".filter(e => e.getBoundingClientRect().right > innerWidth + 1).length"
    )
    assert outside == 0


def test_charts_have_words_and_follow_the_theme(driver: Any, page: Path) -> None:
    show(driver, page, 1440)
    charts = driver.find_elements("css selector", ".chart[role=img]")
    assert len(charts) >= 5
    assert all(c.get_attribute("aria-label") for c in charts)
    paper = "return getComputedStyle(document.querySelector('figure')).backgroundColor"
    light = driver.execute_script(paper)
    show(driver, page, 1440, "dark")
    assert driver.execute_script(paper) != light
    show(driver, page, 1440, "dark", "print")
    assert driver.execute_script(paper) == light


def test_every_image_and_region_has_a_name(driver: Any, page: Path) -> None:
    show(driver, page, 1440)
    nameless = driver.execute_script(
        "return [...document.querySelectorAll('img:not([alt]), [role=region]:not([aria-label]),"
        " section:not([aria-labelledby])')].length"
    )
    assert nameless == 0
    twice = driver.execute_script(
        "const ids = [...document.querySelectorAll('[id]')].map(e => e.id);"
        "return ids.length - new Set(ids).size"
    )
    assert twice == 0
