"""The tab Show: a look at everything beforehand, making it, cancelling, and the file."""

from __future__ import annotations

import time
from pathlib import Path

import cv2
import numpy as np
import pytest
from page_visitor import Visitor
from report_making import rounds, truth_session

from extractor.report.preview import KINDS


@pytest.fixture
def club(tmp_path: Path) -> Visitor:
    return Visitor(truth_session(tmp_path / "club", clips=True))


def asked(what: str, **more: str) -> dict[str, str]:
    return {"what": what, "size": "1080x1080", "rate": "30", "clip": "slab_m1_red.mp4", **more}


def test_everything_can_be_looked_at_beforehand(club: Visitor) -> None:
    for what in KINDS:
        answer = club.get("/api/show/picture", **asked(what))
        assert answer.status_code == 200, answer.get_data()
        picture = cv2.imdecode(np.frombuffer(answer.get_data(), np.uint8), cv2.IMREAD_COLOR)
        assert picture.shape == ((540, 960, 3) if what == "annotate" else (960, 960, 3))
    assert "Slab is best" in club.get("/api/show/text").get_json()["text"]


def wait(club: Visitor) -> dict[str, object]:
    for _ in range(600):
        task = club.session()["tasks"]["show"]
        if task["state"] != "running":
            return task
        time.sleep(0.1)
    raise AssertionError("still running")


def test_a_card_is_made_and_fetched_and_nothing_else_is(club: Visitor) -> None:
    assert club.post("/api/show", asked("card", background="transparent")).status_code == 200
    assert wait(club)["state"] == "done"
    (made,) = club.get("/api/show/made").get_json()["files"]
    assert made == {"name": "results/pictures/card-1080x1080.png", "folder": False}
    with club.get("/api/show/file", name=made["name"]) as answer:
        raw = np.frombuffer(answer.get_data(), np.uint8)
    assert cv2.imdecode(raw, cv2.IMREAD_UNCHANGED).shape == (1080, 1080, 4)
    for name in ("session.toml", "../x", "results/summary.csv"):
        assert club.get("/api/show/file", name=name).status_code == 404


def test_a_film_says_how_far_it_is_and_can_be_cancelled(club: Visitor) -> None:
    club.post("/api/show", asked("replay", size="1920x1080"))
    for _ in range(300):
        if club.session()["tasks"]["show"]["share"] > 0:
            break
        time.sleep(0.05)
    club.post("/api/cancel", {"kind": "show"})
    assert wait(club)["state"] == "cancelled"
    assert not list((club.desk.root / "results").glob("videos/*"))
    assert club.get("/api/show/made").get_json() == {"files": []}


@pytest.mark.parametrize(
    "wrong",
    [{"what": "vhs"}, {"size": "big"}, {"codec": "x"}, {"background": "/etc/passwd"},
     {"what": "annotate", "clip": "no.mp4"}],
)  # fmt: skip
def test_what_cannot_be_is_refused_in_one_line(club: Visitor, wrong: dict[str, str]) -> None:
    answer = club.post("/api/show", asked("card") | wrong)
    assert answer.status_code in (400, 404)
    assert "\n" not in answer.get_json()["error"]


def test_all_rounds_and_a_picture_of_ones_own(tmp_path: Path) -> None:
    first, second = rounds(tmp_path, 0.8)
    conditions = second / "session.toml"
    conditions.write_text(f'{conditions.read_text()}\nround_of = "{first.name}"\n')
    cv2.imwrite(str(second / "shore.jpg"), np.full((90, 160, 3), (40, 90, 140), np.uint8))
    (tmp_path / "other.png").touch()
    (second / "link.png").symlink_to(tmp_path / "other.png")  # leads out of the session
    visitor = Visitor(second)
    assert visitor.get("/api/show/offered").get_json() == {
        "pictures": ["shore.jpg"], "rounds": ["spring", "summer"],
    }  # fmt: skip
    both = {"rounds": "all", "background": "shore.jpg"}
    for what in ("card", "film"):
        assert visitor.get("/api/show/picture", **asked(what, **both)).status_code == 200
    assert visitor.post("/api/show", asked("card", **both)).status_code == 200
    assert wait(visitor)["state"] == "done"
    (made,) = visitor.get("/api/show/made").get_json()["files"]
    assert made["name"] == "results/pictures/rounds-card-1080x1080.png"
    blue, _, red = cv2.imread(str(second / made["name"]))[3, 3]  # the picture shines through
    assert red > blue + 20
    for what in ("rounds", ""):
        said = visitor.get("/api/show/text", rounds="all" if what else "").get_json()["text"]
        assert ("read 0.8 Mbit/s less than" in said) == bool(what)
    refused = visitor.get("/api/show/picture", **asked("card", background="../x.png"))
    assert refused.status_code == 400


def test_closing_the_page_ends_a_film(club: Visitor) -> None:
    club.post("/api/show", asked("replay", size="1920x1080"))
    club.desk.close()
    task = club.desk.task("show")
    assert task is not None
    assert task.state == "cancelled"
