"""The page's answers: the same work as the command line, asked for in pieces."""

from __future__ import annotations

import csv
import math
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from clipmaker import BOX, SIZE, GreyReader, make_clip, overlay_toml, stairs, steady
from page_visitor import Visitor
from scipy.stats import beta

from extractor import pipeline
from extractor.page.frame_cache import Recent, spread_times
from extractor.reading.clip_job import ReadOptions
from extractor.reading.session_clips import ClipReport, Silent
from extractor.results import load as load_results
from extractor.review import cards
from extractor.review.cards import Card
from extractor.review.checked import error_rate, sample
from extractor.session.folder import Session
from extractor.session.overlay import Box
from extractor.tabulation import clip_tables


@pytest.fixture
def visitor(session_folder: Path, grey_reader: GreyReader) -> Iterator[Visitor]:
    made = Visitor(session_folder)
    yield made
    made.close()


def table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def test_an_empty_folder_says_so(tmp_path: Path) -> None:
    visitor = Visitor(tmp_path)
    session = visitor.session()
    assert (session["clips"], session["fields"], session["rows"]) == ([], [], [])
    assert visitor.post("/api/read").status_code == 200
    ended = visitor.wait_for(lambda s: s["tasks"]["read"]["state"] != "running")
    assert "holds no clips" in ended["tasks"]["read"]["message"]


def test_clips_appear_and_fail_by_themselves(visitor: Visitor) -> None:
    (visitor.desk.root / "late.mp4").write_bytes(b"no video")
    found = visitor.wait_for(lambda s: all(c["state"] != "looking" for c in s["clips"]))
    states = {c["clip"]: c["state"] for c in found["clips"]}
    assert states == {"a.mp4": "new", "b.mkv": "new", "late.mp4": "failed"}
    first = found["clips"][0]
    assert (first["width"], first["height"]) == SIZE
    assert first["length_s"] == pytest.approx(2, abs=0.1)
    make_clip(visitor.desk.root / "late.mp4", steady(1.0), stairs)
    visitor.wait_for(lambda s: {c["state"] for c in s["clips"]} == {"new"})


def test_a_rectangle_is_read_before_it_is_saved(visitor: Visitor) -> None:
    visitor.wait_for(lambda s: all(c["state"] == "new" for c in s["clips"]))
    looks = visitor.get("/api/strip").get_json()["looks"]
    assert len(looks) == 10
    body = {"clip": "a.mp4", "time_s": 0.5, "box": list(BOX)}
    found = visitor.post("/api/live", body).get_json()
    assert found["here"]["text"] == str(stairs(0.5))
    assert {"pending": True}.items() <= found["strip"][0].items()
    for look in looks:
        assert visitor.post("/api/strip/warm", look).status_code == 200
    found = visitor.post("/api/live", body).get_json()
    texts = [one["text"] for one in found["strip"] if one["clip"] == "a.mp4"]
    # The frame on show half a frame before a change still holds the number before.
    expected = [str(stairs(look["time_s"])) for look in looks if look["clip"] == "a.mp4"]
    assert texts == expected
    assert found["strip"][0]["crop"].startswith("data:image/jpeg;base64,")


def test_a_rectangle_outside_the_picture_is_refused(visitor: Visitor) -> None:
    answer = visitor.post("/api/live", {"clip": "a.mp4", "time_s": 0, "box": [300, 0, 60, 20]})
    assert answer.status_code == 400
    assert "outside its frame" in answer.get_json()["error"]


def test_another_shape_is_shown_and_can_be_marked_too(visitor: Visitor) -> None:
    make_clip(visitor.desk.root / "c.mp4", steady(1.0), stairs, size=(320, 240))
    session = visitor.wait_for(lambda s: all(c["state"] == "new" for c in s["clips"]))
    found = visitor.post("/api/live", {"clip": "a.mp4", "time_s": 0.5, "box": list(BOX)}).get_json()
    other = [one for one in found["strip"] if one["clip"] == "c.mp4"]
    assert all("another shape" in one["problem"] for one in other)
    body = {"seen": session["overlay"], "name": "bitrate", "was": "bitrate", "clip": "c.mp4"}
    body |= {"time_s": 0, "box": [42, 22, 60, 30], "unit": "Mbit/s", "better": "higher"}
    marked = visitor.post("/api/mark", body).get_json()["field"]
    assert marked["box"] == list(BOX)
    assert marked["also"] == [{"frame": [320, 240], "box": [42, 22, 60, 30]}]


def test_marks_are_not_saved_over_a_file_changed_meanwhile(visitor: Visitor) -> None:
    seen = visitor.session()["overlay"]
    path = visitor.desk.root / "overlay.toml"
    path.write_text(overlay_toml("decimals = 0"))
    body = {"seen": seen, "name": "bitrate", "was": "bitrate", "clip": "a.mp4", "time_s": 0}
    body |= {"box": [1, 1, 50, 20]}
    assert visitor.post("/api/mark", body).status_code == 409
    assert visitor.post("/api/mark/remove", {"seen": seen, "name": "bitrate"}).status_code == 409
    assert path.read_text() == overlay_toml("decimals = 0")
    body["seen"] = visitor.session()["overlay"]
    renamed = visitor.post("/api/mark", {**body, "name": "rate"})
    assert renamed.get_json()["field"]["name"] == "rate"
    assert [f["name"] for f in visitor.session()["fields"]] == ["rate"]


def test_reading_gives_what_the_command_gives(visitor: Visitor, tmp_path: Path) -> None:
    ended = visitor.read()
    assert ended["tasks"]["read"]["state"] == "done"
    assert ended["tasks"]["read"]["share"] == 1
    assert {c["state"] for c in ended["clips"]} == {"done"}
    by_page = (visitor.desk.root / "results" / "summary.csv").read_bytes()
    pipeline.read_session(visitor.desk.session(), ReadOptions(jobs=1, again=True))
    assert (visitor.desk.root / "results" / "summary.csv").read_bytes() == by_page
    series = visitor.get("/api/series", clip="a.mp4", field="bitrate").get_json()
    rows = table(visitor.desk.root / "results" / "readings" / "a.csv")
    assert [float(r["bitrate"]) for r in rows] == series["values"]
    assert [float(r["time_s"]) for r in rows] == pytest.approx(series["times"])


def test_cancel_stops_and_the_rest_is_read_later(visitor: Visitor) -> None:
    read = visitor.desk.read_clips(again=False)
    read.cancel()
    read.join(20)
    session = visitor.session()
    assert session["tasks"]["read"]["state"] == "cancelled"
    assert "new" in {c["state"] for c in session["clips"]}
    assert visitor.read()["tasks"]["read"]["state"] == "done"


def test_two_readings_at_once_are_refused(
    visitor: Visitor, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = pipeline.read_session

    def slow(*args: Any, **kwargs: Any) -> Any:
        time.sleep(0.3)
        return real(*args, **kwargs)

    monkeypatch.setattr(pipeline, "read_session", slow)
    assert visitor.post("/api/read").status_code == 200
    assert visitor.post("/api/read").status_code == 400
    visitor.wait_for(lambda s: s["tasks"]["read"]["state"] == "done")


def test_a_correction_reaches_file_series_and_summary(
    visitor: Visitor, monkeypatch: pytest.MonkeyPatch
) -> None:
    visitor.read()
    before = table(visitor.desk.root / "results" / "summary.csv")[0]
    sampled = visitor.get("/api/check", field="bitrate", mode="sample", n=100).get_json()
    assert sampled["rate"] is None
    card = next(c for c in sampled["cards"] if c["clip"] == "a.mp4")
    body = {"clip": "a.mp4", "field": "bitrate", "times": card["times"], "text": card["text"]}
    body |= {"verdict": "wrong", "mode": "sample", "n": 100}
    changes = [[card["times"][0], None, "39"]]
    monkeypatch.setattr("extractor.video.clips.frames", None)  # nothing may be decoded again
    found = visitor.post("/api/judge", {**body, "changes": changes}).get_json()
    assert (found["rate"]["wrong"], found["rate"]["judged"]) == (1, 1)
    (row,) = table(visitor.desk.root / "corrections.csv")
    assert (row["clip"], row["field"], row["value"]) == ("a.mp4", "bitrate", "39")
    ends = time.monotonic() + 15
    while (after := table(visitor.desk.root / "results" / "summary.csv")[0]) == before:
        assert time.monotonic() < ends, "the summary did not follow"
        time.sleep(0.1)
    assert after["n_corrected"] == "1"
    series = visitor.get("/api/series", clip="a.mp4", field="bitrate").get_json()
    assert "corrected" in series["flags"]
    # Another tab that does not know of it must not undo it unseen.
    assert visitor.post("/api/judge", {**body, "changes": changes}).status_code == 409
    undo = {**body, "verdict": "", "changes": [[card["times"][0], "39", None]]}
    assert visitor.post("/api/judge", undo).get_json()["rate"] is None
    assert table(visitor.desk.root / "corrections.csv") == []


def test_hand_edits_and_page_edits_live_together(visitor: Visitor) -> None:
    edit = {"key": "clip:a.mp4", "column": "antenna", "old": "", "new": "Slab"}
    rows = visitor.post("/api/run", edit).get_json()["rows"]
    assert [r["stored"] for r in rows] == [True, True]
    path = visitor.desk.root / "runs.csv"
    path.write_text(path.read_text().replace("Slab", "Fan"))
    key = rows[0]["key"]
    stale = visitor.post("/api/run", {**edit, "key": key, "old": "Slab", "new": "Coil"})
    assert stale.status_code == 409
    assert "Fan" in stale.get_json()["error"]
    assert visitor.post("/api/run", {**edit, "key": key, "old": "Fan"}).status_code == 200
    path.write_text("run,clip\none,a.mp4\none,b.mkv\n")
    broken = visitor.session()
    assert not broken["editable"]
    assert "stands 2 times" in broken["problems"][0]


def test_a_port_that_transmits_is_said_once_for_all_its_runs(visitor: Visitor) -> None:
    path = visitor.desk.session().runs_path
    path.write_text("run,clip,antenna,port\n1,a.mp4,Slab,Red\n2,b.mkv,Coil,Green\n3,,Fan,Red\n")
    said = {"port": "Red", "role": "rxtx"}
    rows = visitor.post("/api/port-role", said).get_json()["rows"]
    assert [row["cells"].get("port_role", "") for row in rows] == ["rxtx", "", "rxtx"]
    for wrong in ({**said, "role": "tx"}, {**said, "port": "Blue"}):
        before = path.read_bytes()
        assert visitor.post("/api/port-role", wrong).status_code == 400
        assert path.read_bytes() == before
    said["role"] = ""
    rows = visitor.post("/api/port-role", said).get_json()["rows"]
    assert not any(row["cells"].get("port_role") for row in rows)


def test_conditions_and_cuts_from_the_page(visitor: Visitor) -> None:
    edit = {"key": "power_mw", "old": "", "new": "25"}
    assert visitor.post("/api/condition", edit).status_code == 200
    assert visitor.post("/api/condition", {**edit, "new": "100"}).status_code == 409
    assert visitor.desk.session().conditions() == {"power_mw": 25}
    key = "clip:a.mp4"
    rows = visitor.post("/api/run/split", {"key": key, "at_s": 1}).get_json()["rows"]
    assert [r["cells"]["run"] for r in rows] == ["a", "a_2", "b"]
    span = {"key": rows[1]["key"], "start_s": 1.2, "end_s": 1.8, "old_start": "1", "old_end": ""}
    assert visitor.post("/api/run/span", span).status_code == 200
    assert visitor.post("/api/run/span", span).status_code == 409
    added = visitor.post("/api/run/add", {"clip": "b.mkv", "start_s": 0.5, "end_s": 1}).get_json()
    assert visitor.post("/api/run/remove", {"key": added["rows"][1]["key"]}).status_code == 200
    runs = [(r.run, r.start_s, r.end_s) for r in visitor.desk.session().runs()]
    assert runs == [("a", None, 1), ("b", 0.5, 1)]


def test_comparison_from_the_page(visitor: Visitor) -> None:
    rows = "run,clip,antenna,mounting\n"
    for i, antenna in enumerate(("Slab", "Slab", "Coil", "Coil")):
        make_clip(
            visitor.desk.root / f"r{i}.mp4",
            steady(2.0),
            lambda t, i=i: 10 + 5 * (i // 2) + i % 2 + int(3 * t) % 3,
        )
        rows += f"r{i},r{i}.mp4,{antenna},{i % 2 + 1}\n"
    (visitor.desk.root / "a.mp4").unlink()
    (visitor.desk.root / "b.mkv").unlink()
    (visitor.desk.root / "runs.csv").write_text(rows)
    visitor.read()
    assert visitor.post("/api/compare", {"field": "bitrate", "measure": "luck"}).status_code == 400
    asked = {"field": "", "measure": "mean", "equal_within": 50}  # no field: the primary one
    assert visitor.post("/api/compare", asked | {"equal_within": "much"}).status_code == 400
    assert visitor.post("/api/compare", asked).status_code == 200
    ended = visitor.wait_for(lambda s: s["tasks"]["compare"]["state"] != "running", 60)
    assert ended["tasks"]["compare"]["state"] == "done", ended["tasks"]["compare"]["message"]
    results = visitor.get("/api/results").get_json()
    assert results["chart"]["rows"][0]["antenna"] == "Coil"
    assert results["tables"]["ranking"]["rows"][0][1] == "Coil"
    assert results["bold"]
    assert results["questions"][0]["question"] == "Which one?"
    sent = visitor.get("/api/file", name="ranking.csv")
    assert sent.data == (visitor.desk.root / "results" / "ranking.csv").read_bytes()


def card(times: list[float], flag: str = "ok", clip: str = "a") -> Card:
    return Card(clip, "bitrate", times, "1", "1", 0.99, flag, before=[None] * len(times))


def test_a_sample_is_drawn_from_what_counts_and_is_the_same_each_time() -> None:
    cards = [card([float(i), i + 0.1]) for i in range(50)] + [card([99.0], "unreadable")]
    drawn = sample(cards, 30, seed=1)
    assert len({c.times[0] for c in drawn}) == 30
    assert all(len(c.times) == 1 and c.flag == "ok" for c in drawn)
    assert [c.times for c in drawn] == [c.times for c in sample(cards, 30, seed=1)]
    assert len(sample(cards, 1000, seed=1)) == 100


def test_the_error_rate_has_the_exact_interval() -> None:
    # Clopper and Pearson, Biometrika 26 (1934), 404-413: the ends are quantiles of beta
    # distributions; for no error in n the upper end is 1 - 0.025^(1/n).
    none = error_rate(0, 100)
    assert none is not None
    assert (none.low, none.high) == (0, pytest.approx(1 - 0.025 ** (1 / 100)))
    some = error_rate(3, 200)
    assert some is not None
    assert some.low == pytest.approx(beta.ppf(0.025, 3, 198))
    assert some.high == pytest.approx(beta.ppf(0.975, 4, 197))
    assert error_rate(0, 0) is None


def test_the_most_harmful_doubt_comes_first() -> None:
    order = [
        Card("a", "x", [0], "1", "1", 0.99, "ok", second="7", before=[None]),
        Card("a", "x", [0], "1", "1", 0.6, "ok", before=[None]),
        Card("a", "x", [0], "1", "1", 0.9, "ok", before=[None]),
        Card("a", "x", [0], "1", "1", 0.9, "format", before=[None]),
        Card("a", "x", [0], "1", "1", 0.9, "range", before=[None]),
        Card("a", "x", [0], "1", "1", 0.1, "unreadable", before=[None]),
        Card("a", "x", [0], "1", "1", 0.99, "ok", before=[None]),
    ]
    values = [cards._doubt(c)[0] for c in order]
    assert values == sorted(values, reverse=True)
    assert values[-1] == 0


def test_numbers_are_written_as_the_display_does() -> None:
    assert cards.number_text(24.0, "24.0", None) == "24.0"
    assert cards.number_text(24.0, "24", None) == "24"
    assert cards.number_text(24.0, "24", 1) == "24.0"
    assert cards.number_text(float("nan"), "~ 7,25", None) == "7.25"
    assert cards.number_text(float("nan"), "", None) == ""


def test_what_was_not_asked_for_longest_is_dropped_first() -> None:
    recent: Recent[str] = Recent(3)
    for name in "abc":
        recent.put(name, name)
    recent.get("a")
    recent.put("d", "d")
    assert [recent.get(n) for n in "abcd"] == ["a", None, "c", "d"]


def test_the_strip_is_spread_over_the_clips() -> None:
    assert spread_times([10.0], 2) == [[2.5, 7.5]]
    assert [len(t) for t in spread_times([1.0, 1.0, 1.0], 10)] == [4, 3, 3]
    assert Box(0, 0, 10, 10).widened(0.5, 100, 12) == Box(0, 0, 15, 12)


def test_a_clip_that_is_no_run_is_left_in_peace(visitor: Visitor) -> None:
    root = visitor.desk.root
    visitor.wait_for(lambda s: all(c["state"] == "new" for c in s["clips"]))
    asked = {"key": "clip:b.mkv", "column": "use", "old": "", "new": "no"}
    assert visitor.post("/api/run", asked).status_code == 200
    read = visitor.read()
    assert {c["clip"]: c["state"] for c in read["clips"]} == {"a.mp4": "done", "b.mkv": "aside"}
    assert {p.name for p in (root / "results/readings").iterdir()} == {"a.csv"}
    assert [r["run"] for r in table(root / "results/summary.csv")] == ["a"]
    # Read once, then set aside: what is known of it counts no more, and is asked of nobody.
    visitor.post("/api/run", asked | {"key": "run:b", "old": "no", "new": ""})
    visitor.read()
    name = read["fields"][0]["name"]
    of_both = visitor.get("/api/check", field=name, mode="sample").get_json()
    visitor.post("/api/run", asked | {"key": "run:b"})
    of_one = visitor.get("/api/check", field=name, mode="sample").get_json()
    assert 0 < of_one["readings"] < of_both["readings"]
    assert {c["clip"] for c in of_one["cards"]} == {"a.mp4"}
    report = pipeline.summarise_session(visitor.desk.session())
    assert [r["run"] for r in report.rows] == ["a"]
    assert not [w for w in report.warnings if "b.mkv" in w]
    # Where it is named a second time, as a run, it is one.
    with (root / "runs.csv").open("a") as stream:
        stream.write("again,b.mkv\n")
    assert visitor.desk.session().measured == ("a.mp4", "b.mkv")


class Meddler(Silent):
    """Fills ``runs.csv`` while the clips are read, as a person at the page does."""

    def __init__(self, root: Path) -> None:
        self.root, self.said = root, []  # type: tuple[Path, list[str]]

    def started(self, jobs: object) -> None:
        del jobs
        (self.root / "runs.csv").write_text("run,clip,end_s,antenna\nr1,a.mp4;b.mkv,,Slab\n")

    def ended(self, report: ClipReport) -> None:
        self.said.append(report.said)


def test_what_a_clip_shows_is_said_as_runs_csv_has_it_then(
    session_folder: Path, grey_reader: GreyReader
) -> None:
    meddler = Meddler(session_folder)
    session = Session(session_folder)
    report = pipeline.read_session(session, ReadOptions(jobs=1), watcher=meddler)
    # The first file is no run yet; with the second the run is whole.
    assert meddler.said[0] == ""
    (row,) = report.rows
    assert (row["run"], row["antenna"]) == ("r1", "Slab")
    assert meddler.said[1] == clip_tables.row_sentence(row)
    assert meddler.said[1].startswith(f"{row['field']} {row['mean']:.1f}")


def test_a_row_says_its_worst_flags() -> None:
    row = {"field": "bitrate", "unit": "Mbit/s", "mean": 31.44, "mean_low": 30.9, "mean_high": 32.0}
    flags = ("no_link", "hidden", "unreadable", "range", "spike", "format", "frozen")
    row |= {f"n_{flag}": 0 for flag in flags} | {"longest_dropout_s": 0.0}
    assert clip_tables.row_sentence(row) == "bitrate 31.4 Mbit/s (30.9 to 32.0)"
    row |= {"n_spike": 1, "n_hidden": 60, "n_no_link": 22, "longest_dropout_s": 2.2}
    assert clip_tables.row_sentence(row) == (
        "bitrate 31.4 Mbit/s (30.9 to 32.0); link out for up to 2.2 s; 60 hidden; 22 without link"
    )
    assert clip_tables.row_sentence(row | {"mean": math.nan}).startswith("bitrate no number; ")


def test_the_page_says_what_each_clip_shows(visitor: Visitor) -> None:
    clips = visitor.read()["tasks"]["read"]["clips"]
    assert all(" " in clip["said"] for clip in clips.values())


def test_tables_with_decimal_commas_are_the_same_tables(visitor: Visitor) -> None:
    root = visitor.desk.root
    (root / "runs.csv").write_text("run,clip,antenna\na,a.mp4,Slab\nb,b.mkv,Coil; or Fan\n")
    visitor.read()
    before = load_results(root)
    plain = (root / "results/summary.csv").read_text()
    rows = visitor.get("/api/results").get_json()["tables"]["summary"]["rows"]
    asked = {"key": "decimal", "old": "", "new": ","}
    assert visitor.post("/api/condition", asked).status_code == 200
    pipeline.summarise_session(visitor.desk.session())
    summary = (root / "results/summary.csv").read_text()
    readings = (root / "results/readings/a.csv").read_text()
    assert summary.splitlines()[0] == plain.splitlines()[0].replace(",", ";")
    assert "\n0,1;" in readings
    assert "0.1" not in readings
    # What reads them, on the page too, sees the same.
    after = load_results(root)
    assert after.summary.equals(before.summary)
    name = before.fields[0].name
    assert after.readings("a.mp4", name).equals(before.readings("a.mp4", name))
    assert visitor.get("/api/results").get_json()["tables"]["summary"]["rows"] == rows
    assert visitor.post("/api/condition", asked | {"old": ",", "new": ""}).status_code == 200
    pipeline.summarise_session(visitor.desk.session())
    assert (root / "results/summary.csv").read_text() == plain


def test_an_edit_on_the_page_can_be_taken_back(visitor: Visitor) -> None:
    edit = {"key": "clip:a.mp4", "column": "antenna", "old": "", "new": "Slab"}
    visitor.post("/api/run", edit)
    seen = visitor.post("/api/run", edit | {"old": "Slab", "new": "Coil"}).get_json()["seen"]
    body = {"name": "runs.csv", "seen": seen["runs.csv"]}
    rows = visitor.post("/api/undo", body).get_json()["rows"]
    assert rows[0]["cells"]["antenna"] == "Slab"
    assert visitor.post("/api/undo", body).status_code == 409
    assert visitor.post("/api/undo", {"name": "../x", "seen": ""}).status_code == 400
