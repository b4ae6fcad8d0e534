"""The example session from files to sentences, tables and charts."""

import csv
import shutil
from pathlib import Path

import pytest

from extractor.commands.expect import expect
from extractor.errors import SessionFileError, UsageError
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
    assert agreement == {"Coil": "measured lower", "Fan": "agrees", "Stub": "agrees"}
    (coil,) = [one for one in report.judgements if one.antenna == "Coil"]
    assert [c.title for c in coil.causes][:3] == ["scattered paths", "the spot", "the rating"]


def test_transmitters_antenna_is_not_expected_to_receive(report):
    assert "Mast" not in [one.antenna for one in report.expected]
    assert report.circumstances.transmitter.polarisation == "rhcp"
    assert report.circumstances.positions == 2
    # The same antenna hung on both ports, so nothing was diluted.
    assert report.circumstances.other_antennas == 0


def test_sweep_finds_the_width_that_it_was_made_with(report):
    (beam,) = [f for f in report.findings if f.kind == "beamwidth"]
    numbers = {q.name: q.value for q in beam.numbers}
    assert numbers["low"] <= 50 <= numbers["high"]
    assert any(f.kind == "coverage" for f in report.findings)


def test_command_prints_and_writes(session, capsys):
    expect(session, threshold=20.0)
    shown = capsys.readouterr().out
    for words in ("optimistic", "link-equivalent dB", "Not a compliance tool", "scattered paths"):
        assert words in shown
    with (session / "results" / "expected.csv").open(encoding="utf-8") as stream:
        rows = {row["antenna"]: row for row in csv.DictReader(stream)}
    assert rows["Coil"]["agreement"] == "measured lower"
    assert float(rows["Coil"]["expected_high_db"]) > 0 > float(rows["Coil"]["measured_high"])
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
