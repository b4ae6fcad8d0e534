"""Which way is better: said, told by name or unit, or asked; never taken for granted."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from clipmaker import BOX, GreyReader, overlay_toml
from command_line import run
from comparison_making import compared, scenario
from page_visitor import Visitor
from report_making import made_up_session

from extractor.comparison import simulated_repeats
from extractor.errors import ConsentError, UsageError
from extractor.pipeline import compare_sessions
from extractor.reading import marking, readers, suggestions
from extractor.reading.readers.base import Line
from extractor.report import card, repeat_film, story
from extractor.report.html_report import write_report
from extractor.report.theme import looks
from extractor.session import overlay_file
from extractor.session.folder import Session
from extractor.session.overlay import Box, Field, usual_direction
from extractor.video.crops import Crop

#: Words that claim an order of merit.
CLAIMS = re.compile(
    r"\b(is best|is last|single best|ahead|behind|better than|worse than|comes before|over others"
    r"|of being best|stays first|best on top)\b"
)


@pytest.mark.parametrize(
    ("name", "unit", "way"),
    [
        ("bitrate", "", "higher"),
        ("BitrateVideo", "", "higher"),
        ("x", "Mbit/s", "higher"),
        ("x", "mbps", "higher"),
        ("x", "kB/s", "higher"),
        ("signal_level", "", "higher"),
        ("latency", "", "lower"),
        ("Video_Delay", "", "lower"),
        ("x", "ms", "lower"),
        ("rx_lag", "", "lower"),
        ("ping2", "", "lower"),
        # Neither says anything: not even a word that only holds one of those.
        *[(n, "", None) for n in ("signal", "x", "flag", "mapping", "rssi", "temperature")],
        *[("x", u, None) for u in ("", "dBm", "V", "%", "s", "mAs")],
        # They disagree.
        ("noise_level", "", None),
        ("latency", "Mbit/s", None),
        ("bitrate", "ms", None),
    ],
)
def test_name_and_unit_tell_the_direction_or_nobody_knows(
    name: str, unit: str, way: str | None
) -> None:
    assert usual_direction(name, unit) == way
    assert Field(name, (10, 10), Box(0, 0, 5, 5), unit).direction == way
    assert Field(name, (10, 10), Box(0, 0, 5, 5), unit, better="lower").direction == "lower"


def test_what_was_not_said_is_not_written_and_what_was_said_stays(tmp_path: Path) -> None:
    path = tmp_path / "overlay.toml"
    path.write_text(overlay_toml("better = 'higher'"))
    (item,) = overlay_file.load(path).fields
    overlay_file.save(path, [item])
    assert overlay_file.load(path).fields[0].better == "higher"
    path.write_text(overlay_toml())
    overlay_file.save(path, overlay_file.load(path).fields)
    assert "better" not in path.read_text()


def test_accepted_suggestions_carry_unit_and_direction(
    session_folder: Path, grey_reader: GreyReader
) -> None:
    (session_folder / "overlay.toml").unlink()
    code, out, _ = run("mark", session_folder, "--suggest", "--accept", "1=latency")
    assert (code, "Is a higher" in out) == (0, False)
    (item,) = overlay_file.load(session_folder / "overlay.toml").fields
    assert (item.unit, item.better) == ("ms", "lower")
    code, out, _ = run("mark", session_folder, "--suggest", "--accept", "1=bitrate")
    assert (code, "Is a higher" in out) == (0, False)
    item = overlay_file.load(session_folder / "overlay.toml")["bitrate"]
    assert (item.unit, item.better) == ("Mbit/s", "higher")
    # A name that says nothing is asked about, at once and when it is read.
    code, out, _ = run("mark", session_folder, "--suggest", "--accept", "1=signal")
    assert (code, "Is a higher or a lower signal better?" in out) == (0, True)
    assert overlay_file.load(session_folder / "overlay.toml")["signal"].direction is None
    assert "not said" in run("mark", session_folder, "--list")[1]
    code, _, err = run("read", session_folder, "--jobs", 1)
    assert (code, err.count("Is a higher or a lower")) == (0, 1)


def test_the_page_offers_the_units_of_the_command(
    session_folder: Path, grey_reader: GreyReader
) -> None:
    (session_folder / "overlay.toml").unlink()
    visitor = Visitor(session_folder)
    session = visitor.session()
    assert session["usual"]["latency"] == {"unit": "ms", "better": "lower"}
    body = {"seen": session["overlay"], "was": "", "clip": "a.mp4", "time_s": 0, "box": list(BOX)}
    made = visitor.post("/api/mark", body | {"name": "rx_delay", "unit": "", "better": ""})
    assert made.get_json()["field"]["better"] == "lower"
    body["seen"] = visitor.session()["overlay"]
    made = visitor.post("/api/mark", body | {"name": "signal", "unit": "", "better": ""})
    assert made.get_json()["field"]["better"] == ""
    assert overlay_file.load(session_folder / "overlay.toml")["signal"].direction is None


def table(path: Path, more: Sequence[str] = (), cells: Sequence[str] = ()) -> Path:
    rows = [
        ",".join([name, str(mounting), f"{level + shift}", *cells])
        for name, level in (("Quick", 20), ("Slow", 35), ("Usual", 27))
        for mounting, shift in ((1, 0.1), (2, -0.2), (3, 0.3))
    ]
    path.write_text("\n".join([",".join(["antenna", "mounting", "value", *more]), *rows]) + "\n")
    return path


def said(path: Path, **options: str) -> str:
    return compare_sessions([path], **options).text()  # type: ignore[arg-type]


def test_the_lowest_latency_is_best(tmp_path: Path) -> None:
    assert "Quick is best" in said(table(tmp_path / "a.csv"), field="latency")
    assert "Quick is best" in said(table(tmp_path / "b.csv", ["unit"], ["ms"]))
    assert "Quick is best" in said(table(tmp_path / "c.csv", ["better"], ["lower"]))
    assert "Slow is best" in said(table(tmp_path / "d.csv"), field="bitrate")
    assert "Slow is best" in said(table(tmp_path / "e.csv", ["unit"], ["Mbit/s"]))
    assert "Slow is best" in said(table(tmp_path / "f.csv", ["better", "unit"], ["higher", "dBm"]))


def test_a_table_that_does_not_say_gets_the_question_and_no_verdict(tmp_path: Path) -> None:
    found = compare_sessions([table(tmp_path / "a.csv")])
    assert "a column better" in found.text()
    assert found.better is None
    assert not CLAIMS.search(found.text())
    # One of two joined tables that says it says it for both.
    other = table(tmp_path / "b.csv", ["better"], ["lower"])
    joined = compare_sessions([tmp_path / "a.csv", other])
    assert "Quick is best" in joined.text()


@pytest.mark.parametrize("reference", [None, "Coil"])
@pytest.mark.parametrize("mountings", [["m1"], ["m1", "m2"]])
def test_nothing_is_claimed_of_a_direction_that_is_not_known(
    mountings: list[str], reference: str | None
) -> None:
    rows = scenario(port_effect=2.0)
    rows = rows[rows["mounting"].isin(mountings)].assign(with_outages=60 - rows["value"])
    known = compared(rows, better="higher", reference=reference)
    asked = compared(rows, better=None, reference=reference)
    assert [f.kind for f in asked.findings].count("direction") == 1
    assert asked.findings[0].kind == "direction"
    slab = known.ranking.set_index("antenna").loc["Slab", "mean"]
    assert f"Slab {slab:.1f}" in asked.findings[0].sentence  # the numbers are there
    for finding in asked.findings:
        assert not CLAIMS.search(f"{finding.sentence} {finding.how_we_know}"), finding
    if len(mountings) == 2:
        assert CLAIMS.search(known.text())
    assert np.isnan(asked.ranking[["place", "probability_best"]].to_numpy(float)).all()
    judged = len(mountings) == 2 and reference is None
    assert known.ranking["place"].notna().all() == judged
    # What needs no direction is as it was: ports, differences, ties.
    assert asked.ports.equals(known.ports)
    assert asked.pairs.equals(known.pairs)
    assert asked.order.together == known.order.together
    assert not CLAIMS.search(story.verdict(asked, looks(asked.order.names)))
    with pytest.raises(UsageError, match="Is a higher or a lower bitrate better"):
        simulated_repeats.repeat(asked)


def test_tables_report_and_card_of_a_session_that_does_not_say(tmp_path: Path) -> None:
    runs = [(a, "P", m) for m in ("m1", "m2") for a in ("Slab", "Coil", "Fan")]
    folder = made_up_session(tmp_path / "s", runs)
    for path in folder.rglob("*"):
        if path.suffix in (".toml", ".csv"):
            text = path.read_text().replace("bitrate", "signal").replace("Mbit/s", "")
            path.write_text(text)
    page, *_ = write_report([folder])
    text = page.read_text()
    assert "Is a higher or a lower signal better?" in text
    # What a word means, shown over it, claims nothing of these antennas.
    assert not CLAIMS.search(re.sub(r'<svg.*?</svg>|title="[^"]*"', "", text, flags=re.S))
    places = [row.split(",")[0] for row in (folder / "results/ranking.csv").read_text().split()]
    assert places[1:] == ["", "", ""]
    assert card.write_card(folder).exists()
    with pytest.raises(UsageError, match="column better"):
        repeat_film.write_replay(folder)
    (folder / "overlay.toml").write_text(
        (folder / "overlay.toml").read_text() + 'better = "higher"\n'
    )
    assert CLAIMS.search(compare_sessions([folder], field="signal").text())


class CarefulReader(GreyReader):
    """Reads an even patch, and is sure of nothing where there is more than that."""

    def read(self, crops: Sequence[Crop]) -> list[Line]:
        even = [float(c[..., 0].std()) < 4 for c in crops]
        lines = super().read(crops)
        return [x if e else Line(x.text, 0.1) for e, x in zip(even, lines, strict=True)]


@pytest.fixture
def careful(grey_reader: GreyReader, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(readers, "create", lambda name, glyphs=None: CarefulReader())


BAD = "150,100,120,60"


def test_a_mark_that_reads_is_not_replaced_by_one_that_does_not(
    session_folder: Path, careful: None
) -> None:
    path = session_folder / "overlay.toml"
    before = path.read_bytes()
    command = ("mark", session_folder, "--field", "bitrate", "--unit", "kbit/s")
    code, _, err = run(*command, "--box", BAD)
    assert code == 2
    assert "10 of 10" in err
    assert "at 0 in the new box" in err
    assert "--insist" in err
    assert len(err.strip().splitlines()) == 1
    assert path.read_bytes() == before
    # A better box, another shape of picture, and a wish that is insisted on are taken.
    assert run(*command, "--box", "44,22,50,28")[0] == 0
    assert run(*command, "--box", BAD, "--insist")[0] == 0
    # What could not be read before may be replaced by anything.
    assert run(*command, "--box", "150,100,110,60")[0] == 0


def test_the_page_asks_too_and_a_refusal_changes_nothing(
    session_folder: Path, careful: None
) -> None:
    visitor = Visitor(session_folder)
    box = [int(v) for v in BAD.split(",")]
    body = {"seen": visitor.session()["overlay"], "was": "bitrate", "clip": "a.mp4", "time_s": 0}
    before = (session_folder / "overlay.toml").read_bytes()
    for name in ("bitrate", "renamed"):
        answer = visitor.post("/api/mark", {**body, "name": name, "box": box})
        assert answer.status_code == 428
        assert "at 0 in the new box" in answer.get_json()["error"]
        assert (session_folder / "overlay.toml").read_bytes() == before
    answer = visitor.post("/api/mark", {**body, "name": "renamed", "box": box, "insist": True})
    assert answer.get_json()["field"]["box"] == box


def test_suggestions_are_not_taken_over_a_better_mark(session_folder: Path, careful: None) -> None:
    session = Session(session_folder)
    bad = suggestions.Candidate(Box(150, 100, 120, 60), (), None, 1.0)
    picture = np.zeros((180, 320, 3), np.uint8)
    found = suggestions.Suggestions((bad,), "a.mp4", 0.5, picture)
    asked = suggestions.accepted(found, 1, "bitrate")
    with pytest.raises(ConsentError):
        marking.mark(session, "bitrate", *asked)
    assert marking.mark(session, "bitrate", *asked, insist=True).field.box == bad.box


def test_the_guides_own_example_reads_on_the_sample_clips(tmp_path: Path) -> None:
    root = Path(__file__).parents[2]
    guide = (root / "docs" / "user-guide.md").read_text()
    (example,) = re.findall(r"extractor mark SESSION --field (\w+) --box ([\d,]+)", guide)
    samples = sorted((root / "sample_clips").glob("*.mp4"))[::6]
    for path in samples:
        (tmp_path / path.name).symlink_to(path)
    session = Session(tmp_path)
    made = marking.mark(session, example[0], marking.Spot(marking.parse_box(example[1])), {})
    seen = marking.preview(session, made.field, "network")
    assert len(seen.glances) == 5 * len(samples)
    assert seen.readable == len(seen.glances)
