"""Charts of calibration, expectation and sweep show the numbers of their tables."""

from pathlib import Path

import pytest

from extractor.radio.assessment import link_report
from extractor.report.link_tables import figures

EXAMPLE = Path(__file__).parents[2] / "docs" / "examples" / "calibration"


@pytest.fixture(scope="module")
def report():
    return link_report(EXAMPLE, threshold=20.0)


def test_charts_show_the_tables(report):
    drawn = figures(report)
    curve_axes, residual_axes = drawn["calibration"].axes
    runs = report.calibration.calibration.curve_runs
    shown = [y for line in curve_axes.lines if line.get_marker() in "^v" for y in line.get_ydata()]
    assert sorted(shown) == pytest.approx(sorted(runs["value"]))
    assert "13 runs" in curve_axes.get_title()
    assert "dB" in residual_axes.get_xlabel()
    lines = drawn["expected"].axes[0].lines
    dots = {round(float(v), 6) for line in lines for v in line.get_xdata()}
    for one in report.judgements:
        for value in (one.measured.value, one.measured.low, one.expected.here.high_db):
            assert round(value, 6) in dots
    (sweep_axes,) = drawn["sweep"].axes
    assert list(sweep_axes.lines[0].get_xdata()) == list(report.sweep["angle_deg"])


def test_sweep_in_decibels_without_a_threshold():
    (axes,) = figures(link_report(EXAMPLE))["sweep"].axes
    assert "dB" in axes.get_ylabel()
    assert max(axes.lines[0].get_ydata()) == 0
