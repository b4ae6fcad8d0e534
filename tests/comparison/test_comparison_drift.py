"""Drift, confounded order and warm-up."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from comparison_making import compared, finding, kinds, pooled, simulated

from extractor.comparison.drift import drifts
from extractor.comparison.model import lay_out


def session(seed: int = 0, slope: float = 0.0, mountings: int = 4):
    rows = simulated({"A": 30, "B": 28, "C": 27}, mountings=mountings, seed=seed)
    rows["value"] += slope * rows["order"]
    return rows


def test_planted_drift_is_found():
    found = finding(compared(session(slope=0.3)), "drift")
    assert found.sentence.startswith("The link drifted: +")


def test_without_drift_none_is_claimed_and_the_limit_is_said():
    sentence = finding(compared(session()), "drift").sentence
    assert sentence.startswith("No drift was seen")
    assert "99 % interval" in sentence


def test_slope_between_mountings_agrees_with_statsmodels():
    rows = session(seed=4, slope=0.1)
    fit = pooled(compared(rows).fit)
    (found,) = drifts(fit, rows, confidence=0.95)
    by = rows.groupby(["antenna", "mounting"])[["value", "order"]].mean().reset_index()
    design = np.column_stack([by["antenna"] == a for a in "ABC"] + [by["order"]]).astype(float)
    reference = sm.OLS(by["value"], design).fit()
    span = np.ptp(rows["order"])
    assert found.change == pytest.approx(reference.params.iloc[3] * span)
    assert (found.low, found.high) == pytest.approx(tuple(reference.conf_int().iloc[3] * span))


def test_antenna_by_antenna_gives_no_verdict_and_speaks_of_no_drift():
    rows = session(slope=-0.3)
    rows["order"] = np.arange(len(rows)) + 1
    comparison = compared(rows)
    assert finding(comparison, "ranking").sentence.startswith("No verdict: the antennas did not")
    assert not comparison.pairs["told_apart"].any()
    assert "o drift was seen" not in comparison.text()


def test_all_of_one_then_all_of_the_next_is_called_confounded():
    rows = session()
    rows["order"] = np.arange(len(rows)) + 1
    comparison = compared(rows)
    assert comparison.ranking[["low", "high"]].isna().all(axis=None)
    assert set(comparison.ranking["basis"]) == {"none"}
    sentence = finding(comparison, "order_confounded").sentence
    assert "mixed up with the antennas" in sentence
    proposed = sentence.split("for example: ")[1].rstrip(".").split(", ")
    assert sorted(proposed) == ["A"] * 4 + ["B"] * 4 + ["C"] * 4
    assert any(a != b for a, b in zip(proposed, sorted(proposed), strict=True))


def test_turns_are_not_confounded():
    rows = session()
    rows["order"] = [
        (int(m) - 1) * 6 + "ABC".index(a) * 2 + (p == "Green") + 1
        for a, m, p in zip(rows["antenna"], rows["mounting"], rows["port"], strict=True)
    ]
    assert lay_out(rows).order == "in the model"


def test_common_trend_inside_the_clips_is_a_warm_up():
    rows = session()
    rows["trend_per_min"] = np.random.default_rng(0).normal(1.0, 0.2, len(rows))
    assert "warming up" in finding(compared(rows), "warm_up").sentence
    rows["trend_per_min"] -= rows["trend_per_min"].mean()
    assert "No common trend" in finding(compared(rows), "warm_up").sentence


def test_battery_is_a_block_where_it_changes_between_mountings():
    rows = session(mountings=4)
    rows["battery"] = np.where(rows["mounting"].astype(int) > 2, "2", "1")
    rows["value"] += 3.0 * (rows["battery"] == "2")
    plain = compared(rows.drop(columns="battery"))
    blocked = compared(rows)
    assert float(blocked.fit.ms_between) < float(plain.fit.ms_between) / 3
    assert "not_adjusted" not in kinds(blocked)


def in_order(antennas: str) -> pd.DataFrame:
    order = range(1, len(antennas) + 1)
    mountings = [str(i) for i in order]
    return pd.DataFrame(
        {"session": "one", "antenna": list(antennas), "mounting": mountings, "order": order}
    )


@pytest.mark.parametrize(
    ("antennas", "share", "confounded"),
    [
        ("AAAABABBBB", 0.64, False),
        ("AABBACCBDDCDEEFFEF", 0.88, False),
        ("AABABBCCDCDDEEFEFF", 0.94, True),
        ("AAABBB", 0.77, True),  # one stretch each
        ("ABABAB", 0.09, False),
    ],
)
def test_only_an_order_that_the_antenna_nearly_explains_is_confounded(antennas, share, confounded):
    runs = in_order(antennas)
    explained = runs.groupby("antenna")["order"].transform("mean")
    assert explained.var() / runs["order"].var() == pytest.approx(share, abs=0.01)
    assert (lay_out(runs).order == "confounded") is confounded
