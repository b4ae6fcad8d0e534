"""A person at the page for tests: a real browser, driven."""

from __future__ import annotations

import csv
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

webdriver = pytest.importorskip("selenium.webdriver", reason="needs selenium (extra: test)")
from selenium.webdriver.common.action_chains import ActionChains  # noqa: E402
from selenium.webdriver.common.keys import Keys  # noqa: E402

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
#: For `pytestmark` of a module whose tests need it.
MARKS = [
    pytest.mark.slow,
    pytest.mark.skipif(
        CHROMIUM is None or DRIVER is None, reason="needs Debian's chromium and chromium-driver"
    ),
]


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


def table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))
