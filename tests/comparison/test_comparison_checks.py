"""Outliers, unlike spreads, companions, what all at the ceiling shows."""

from itertools import permutations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from comparison_making import compared, finding, grouped, kinds, scenario, simulated

from extractor.comparison.checks import odd_values, outlier_findings
from extractor.comparison.findings import Voice
from extractor.comparison.model import estimate, lay_out
from extractor.statistics.power import smallest_p


def test_outliers_agree_with_statsmodels():
    rng = np.random.default_rng(2)
    design = np.kron(np.eye(3), np.ones((6, 1)))
    values = rng.normal(size=18)
    values[4] += 8
    left = np.eye(18) - design @ np.linalg.pinv(design)
    (found,) = odd_values(values, left, [str(i) for i in range(18)])
    reference = sm.OLS(values, design).fit().outlier_test(method="bonf")
    assert found[0] == "4"
    assert found[2] == pytest.approx(reference[4, 2])


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
        named += any(outlier_findings(fit, rows, Voice()))
    # At 1 % of sessions; more than 4 of 60 has probability 0.03 %.
    assert named <= 4


def test_antenna_that_scatters_more_is_named():
    rows = simulated({"A": 30, "B": 28, "C": 27}, mountings=5, spread=0.3, clip=0.1, seed=1)
    del rows["order"]
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


def test_all_at_the_ceiling_tells_nothing_and_leaves_numbers_empty():
    rows = simulated({"A": 39.9, "B": 39.8, "C": 39.7}, mountings=3, spread=0.01, clip=0.01)
    rows["ceiling_share"] = 0.9
    comparison = compared(rows)
    sentence = finding(comparison, "ranking").sentence
    assert sentence.startswith("These clips can't tell the antennas apart: the link stood at its")
    assert comparison.pairs[["low", "high", "p_adjusted"]].isna().all(axis=None)
    for column in ("low", "high", "inner_low", "probability_best"):
        assert comparison.ranking[column].isna().all()
    assert "mountings" not in finding(comparison, "next").sentence
    # One clip whose lower quartile is below the ceiling, and there is something to judge by.
    rows.loc[3, "ceiling_share"] = 0.7
    assert compared(rows).pairs["low"].notna().all()


@pytest.mark.parametrize("mountings", [1, 2, 3])
def test_clips_that_are_all_equal_tell_nothing(mountings):
    rows = simulated({"A": 40, "B": 40, "C": 40}, mountings=mountings, spread=0, clip=0)
    rows["value"] += np.where(rows.index % 2, 1e-14, 0)  # as sums of tenths come out
    comparison = compared(rows)
    sentence = finding(comparison, "ranking").sentence
    assert sentence == "These clips can't tell the antennas apart: all show 40.0 Mbit/s."
    assert comparison.ranking["probability_best"].isna().all()
    assert comparison.pairs["p_adjusted"].isna().all()
    assert "no drift" not in comparison.text().lower()


def at_the_ceiling(share: float) -> pd.DataFrame:
    """A leads by 3 in truth; the ceiling of 40 takes that off its means, not off its p25."""
    rows = simulated({"A": 39.0, "B": 36.0, "C": 35.0}, 3, spread=0.02, clip=0.01)
    rows["median"], rows["p25"], rows["mean"] = rows["value"], rows["value"] - 2, rows["value"]
    best = rows["antenna"] == "A"
    rows.loc[best, ["mean", "value"]] -= 1.5
    return rows.assign(ceiling_share=np.where(best, share, 0.0))


@pytest.mark.parametrize(
    ("share", "measure", "bound"),
    [(0.1, "mean", False), (0.4, "median", False), (0.6, "p25", False), (0.8, "p25", True)],
)
def test_runs_count_by_what_the_ceiling_leaves_alone(share, measure, bound):
    comparison = compared(at_the_ceiling(share), free=True)
    assert comparison.measure == measure
    lead = comparison.pairs.loc[0, "difference"]
    assert lead == pytest.approx(1.5 if measure == "mean" else 3.0, abs=0.3)
    assert comparison.ranking.loc[0, "lower_bound"] == bound
    found = finding(comparison, "ceiling")
    if measure == "mean":
        assert "does not matter" in found.sentence
        return
    name = {"p25": "lower quartile (p25)"}.get(measure, measure)
    assert f"count by their {name}" in found.sentence
    assert ("is a lower bound" in found.sentence) == bound
    (mean,) = [q.value for q in found.numbers if q.name == "A, mean"]
    assert mean == pytest.approx(37.5, abs=0.3)


def test_a_measure_that_was_asked_for_stays():
    comparison = compared(at_the_ceiling(0.4))
    assert comparison.measure == "mean"
    assert comparison.ranking.loc[0, "lower_bound"]
    lower = compared(at_the_ceiling(0.4), free=True, better="lower")
    assert lower.measure == "mean"
    short = compared(at_the_ceiling(0.4).drop(columns="median"), free=True)
    assert short.measure == "mean"


@pytest.mark.parametrize("sizes", [(2, 2), (3, 3), (2, 2, 2), (1, 2, 3), (4, 2)])
def test_smallest_p_is_that_of_all_ways_to_deal_out(sizes):
    # Enumerated: shares of the deals that part the groups as these do, whichever is called what.
    labels = [i for i, n in enumerate(sizes) for _ in range(n)]

    def parts(deal):
        return frozenset(
            frozenset(at for at, label in enumerate(deal) if label == i) for i in range(len(sizes))
        )

    deals = list(set(permutations(labels)))
    assert smallest_p(sizes) == pytest.approx(
        np.mean([parts(deal) == parts(tuple(labels)) for deal in deals])
    )


def test_smallest_p_of_two_samples_is_the_published_one():
    # Two-sample permutation test, 2 / C(n1 + n2, n1): 3 + 3 gives 0.1, 4 + 4 gives 1 / 35.
    assert [smallest_p([n, n]) for n in (3, 4)] == pytest.approx([0.1, 1 / 35])


def test_too_few_mountings_for_any_p_are_said_where_the_level_is_out_of_reach():
    three = compared(grouped([[10.0, 11, 12], [20.0, 21, 22.5]]))
    assert "in 1 of 10 sessions" in finding(three, "smallest_p").sentence
    four = [[10.0, 11, 12, 11.5], [20.0, 21, 22.5, 20.5]]
    assert "smallest_p" not in kinds(compared(grouped(four)))
    # At a stricter level four are too few as well.
    assert "smallest_p" in kinds(compared(grouped(four), confidence=0.98))
