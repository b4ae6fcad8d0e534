"""Outliers, ranks, companions."""

import check_data_comparison as data
import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from comparison_making import compared, finding, kinds, scenario, simulated

from extractor.comparison.checks import odd_values, outlier_findings, rank_test
from extractor.comparison.findings import Voice
from extractor.comparison.model import estimate, lay_out


def test_friedman_of_first_base():
    # Hollander and Wolfe (R help of friedman.test): 11.142857, 2 df, p 0.003805, with ties.
    test = rank_test(pd.DataFrame(data.FIRSTBASE))
    assert test.statistic == pytest.approx(11.142857, abs=1e-6)
    assert test.p == pytest.approx(0.003805, abs=1e-6)
    assert not test.exact


@pytest.mark.parametrize(("blocks", "antennas"), data.FRIEDMAN_SMALLEST)
def test_smallest_p_of_friedman(blocks, antennas):
    alike = pd.DataFrame([np.arange(antennas, dtype=float)] * blocks)
    test = rank_test(alike)
    assert test.exact
    assert test.p == pytest.approx(data.FRIEDMAN_SMALLEST[blocks, antennas])
    assert test.smallest_p == pytest.approx(test.p)


def test_exact_friedman_of_four_blocks_of_three():
    # Exact table (4, 3): P(chi-squared >= 6.5) = 1/24.
    ranks = [(1, 2, 3), (1, 2, 3), (1, 2, 3), (2, 1, 3)]
    test = rank_test(pd.DataFrame(ranks, dtype=float))
    assert test.statistic == pytest.approx(6.5)
    assert test.p == pytest.approx(1 / 24)


def test_too_few_blocks_is_said():
    rows = simulated({"A": 30, "B": 28, "C": 27}, mountings=1)
    assert "too few blocks" in finding(compared(rows), "rank_check").sentence


def test_outliers_agree_with_statsmodels():
    rng = np.random.default_rng(2)
    design = np.kron(np.eye(3), np.ones((6, 1)))
    values = rng.normal(size=18)
    values[4] += 8
    (found,) = odd_values(values, design, [str(i) for i in range(18)])
    reference = sm.OLS(values, design).fit().outlier_test(method="bonf")
    assert found.name == "4"
    assert found.p == pytest.approx(reference[4, 2])


def test_odd_run_is_named_and_kept():
    rows = simulated({"A": 30, "B": 28, "C": 27}, mountings=3, spread=0.3, seed=1)
    rows.loc[5, "value"] -= 6
    comparison = compared(rows)
    sentence = finding(comparison, "outlier_runs").sentence
    assert rows.loc[5, "run"] in sentence
    assert "still in every number" in sentence
    assert len(comparison.runs) == len(rows)


def test_clean_sessions_name_no_odd_run_too_often():
    # Mountings make clips of one antenna alike, which the bound ignores: it must not overcall.
    named = 0
    for seed in range(60):
        rows = simulated({"A": 30, "B": 28, "C": 27}, spread=1.0, seed=seed)
        fit = estimate(lay_out(rows), rows["value"].to_numpy())
        named += bool(outlier_findings(fit, rows, Voice()))
    assert named <= 10


def test_antenna_that_scatters_more_is_named():
    rows = simulated({"A": 30, "B": 28, "C": 27}, mountings=5, spread=0.3, clip=0.1, seed=1)
    calm = compared(rows)
    assert "unlike_spread" not in kinds(calm)
    swing = rows["mounting"].map({"1": -4, "2": -2, "3": 0, "4": 2, "5": 4})
    rows["value"] += swing * (rows["antenna"] == "B")
    found = finding(compared(rows), "unlike_spread")
    assert found.sentence.startswith("Mountings of B scatter more")
    # Their own standard deviations, from NumPy.
    by = rows[rows["antenna"] == "B"].groupby("mounting")["value"].mean()
    assert found.numbers[0].value == pytest.approx(np.std(by, ddof=1))


def test_companions_that_differ_are_named():
    rows = scenario()
    rows["others"] = rows["antenna"].map(
        {"Slab": "X=Fan", "Coil": "X=Fan", "Fan": "X=Slab", "Stub": "X=Fan"}
    )
    assert "Fan with Slab" in finding(compared(rows), "companions").sentence
    # One companion throughout; that Stub meets its like is no difference.
    rows["others"] = "X=Stub"
    assert "companions" not in kinds(compared(rows))
