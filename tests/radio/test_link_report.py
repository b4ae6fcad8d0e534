"""The example session from files to sentences, tables and charts."""

import csv
import math
import re
import shutil
from pathlib import Path

import pytest

from extractor.commands.expect import expect
from extractor.errors import SessionFileError, UsageError
from extractor.pipeline import compare_sessions, earlier_spread
from extractor.radio.assessment import link_report
from extractor.report.link_tables import figures, write_link_results

EXAMPLE = Path(__file__).parents[2] / "docs" / "examples" / "calibration"
#: Strengths in dB that the invented table was made with.
TRUTH = {"Coil": -4.6, "Fan": -6.8, "Stub": -9.3}


@pytest.fixture
def session(tmp_path):
    return Path(shutil.copytree(EXAMPLE, tmp_path / "session"))


@pytest.fixture(scope="module")
def report():
    return link_report(EXAMPLE, threshold=20.0)


def test_measured_intervals_hold_what_the_table_was_made_with(report):
    measured = {one.antenna: one.measured for one in report.judgements}
    assert set(measured) == set(TRUTH)
    for antenna, strength_db in TRUTH.items():
        assert measured[antenna].low <= strength_db <= measured[antenna].high


def test_the_disagreement_is_named_with_its_causes(report):
    agreement = {one.antenna: one.agreement for one in report.judgements}
    assert agreement["Coil"] == "measured lower"
    assert "measured lower" not in (agreement["Fan"], agreement["Stub"])
    (coil,) = [one for one in report.surprises if (one.antenna, one.reference) == ("Coil", "Slab")]
    assert [c.name for c in coil.causes if c.counted] == ["rating", "cable"]
    # Slab's beam was no wider behind this wall than on its sheet: the sweep leaves walls no room.
    assert report.circumstances.swept_deg[0] == 0
    assert "left over" in coil.sentence


def test_transmitters_antenna_is_not_expected_to_receive(report):
    assert "Mast" not in [one.antenna for one in report.expected]
    assert report.circumstances.transmitter.polarisation == "rhcp"
    assert report.circumstances.positions == 2
    # The same antenna hung on both ports, so nothing was diluted.
    for one in report.expected:
        assert one.middle["ports"] == pytest.approx(one.middle["total"])


def test_sweep_finds_the_width_that_it_was_made_with(report):
    (beam,) = [f for f in report.findings if f.kind == "beamwidth"]
    numbers = {q.name: q.value for q in beam.numbers}
    assert numbers["low"] <= 50 <= numbers["high"]
    assert any(f.kind == "coverage" for f in report.findings)
    assert report.circumstances.turned == {"Slab"}


def test_command_prints_and_writes(session, capsys):
    expect(session, threshold=20.0)
    shown = capsys.readouterr().out
    for words in ("optimistic", "link-equivalent dB", "Not a compliance tool", "left over"):
        assert words in shown
    with (session / "results" / "expected.csv").open(encoding="utf-8") as stream:
        table = list(csv.DictReader(stream))
    rows = {row["antenna"]: row for row in table if row["reference"] == "Slab"}
    # Then come surprises of other pairs.
    assert ("Coil", "Stub") in [(row["antenna"], row["reference"]) for row in table[3:]]
    assert rows["Coil"]["agreement"] == "measured lower"
    assert float(rows["Coil"]["expected_high_db"]) > 0 > float(rows["Coil"]["measured_high"])
    assert float(rows["Coil"]["left_over_db"]) < 0
    assert "connector" in rows["Coil"]["check"]
    for end in ("low", "high"):
        ports, here = (float(rows["Stub"][f"{name}_{end}_db"]) for name in ("ports", "here"))
        assert math.isfinite(ports - here)
    for name in ("calibration", "expected", "sweep"):
        assert (session / "results" / "pictures" / f"{name}.png").read_bytes()[:4] == b"\x89PNG"


def test_names_that_no_font_holds_are_told_and_drawn_as_boxes(session, fonts, caplog):
    fonts({"DejaVu Sans"})
    for name in ("runs.csv", "antennas.csv", "results/summary.csv"):
        path = session / name
        text = path.read_text(encoding="utf-8").replace("Coil", "螺旋")
        path.write_text(text, encoding="utf-8")
    written = write_link_results(link_report(session), session)  # a Python warning is an error
    assert "expected.png" in {path.name for path in written}
    (line,) = [record.getMessage() for record in caplog.records]
    assert line.startswith("warning: no installed font holds 螺旋: boxes")


def test_without_results_only_the_expectation(session):
    (session / "results" / "summary.csv").unlink()
    report = link_report(session, reference="Fan")
    assert report.judgements == ()
    assert report.calibration is None
    assert report.reference.antenna == "Fan"
    assert [path.name for path in write_link_results(report, session)] == ["expected.csv"]


def test_without_calibration_the_unit_is_that_of_the_field(session):
    runs = session / "runs.csv"
    kept = [line for line in runs.read_text().splitlines() if not line.startswith(("cal", "swe"))]
    runs.write_text("\n".join(kept) + "\n")
    summary = session / "results" / "summary.csv"
    kept = [row for row in summary.read_text().splitlines() if not row.startswith(("cal", "swe"))]
    summary.write_text("\n".join(kept) + "\n")
    report = link_report(session)
    assert report.calibration is None
    assert {one.measured.unit for one in report.judgements} == {"Mbit/s"}
    assert len(figures(report)["expected"].axes) == 2


def test_a_number_of_which_lower_is_better_is_not_held_against_expected_gain(session):
    for name in ("runs.csv", "results/summary.csv"):
        path = session / name
        rows = path.read_text().splitlines()
        kept = "\n".join(row for row in rows if not row.startswith(("cal", "swe"))) + "\n"
        path.write_text(kept.replace("bitrate", "latency").replace("Mbit/s", "ms"))
    report = link_report(session, field="latency")
    assert report.judgements == ()


def test_radiated_power_is_named(session):
    runs = session / "runs.csv"
    first, *rest = runs.read_text().splitlines()
    roles = [f"{row},{'rxtx' if 'Red' in row else 'rx'}" for row in rest]
    runs.write_text("\n".join([f"{first},port_role", *roles]) + "\n")
    remarks = " ".join(link_report(session).remarks)
    # 25 mW into 2 dBi: 16 dBm; 14.6 dBi is 12.45 dB above a dipole (2.15 dBi).
    assert "16.0 dBm EIRP" in remarks
    assert "Coil hung on a port that may transmit: it raises the EIRP by 12.4 dB" in remarks
    assert "Stub hung" not in remarks


def test_bad_input_is_one_line(session):
    with pytest.raises(UsageError, match=r"Nobody.*Slab, Coil"):
        link_report(session, reference="Nobody")
    (session / "session.toml").write_text('distance_m = "far"\n')
    with pytest.raises(SessionFileError, match="distance_m is 'far'"):
        link_report(session)
    with pytest.raises(UsageError):
        link_report(session / "nowhere")


# --- the story: an end-fire antenna that measures like a plain one --------------------------

STORY = Path(__file__).parent / "end_fire_session"


@pytest.fixture
def story(tmp_path):
    return Path(shutil.copytree(STORY, tmp_path / "story"))


def first_line(session, capsys):
    expect(session)
    return capsys.readouterr().out.splitlines()[0]


def test_the_first_sentence_explains_the_end_fire_antenna(story, capsys):
    said = first_line(story, capsys)
    assert said.startswith("Coil, rated 11.0 dB above Stub, measures like it here (+0.1 Mbit/s, ")
    for cause in ("Coil's cable (-5.1 dB)", "walls (-", "the other ports (-"):
        assert cause in said
    assert "the lead of +11.0 becomes +" in said
    with (story / "results" / "expected.csv").open(encoding="utf-8") as stream:
        (row,) = csv.DictReader(stream)
    # Alone in line of sight it should lead; with its ports and behind its walls 0 is inside.
    assert float(row["expected_high_db"]) < 0  # Stub against Coil
    assert float(row["here_low_db"]) < 0 < float(row["here_high_db"])
    assert row["agreement"] == "explained"


def test_the_budget_adds_up(story):
    (found,) = link_report(story).surprises
    counted = math.fsum(c.size.value_db for c in found.causes if c.counted)
    assert found.rated_db + counted == pytest.approx(found.expected.middle["here"], abs=0.05)
    assert found.left_over_db == 0
    assert found.expected.here.low_db < 0 < found.expected.here.high_db


def test_without_walls_and_companions_the_same_measurement_leaves_something_over(story):
    conditions, runs = story / "session.toml", story / "runs.csv"
    conditions.write_text(conditions.read_text().replace("= false", "= true"))
    loads = re.sub(r"(Red|Green|Blue|White)=Stub", r"\1=load", runs.read_text())
    runs.write_text(loads)
    (found,) = link_report(story).surprises
    assert found.agreement == "measured lower"
    assert found.left_over_db < -1
    assert {"walls", "ports"}.isdisjoint({c.name for c in found.causes if c.size.value_db < -1})


def test_line_of_sight_is_checked_and_comes_before_walls(story):
    conditions = story / "session.toml"
    text = conditions.read_text()
    conditions.write_text(text.replace("= false", '= "yes"'))
    assert link_report(story).circumstances.in_sight is True
    runs = story / "runs.csv"
    first, *rest = runs.read_text().splitlines()
    runs.write_text("\n".join([f"{first},line_of_sight", *(f"{row},true" for row in rest)]) + "\n")
    conditions.write_text(text)
    assert link_report(story).circumstances.in_sight is True  # the column comes first
    runs.write_text("\n".join([first, *rest]) + "\n")
    conditions.write_text(text.replace("line_of_sight = false\n", ""))
    assert link_report(story).circumstances.in_sight is False  # three walls
    conditions.write_text(text.replace("= false", '= "perhaps"'))
    with pytest.raises(SessionFileError, match="line_of_sight is 'perhaps'; write true or false"):
        link_report(story)


def add_clip(session, run, antenna, value, **cells):
    """Add a clip that tells to both tables."""
    for name, known in (
        ("runs.csv", {"run": run, "clip": f"{run}.mp4", "antenna": antenna, "port": "Red"}),
        ("results/summary.csv", {"run": run, "clip": f"{run}.mp4", "antenna": antenna,
         "field": "bitrate", "unit": "Mbit/s", "mean": value, "mounting": "tell"}),
    ):  # fmt: skip
        path = session / name
        lines = path.read_text().splitlines()
        columns = lines[0].split(",")
        if name == "runs.csv" and "tells" not in columns:
            lines = [lines[0] + ",tells", *(line + "," for line in lines[1:])]
            columns.append("tells")
        row = {**known, **cells}
        lines.append(",".join(str(row.get(column, "")) for column in columns))
        path.write_text("\n".join(lines) + "\n")


def test_a_clip_that_tells_is_set_apart_and_weighed(story):
    before, lent = link_report(story), earlier_spread([story])
    add_clip(story, "swap", "Stub", 18.0, tells="cable", mounting="tell")
    after = link_report(story)
    assert [one.measured for one in after.judgements] == [one.measured for one in before.judgements]
    (cable,) = [c for c in after.surprises[0].causes if c.name == "cable"]
    assert cable.verdict.startswith("confirmed: the clip showed -6.")
    compared = compare_sessions([story])
    assert "swap" not in set(compared.runs["run"])
    assert earlier_spread([story]).planning() == lent.planning()


def test_the_samples_coil_is_explained_in_the_first_sentence(tmp_path, capsys):
    # Medians of run01 to run16 as read off the sample clips (some are cut at the ceiling).
    sample = Path(__file__).parents[2] / "sample_clips"
    for name in ("antennas.csv", "session.toml", "runs.csv"):
        shutil.copy(sample / name, tmp_path / name)
    medians = (
        *(26.6, 25.9, 38.5, 39.0, 31.95, 32.3, 31.4, 30.0),
        *(38.4, 37.0, 31.4, 30.3, 31.9, 32.2, 26.5, 27.5),
    )
    rows = ["run,clip,field,unit,antenna,mean"]
    with (tmp_path / "runs.csv").open(encoding="utf-8") as stream:
        for run in csv.DictReader(stream):
            value = medians[int(run["run"].removeprefix("run")) - 1]
            cells = (run["run"], run["clip"], "bitrate", "Mbit/s", run["antenna"], f"{value:g}")
            rows.append(",".join(cells))
    (tmp_path / "results").mkdir()
    (tmp_path / "results" / "summary.csv").write_text("\n".join(rows) + "\n")
    said = first_line(tmp_path, capsys)
    assert re.match(r"Coil, rated 3.6 dB above Slab, measures [67]\.\d Mbit/s below it", said)
    for cause in ("Coil's cable (-", "Coil's rating (-", "walls (-"):
        assert cause in said
    (pair,) = [one for one in link_report(tmp_path).surprises if one.reference == "Slab"]
    assert pair.left_over_db == 0
    counted = math.fsum(c.size.value_db for c in pair.causes if c.counted)
    assert pair.rated_db + counted == pytest.approx(pair.expected.middle["here"], abs=0.1)
