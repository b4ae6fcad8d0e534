"""Ports: sign-flip test, swaps of like with like, interaction, ports that never met."""

import warnings

import check_data_comparison as data
import numpy as np
import pytest
from comparison_making import compared, finding, scenario, simulated
from scipy import stats

from extractor.comparison.loading import prepare
from extractor.comparison.ports import interaction_p, port_table, sign_flip


def test_sign_flip_of_darwins_maize():
    # Fisher 1935, section 21: 863 of 32768 patterns reach the sum; two-sided 1726/32768. Fifteen
    # pairs are beyond the limit of enumeration, so allow for the draws.
    assert sign_flip(np.array(data.DARWIN)).p == pytest.approx(1726 / 32768, abs=0.008)


def test_sign_flip_counts_every_pattern():
    # The first twelve of them, against a count of our own.
    d = np.array(data.DARWIN[:12])
    signs = 1 - 2 * ((np.arange(2**12)[:, None] >> np.arange(12)) & 1)
    p = (np.abs(signs @ d) >= abs(d.sum())).mean()
    assert sign_flip(d).p == pytest.approx(p)


@pytest.mark.parametrize(("count", "p"), [(3, 0.25), (4, 0.125), (5, 0.0625), (8, 0.0078125)])
def test_smallest_p_of_few_pairs(count, p):
    # 2^(1 - n): fewer than six pairs cannot reach 0.05.
    test = sign_flip(np.arange(1.0, count + 1))
    assert test.smallest_p == p
    assert test.p == pytest.approx(p)


def test_interval_is_the_paired_t_interval():
    runs, _ = prepare(simulated({"A": 30, "B": 28, "C": 27}))
    (row,) = port_table(runs).to_dict("records")
    wide = runs.pivot(index=["antenna", "mounting"], columns="port", values="value")
    reference = stats.ttest_rel(wide["Green"], wide["Red"])
    interval = reference.confidence_interval()
    assert row["p_t"] == pytest.approx(reference.pvalue)
    assert (row["low"], row["high"]) == pytest.approx((interval.low, interval.high))


def test_like_with_like_is_a_repeat_and_no_comparison():
    rows = simulated({"A": 30, "B": 28, "C": 27}, mountings=2)
    rows["others"] = [f"{'Green' if p == 'Red' else 'Red'}=Z" for p in rows["port"]]
    alike = rows["antenna"] == "C"
    rows.loc[alike, "others"] = "Red=C;Green=C"
    runs, _ = prepare(rows)
    table = port_table(runs)
    assert table["mountings"].tolist() == [4]
    assert table["smallest_p"].tolist() == [0.125]
    # It still tells how far two clips of one mounting differ.
    comparison = compared(rows)
    assert comparison.fit.layout.df_within == 6 - 1


def test_interaction_is_seen_where_it_is_planted():
    rows = simulated({"A": 30, "B": 28, "C": 27}, mountings=3)
    swing = rows["antenna"].map({"A": 2.0, "B": 0.0, "C": -2.0})
    rows["value"] += swing * np.where(rows["port"] == "Red", 1, -1)
    runs, _ = prepare(rows)
    assert interaction_p(runs) < 0.001
    assert "does not act on every antenna alike" in finding(compared(rows), "interaction").sentence


def test_interaction_agrees_with_statsmodels():
    import statsmodels.formula.api as smf
    from statsmodels.stats.anova import anova_lm

    rows = simulated({"A": 30, "B": 28, "C": 27}, mountings=3, seed=8)
    rows["stand"] = rows["antenna"] + rows["mounting"]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # antenna and stand overlap, which the fit sorts out
        plain = smf.ols("value ~ C(stand) + C(port)", rows).fit()
        full = smf.ols("value ~ C(stand) + C(port) + C(antenna):C(port)", rows).fit()
    reference = anova_lm(plain, full)["Pr(>F)"].iloc[1]
    runs, _ = prepare(rows)
    assert interaction_p(runs) == pytest.approx(reference, rel=1e-6)


def test_ports_that_never_met_in_a_mounting_are_compared_across():
    rows = simulated({"A": 30, "B": 28}, mountings=6, spread=0.3)
    met = (rows["mounting"].astype(int) % 2 == 0) == (rows["port"] == "Red")
    rows = rows[met].reset_index(drop=True)
    rows["value"] += 3.0 * (rows["port"] == "Red")
    runs, _ = prepare(rows)
    (row,) = port_table(runs).to_dict("records")
    assert row["basis"] == "other mountings"
    assert row["low"] < -3.0 < row["high"] < 0


def test_each_antenna_on_its_own_port_says_nothing_about_ports():
    rows = simulated({"A": 30, "B": 28}, mountings=3)
    rows = rows[(rows["antenna"] == "A") == (rows["port"] == "Red")].reset_index(drop=True)
    comparison = compared(rows)
    assert "can't be said" in finding(comparison, "ports").sentence
    assert "port" in finding(comparison, "not_adjusted").sentence


def test_no_difference_seen_never_reads_as_no_difference():
    sentence = finding(compared(scenario(port_effect=0.0)), "ports").sentence
    assert sentence.startswith("No port effect was seen")
    assert "not proof that there is none" in sentence
    assert "four times out of five" in sentence


def test_role_is_named_where_it_differs():
    rows = scenario()
    rows["port_role"] = rows["port"].map({"Red": "rx", "Green": "rxtx"})
    assert "Green also transmits" in finding(compared(rows), "ports").sentence


def test_three_ports_are_compared_pairwise_with_a_joint_bound():
    rows = simulated({"A": 30, "B": 28}, ports=("P", "Q", "R"), mountings=3)
    runs, _ = prepare(rows)
    joint = port_table(runs)
    alone = port_table(runs[runs["port"] != "R"])
    assert len(joint) == 3
    assert joint.loc[0, "high"] - joint.loc[0, "low"] > alone.loc[0, "high"] - alone.loc[0, "low"]
