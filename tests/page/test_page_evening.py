"""Two rounds from an empty start page to a verdict, in a real browser, without a typed path."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from page_browser import MARKS, Browser, Keys, table
from page_visitor import served

pytestmark = MARKS
SAMPLES = Path(__file__).parents[2] / "sample_clips"
ANTENNAS, PORTS, MOUNTINGS = ("Slab", "Coil", "Stub"), ("Red", "Green"), 2
MOST_CLICKS, MOST_WORDS = 30, 12
MOST_TABS = 300


class Person(Browser):
    """Counts what it does."""

    clicks = 0
    typed: list[str]

    def __init__(self) -> None:
        super().__init__()
        self.typed = []

    def press(self, css: str) -> None:
        super().press(css)
        self.clicks += 1

    def fill(self, css: str, text: str) -> None:
        super().fill(css, text)
        self.clicks += 1
        self.typed += text.replace(",", " ").split()

    def drop(self, files: list[Path]) -> None:
        """Let files go over the window, as from a file manager."""
        self.driver.execute_script(
            "const own = document.createElement('input'); own.type = 'file'; own.multiple = true;"
            "own.id = 'carried'; document.body.append(own);"
        )
        self.one("#carried").send_keys("\n".join(map(str, files)))
        self.driver.execute_script(
            "const own = document.getElementById('carried');"
            "const dataTransfer = new DataTransfer();"
            "for (const file of own.files) dataTransfer.items.add(file); own.remove();"
            "for (const kind of ['dragover', 'drop']) window.dispatchEvent("
            "  new DragEvent(kind, { dataTransfer, bubbles: true, cancelable: true }));"
        )
        self.clicks += 1

    def tab_to(self, css: str, *then: str) -> None:
        """Go there by the Tab key alone, then press keys."""
        for _ in range(MOST_TABS):
            if self.driver.execute_script(
                "return document.activeElement.matches(arguments[0])", css
            ):
                self.keys(*then)
                return
            self.keys(Keys.TAB)
        raise AssertionError(f"{css} cannot be reached by the keyboard")


@pytest.fixture(scope="module")
def person() -> Iterator[Person]:
    made = Person()
    yield made
    made.driver.quit()


#: Answers come late, as on a slow disk: what was asked before must not stand for what is asked now.
LATE = """
    const ask = window.fetch;
    window.fetch = (path, how) => ask(path, how).then((answer) =>
        new Promise((give) => setTimeout(give, path.startsWith(arguments[0]) ? 4000 : 0, answer)));
"""


def sample(antenna: str, mounting: int, port: str) -> Path:
    return next(SAMPLES.glob(f"{antenna}_m{mounting}_{port}.m*".lower()))


def carried(folder: Path, flown: list[tuple[str, int, str]]) -> list[Path]:
    """Clips as a recorder names them: a counter, nothing else."""
    folder.mkdir()
    made = []
    for i, run in enumerate(flown, 1):
        made.append(shutil.copy(sample(*run), folder / f"REC{i:04d}.mp4"))
        os.utime(made[-1], (1.7e9 + 100 * i,) * 2)
    return made


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("home")
    (made / "Videos").mkdir()
    return made


@pytest.fixture(scope="module")
def first_round(person: Person, home: Path) -> Iterator[tuple[Path, str]]:
    """Walk the first round; give its folder and the page's address without the key."""
    flown = [(a, m, p) for m, a, p in product(range(1, MOUNTINGS + 1), ANTENNAS, PORTS)]
    with served(None, home=home) as (_, address):
        person.driver.get(address)
        person.wait(lambda: person.all("#open-folder"))
        person.drop(carried(home / "card", flown))
        person.wait(lambda: len(person.all("table.clips tbody tr")) == len(flown))
        person.base = person.driver.current_url.partition("/#")[0].rstrip("/")
        (folder,) = (home / "Videos").iterdir()
        tell_what_was_flown(person, folder, flown)
        mark(person, folder)
        read(person)
        yield folder, person.base


def tell_what_was_flown(person: Person, folder: Path, flown: list[Any]) -> None:
    person.press("[data-tab=plan]")
    person.fill("#plan-antennas", ", ".join(ANTENNAS))
    person.fill("#plan-ports", ", ".join(PORTS))
    person.fill("#plan-mountings", str(MOUNTINGS))
    person.wait(lambda: f"{len(flown)} clips in this order" in person.text("#plan-size"))
    person.press("#plan-write")
    person.wait(lambda: len(person.all(".pair img")) == len(flown))
    person.press("#match-yes")
    person.wait(lambda: person.all("table.clips"))
    rows = table(folder / "runs.csv")
    assert [r["clip"] for r in rows] == [f"REC{i:04d}.mp4" for i in range(1, len(flown) + 1)]
    assert [(r["antenna"], int(r["mounting"]), r["port"]) for r in rows] == flown


def mark(person: Person, folder: Path) -> None:
    person.press(".next button.main")
    person.wait(lambda: person.all(".candidate"), 400)
    # The upper of the two numbers is the bitrate.
    tops = [float(e.get_attribute("y")) for e in person.all(".candidate rect")]
    person.press(f".candidate:nth-child({tops.index(min(tops)) + 1}) rect")
    person.wait(lambda: person.all("#read-here"))
    person.press("#save")
    person.wait(lambda: (folder / "overlay.toml").exists(), 60)


def read(person: Person) -> None:
    person.press("[data-tab=read]")
    person.press("#start")
    shown = "table.reading td:nth-child(5)"
    # What is read is said while other clips are still waiting.
    person.wait(
        lambda: any("Mbit/s" in e.text for e in person.all(shown)) and person.all("#cancel"), 300
    )
    person.wait(lambda: "Every clip is read" in person.text(), 600)
    assert all(e.text.startswith("bitrate ") for e in person.all(shown))


def test_from_twelve_dropped_clips_to_the_verdict(
    person: Person, first_round: tuple[Path, str]
) -> None:
    folder, _ = first_round
    person.press("[data-tab=results]")
    person.press("#compare")
    person.wait(lambda: person.all("#ranking tbody tr"), 120)
    names = [e.text for e in person.all("#ranking tbody th")]
    assert names[0] == "Slab"
    assert {*names} == {*ANTENNAS}
    assert person.clicks <= MOST_CLICKS, person.clicks
    assert len(person.typed) <= MOST_WORDS, person.typed
    assert not [word for word in person.typed if "/" in word or "\\" in word]
    person.press("#report")
    person.wait(lambda: (folder / "results" / "report.html").exists(), 120)
    # The browser logs what the page asks for before it is there: nothing of that may have happened.
    assert person.complaints() == []


def test_the_second_round_begins_with_the_first_and_needs_no_mouse(
    person: Person, first_round: tuple[Path, str], home: Path
) -> None:
    folder, _ = first_round
    person.go("clips")
    person.tab_to("#home", Keys.ENTER)
    person.wait(lambda: person.all("#next-round"))
    person.tab_to("#next-round", Keys.ENTER)
    person.wait(lambda: "round 2" in person.text("h1"), 30)
    person.base = person.driver.current_url.partition("/#")[0].rstrip("/")
    second = folder.with_name(f"{folder.name} round 2")
    assert (second / "overlay.toml").read_text() == (folder / "overlay.toml").read_text()
    person.tab_to("[data-tab=plan]", Keys.ENTER)
    person.wait(lambda: "12 clips, about" in person.text("#plan-size"))
    assert person.one("#plan-antennas").get_attribute("value") == ", ".join(ANTENNAS)
    person.tab_to("#plan-write", Keys.ENTER)
    person.wait(lambda: "Waiting for clips" in person.text())
    rows = table(second / "runs.csv")
    assert person.all('a[href*="run_sheet.html"]')
    # One clip too many: a short test before the first run.
    flown = [(r["antenna"], int(r["mounting"]), r["port"]) for r in rows]
    person.driver.execute_script(LATE, "/api/match")
    *clips, last = carried(home / "second card", flown[:1] + flown)
    person.drop(clips)
    person.wait(lambda: f"Clips{len(clips)}" in person.text("nav").replace("\n", ""))
    person.drop([last])
    person.wait(lambda: len(person.all(".pair img")) == len(flown) + 1, 60)
    doubted = ".pairs .doubt select"  # drawn anew once all are looked at
    chosen = person.wait(lambda: [e.get_attribute("id") for e in person.all(doubted)])[0]
    person.wait(lambda: not person.all("#match-yes:disabled"))
    if chosen != "what-REC0001.mp4":  # only the count speaks: it must be told which
        steps = [
            (chosen, (Keys.HOME,), True),
            ("what-REC0001.mp4", (Keys.HOME, Keys.ARROW_DOWN), False),
        ]
        for name, keys, barred in steps:  # a key may fall on what is just drawn anew: again then
            person.wait(
                lambda name=name, keys=keys, barred=barred: (
                    bool(person.all("#match-yes:disabled")) == barred
                    or person.tab_to(f'[id="{name}"]', *keys)
                )
            )
    person.tab_to("#match-yes", Keys.ENTER)
    person.wait(lambda: person.all("table.clips"))
    rows = table(second / "runs.csv")
    assert [r["clip"] for r in rows if r.get("use") == "no"] == ["REC0001.mp4"]
    assert [r["clip"] for r in rows if r.get("use") != "no"] == [
        f"REC{i:04d}.mp4" for i in range(2, len(flown) + 2)
    ]
    person.tab_to("[data-tab=read]", Keys.ENTER)
    person.tab_to("#start", Keys.ENTER)
    person.wait(lambda: "Every clip is read" in person.text(), 600)
    assert "REC0001" not in person.text("table.reading")
    person.tab_to("[data-tab=results]", Keys.ENTER)
    person.tab_to("#compare", Keys.ENTER)
    person.wait(lambda: person.all("#ranking tbody tr"), 120)
    assert person.all("#ranking tbody th")[0].text == "Slab"
    assert person.complaints() == []
