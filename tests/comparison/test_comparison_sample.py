"""The sample session: what its truth says, the findings must say."""

import shutil
from pathlib import Path

import pytest
from comparison_making import finding, kinds
from sample_truth import SAMPLE, truth_series

from extractor.pipeline import compare_sessions
from extractor.session.csv_tables import write_table
from extractor.session.folder import Session
from extractor.session.overlay_file import load
from extractor.statistics.summary import summarise


def session_from_truth(folder: Path, more_on_green: float = 0.0) -> Path:
    """A session folder whose summary comes from the truth files, `more_on_green` added."""
    folder.mkdir()
    for name in ("overlay.toml", "session.toml", "runs.csv"):
        shutil.copy(SAMPLE / name, folder / name)
    field = load(folder / "overlay.toml")["bitrate"]
    rows = []
    for run in Session(folder).runs():
        series = truth_series(SAMPLE / "truth" / f"{Path(run.clips[0]).stem}.csv", "bitrate")
        series["value"] += more_on_green * (run.cell("port") == "Green")
        row = dict(run.columns) | summarise(series, field).as_row()
        rows.append(row | {"run": run.run, "field": "bitrate", "unit": field.unit})
    columns = list(dict.fromkeys(key for row in rows for key in row))
    write_table(folder / "results" / "summary.csv", columns, rows)
    return folder


@pytest.fixture(scope="module")
def club(tmp_path_factory):
    return compare_sessions([session_from_truth(tmp_path_factory.mktemp("sample") / "club")])


def test_slab_is_best_and_coil_and_fan_tie(club):
    sentence = finding(club, "ranking").sentence
    assert sentence.startswith("Slab is best: at least ")
    assert ("Coil", "Fan") in [tuple(sorted(group)) for group in club.order.together]
    assert not any("Slab" in group for group in club.order.together)


def test_lead_is_at_least_six_times_the_spread_between_mountings(club):
    numbers = {q.name: q.value for q in finding(club, "spread").numbers}
    lead = club.pairs.loc[club.pairs["first"] == "Slab", "difference"].min()
    assert lead >= 6 * numbers["between mountings of one antenna"]


def test_ceiling_is_warned_of_for_slab_alone(club):
    assert "Slab in" in finding(club, "ceiling").sentence
    assert club.ranking.loc[club.ranking["runs_at_ceiling"] > 0, "antenna"].tolist() == ["Slab"]
    # The median is what it would be without the ceiling: no lower bound.
    assert club.measure == "median"
    assert not club.ranking["lower_bound"].any()


def test_the_port_is_found_with_an_interval_from_the_six_real_swaps(club):
    # Stub stood beside another Stub: that swap is a repeat and no comparison of ports.
    sentence = finding(club, "ports").sentence
    assert sentence.startswith("The port matters: Green read 0.8 Mbit/s more than Red")
    (row,) = club.ports.to_dict("records")
    assert 0 < row["low"] < 0.8 < row["high"] < 1.6
    assert row["mountings"] == 6


def test_advice_says_how_many_mountings(club):
    assert "mount each antenna 4 times in all" in finding(club, "next").sentence


def test_order_of_the_sample_is_sound(club):
    assert "order_confounded" not in kinds(club)
    assert club.fit.layout.order == "in the model"


def test_without_its_port_effect_none_is_found(tmp_path):
    same = compare_sessions([session_from_truth(tmp_path / "club", more_on_green=-0.8)])
    assert finding(same, "ports").sentence.startswith("No port effect was seen")
