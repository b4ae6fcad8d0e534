"""Which runs make the curve and which are compared, and the spreads that both carry."""

import math

import numpy as np
import pandas as pd
import pytest

from extractor.errors import TableError
from extractor.radio.calibration import calibrate, is_calibrated, usable_runs

STEPS = np.array([0.0, 3, 6, 9, 12, 15])
LEVELS = np.array([48.0, 46, 40, 31, 22, 12])


def table(rows, columns=("antenna", "attenuation_db", "mean")):
    return pd.DataFrame(rows, columns=columns)


CURVE_ROWS = [("A", a, b) for a, b in zip(STEPS, LEVELS, strict=True)]
BACK_ROWS = [("A", a, b - 0.5) for a, b in zip(STEPS[::-1], LEVELS[::-1], strict=True)]


def test_runs_are_sorted_into_curve_and_comparison():
    runs = table([*CURVE_ROWS, *BACK_ROWS, ("B", 0, 37.0), ("B", 0, 36.0)])
    found = calibrate(runs)
    assert found.curve.antenna == "A"
    assert found.curve.step_runs.tolist() == [2] * 6
    assert found.levels.set_index("antenna")["level"]["B"] == 36.5
    # Pure error: six pairs 0.5 apart and one pair 1.0 apart.
    assert found.curve_spread.dof == 7
    assert found.curve_spread.sd == pytest.approx(math.sqrt((6 * 0.125 + 0.5) / 7))
    assert found.level_spread == found.curve_spread


def test_mountings_spread_in_decibels():
    rows = [(*row, "A1") for row in [*CURVE_ROWS, *BACK_ROWS]]
    rows += [("B", 0, 31.0, "B1"), ("B", 0, 31.0, "B1"), ("B", 0, 28.0, "B2")]
    found = calibrate(table(rows, ("antenna", "attenuation_db", "mean", "mounting")))
    assert found.level_spread.unit == "mounting"
    assert found.level_spread.dof == 1
    assert found.levels.set_index("antenna")["level"]["B"] == pytest.approx(29.5)
    # 3 Mbit/s apart on a slope of about 3 Mbit/s per dB.
    assert found.level_spread.sd == pytest.approx(1 / math.sqrt(2), rel=0.05)


def test_mountings_where_the_curve_is_flat_say_nothing_of_decibels():
    rows = [(*row, "A1") for row in [*CURVE_ROWS, *BACK_ROWS]]
    rows += [("B", 0, 31.0, "B1"), ("B", 0, 28.0, "B2")]
    columns = ("antenna", "attenuation_db", "mean", "mounting")
    alone = calibrate(table(rows, columns)).level_spread
    rows += [("C", 0, 48.5, "C1"), ("C", 0, 47.7, "C2")]
    assert calibrate(table(rows, columns)).level_spread == alone


def test_compared_where_most_runs_are():
    runs = table([*CURVE_ROWS, ("B", 3, 30.0), ("B", 3, 31.0), ("B", 0, 37.0)])
    levels = calibrate(runs).levels.set_index("antenna")
    assert levels["attenuation_db"]["B"] == 3
    assert levels["level"]["B"] == 30.5


def test_text_cells_and_gaps_as_the_session_tables_have_them():
    runs = table([*CURVE_ROWS, ("B", "", "37,5"), (None, 0, 12.0), ("C", 0, None)])
    runs["angle_deg"] = [None] * 6 + ["0", None, None]
    found = usable_runs(runs, "mean")
    assert found["antenna"].tolist() == ["A"] * 6 + ["B"]
    assert found["mean"].iloc[-1] == 37.5
    runs.loc[6, "attenuation_db"] = "three"
    with pytest.raises(TableError, match="three"):
        usable_runs(runs, "mean")
    runs.loc[6, "attenuation_db"] = -3
    with pytest.raises(TableError, match="drop the minus"):
        usable_runs(runs, "mean")


def test_sweeps_are_no_part_of_it():
    runs = table([*CURVE_ROWS, ("B", 0, 37.0), ("B", 0, 20.0)])
    runs["angle_deg"] = [None] * 6 + [0, 45]
    assert calibrate(runs).levels.set_index("antenna")["level"]["B"] == 37.0


def test_single_clips_fall_back_on_their_own_uncertainty():
    runs = table([*CURVE_ROWS, ("B", 0, 37.0)])
    assert calibrate(runs).level_spread.dof == 0
    known = runs.assign(mean_se=0.3)
    assert calibrate(known).level_spread.unit == "within clip"
    # That uncertainty is the mean's own and says nothing of another measure.
    other = known.assign(median=known["mean"] + 1)
    assert calibrate(other, measure="median").level_spread.dof == 0


def test_what_is_no_calibration():
    assert is_calibrated(table(CURVE_ROWS))
    assert not is_calibrated(table([("A", 0, 40.0), ("A", 3, 30.0), ("B", 6, 20.0)]))
    assert not is_calibrated(pd.DataFrame({"antenna": ["A"]}))
    with pytest.raises(TableError, match="no calibration"):
        calibrate(table([("A", 0, 40.0)]))
    with pytest.raises(TableError, match="attenuation_db"):
        calibrate(pd.DataFrame({"antenna": ["A"], "mean": [1.0]}))
