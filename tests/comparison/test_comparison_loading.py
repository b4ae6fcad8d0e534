"""From session folders and hand-made tables to the table of runs."""

import pytest
from comparison_making import PLANTED, finding, scenario

from extractor.commands.compare import compare
from extractor.comparison.loading import is_like_with_like, load_sessions, prepare
from extractor.errors import SessionFileError, TableError, UsageError
from extractor.pipeline import compare_sessions, earlier_spread

OVERLAY = """version = 1
[[field]]
name = "bitrate"
unit = "Mbit/s"
frame = [1600, 900]
box = [690, 24, 190, 48]
[[field]]
name = "latency"
unit = "ms"
frame = [1600, 900]
box = [690, 90, 190, 48]
better = "lower"
"""


@pytest.fixture
def club(tmp_path):
    """A session folder as the tool leaves it."""
    folder = tmp_path / "club"
    (folder / "results").mkdir(parents=True)
    (folder / "overlay.toml").write_text(OVERLAY)
    (folder / "session.toml").write_text('place = "quay"\npower_mw = 25\n')
    summary = ["run,clip,field,unit,antenna,port,mounting,order,mean,availability,ceiling_share"]
    runs = ["run,clip,antenna,port,mounting,order,mast"]
    for antenna, mounting, port, order, mean in PLANTED:
        run = f"{antenna}_{mounting}_{port}".lower()
        cells = f"{antenna},{port},{mounting},{order}"
        summary.append(f"{run},{run}.mp4,bitrate,Mbit/s,{cells},{mean},0.99,0.1")
        summary.append(f"{run},{run}.mp4,latency,ms,{cells},{60 - mean},1,")
        runs.append(f"{run},{run}.mp4,{cells},{'tall' if mounting == 'm1' else 'short'}")
    (folder / "results" / "summary.csv").write_text("\n".join(summary) + "\n")
    (folder / "runs.csv").write_text("\n".join(runs) + "\n")
    return folder


def test_session_gives_the_scenario(club):
    comparison = compare_sessions([club])
    assert comparison.unit == "Mbit/s"
    assert comparison.order.names[0] == "Slab"
    assert comparison.order.best == "Slab"
    assert comparison.runs["power_mw"].tolist() == ["25"] * 16


def test_lower_is_better_is_taken_from_the_overlay(club):
    comparison = compare_sessions([club], field="latency")
    assert comparison.better == "lower"
    assert comparison.order.names[0] == "Slab"


def test_primary_field_decides_and_others_are_marked(club):
    # bitrate is the first that is marked and better when higher.
    assert compare_sessions([club]).field == "bitrate"
    other = compare_sessions([club], field="latency")
    assert finding(other, "ranking").sentence.startswith("Secondary, latency: Slab is best")
    assert "bitrate decides this session" in finding(other, "ranking").how_we_know


def test_session_toml_names_the_primary_field(club):
    conditions = club / "session.toml"
    conditions.write_text(conditions.read_text() + 'primary = "latency"\n')
    first = compare_sessions([club])
    assert first.field == "latency"
    assert not finding(first, "ranking").sentence.startswith("Secondary")
    conditions.write_text(conditions.read_text().replace('"latency"', '"speed"'))
    with pytest.raises(SessionFileError, match="primary = 'speed' is no field here"):
        compare_sessions([club])


def test_availability_is_said_in_percent(club):
    table = load_sessions([club], "bitrate", "availability")
    assert table.unit == "%"
    assert table.runs["value"].tolist() == pytest.approx([99.0] * 16)


def test_any_column_of_runs_can_be_the_factor(club):
    comparison = compare_sessions([club], factor="mast")
    assert set(comparison.ranking["antenna"]) == {"tall", "short"}
    assert "the masts did not take turns" in comparison.findings[0].sentence


def test_a_column_of_numbers_can_be_the_factor():
    rows = scenario()
    rows["order"] = rows["mounting"].map({"m1": 1, "m2": 2})
    runs, _ = prepare(rows, "order")
    assert set(runs["antenna"]) == {"1", "2"}


def test_unknown_factor_field_and_measure_name_the_known_ones(club):
    with pytest.raises(UsageError, match="no run says its 'colour'"):
        load_sessions([club], "bitrate", factor="colour")
    with pytest.raises(UsageError, match=r"no field 'speed' \(has: bitrate, latency\)"):
        load_sessions([club], "speed")
    with pytest.raises(UsageError, match="choose one of mean, mean_with_outages"):
        load_sessions([club], "bitrate", "average")


def test_session_that_was_not_read_says_what_to_do(tmp_path):
    with pytest.raises(UsageError, match="read the clips first"):
        load_sessions([tmp_path], "bitrate")


def test_planned_runs_without_a_clip_are_named(club):
    with (club / "runs.csv").open("a") as stream:
        stream.write("r99,,Slab,Red,m3,17,tall\n")
    comparison = compare_sessions([club])
    (left,) = [f for f in comparison.findings if f.kind == "left_out"]
    assert "r99 (planned, no clip)" in left.sentence


def test_antenna_renamed_in_runs_is_followed(club):
    text = (club / "runs.csv").read_text()
    (club / "runs.csv").write_text(text.replace(",Fan,", ",Wing,"))
    assert "Wing" in load_sessions([club], "bitrate").runs["antenna"].tolist()


def test_a_cell_emptied_in_runs_is_followed(club):
    columns, *rows = (line.split(",") for line in (club / "runs.csv").read_text().splitlines())
    for row in rows:
        row[columns.index("mounting")] = ""
    (club / "runs.csv").write_text("\n".join(",".join(line) for line in (columns, *rows)))
    assert set(load_sessions([club], "bitrate").runs["mounting"]) == {"(not given)"}


def test_command_writes_and_prints(club, capsys):
    compare([club])
    printed = capsys.readouterr().out
    assert "Slab is best" in printed
    assert (club / "results" / "findings.json").exists()


def test_spreads_of_an_earlier_session(club):
    spreads = earlier_spread([club]).planning()
    assert 0.3 < spreads.mounting < 1.5
    assert 0 < spreads.clip < 0.5


def test_hand_made_table_with_semicolons_and_decimal_commas(tmp_path):
    path = tmp_path / "club.csv"
    path.write_text(
        "antenna;port;mounting;value\n"
        "A;P;1;30,5\nA;Q;1;30,1\nA;P;2;29,9\nA;Q;2;30,0\n"
        "B;P;1;20,5\nB;Q;1;20,1\nB;P;2;20,9\nB;Q;2;20,0\n",
        encoding="cp1252",
    )
    comparison = compare_sessions([path])
    assert comparison.ranking["mean"].tolist() == pytest.approx([30.125, 20.375])
    assert comparison.pairs["told_apart"].tolist() == [True]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("antenna,port\nA,P\n", "no column 'value'"),
        ("antenna,value\nA,fast\nB,3\n", "line 2, column 'value': 'fast' is not a number"),
        ("antenna,value,order\nA,1,first\nB,3,2\n", "column 'order'"),
        ("antenna,value,better\nA,1,more\nB,3,more\n", "must say higher or lower"),
        ("antenna,value,unit\nA,30,ms\nB,0.03,s\n", "column 'unit' must say the same in every row"),
    ],
)
def test_wrong_tables_name_the_place(tmp_path, text, message):
    path = tmp_path / "t.csv"
    path.write_text(text)
    with pytest.raises(TableError, match=message):
        compare_sessions([path])


@pytest.mark.parametrize(
    ("rows", "what"), [("A,1\nA,2\n", "only A stands"), ("", "nothing stands")]
)
def test_one_antenna_or_none_is_no_comparison(tmp_path, rows, what):
    path = tmp_path / "t.csv"
    path.write_text(f"antenna,value\n{rows}")
    with pytest.raises(UsageError, match=f"{what}.*needs at least two"):
        compare_sessions([path])


def test_runs_without_a_value_are_left_out_and_named(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("antenna,value\nA,1\nA,\nB,2\n,4\n")
    table = load_sessions([path], "bitrate")
    assert table.skipped == ("line 5 (no antenna given)", "line 3 (no value)")
    assert len(table.runs) == 2


def test_numbers_as_mountings_and_ports_are_names():
    rows = scenario()
    rows["mounting"] = rows["mounting"].map({"m1": 1.0, "m2": 2.0})
    runs, _ = prepare(rows)
    assert set(runs["mounting"]) == {"1", "2"}


def test_like_with_like():
    assert is_like_with_like("A", "Green=A")
    assert is_like_with_like("A", "Left=A;Right=A")
    assert not is_like_with_like("A", "Left=A;Right=B")
    assert not is_like_with_like("A", None)
