"""Ports: paired differences, a drift, swaps of like with like, interaction, ports never met."""

import warnings

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf
from comparison_making import compared, finding, fitted, scenario, simulated
from scipy import stats
from statsmodels.stats.anova import anova_lm

from extractor.comparison.loading import prepare
from extractor.comparison.model import clip_spread, mounting_error
from extractor.comparison.ports import port_table


def ports_of(rows):
    runs, _ = prepare(rows)
    return port_table(fitted(runs), runs)


def test_interval_is_the_paired_t_interval():
    rows = simulated({"A": 30, "B": 28, "C": 27}).drop(columns="order")
    (row,) = ports_of(rows).to_dict("records")
    wide = rows.pivot(index=["antenna", "mounting"], columns="port", values="value")
    reference = stats.ttest_rel(wide["Green"], wide["Red"])
    interval = reference.confidence_interval()
    assert row["p_t"] == pytest.approx(reference.pvalue)
    assert (row["low"], row["high"]) == pytest.approx((interval.low, interval.high))


def in_turns(led, mountings: int = 3, drift: float = -0.25):
    """Four antennas in turns; `led(turn)` tells whether Red is recorded first."""
    rng, rows = np.random.default_rng(6), []
    for turn in range(4 * mountings):
        name, put_up = "ABCD"[turn % 4], rng.normal()
        for port in ("Red", "Green") if led(turn) else ("Green", "Red"):
            value = 30 - turn % 4 + put_up + drift * len(rows) + rng.normal(0, 0.1)
            rows.append(("s", name, str(turn // 4), port, len(rows) + 1, value))
    columns = ["session", "antenna", "mounting", "port", "order", "value"]
    return pd.DataFrame(rows, columns=columns)


def test_a_drift_is_no_port_effect_where_red_always_leads():
    # No port effect is planted; Red gains 0.25 by being recorded first.
    rows = in_turns(lambda turn: True)
    (row,) = ports_of(rows).to_dict("records")
    assert row["low"] < 0 < row["high"]
    (blind,) = ports_of(rows.drop(columns="order")).to_dict("records")
    assert blind["high"] < 0
    # By hand: the mean difference less the drift, whose error is that of the slope.
    fit = fitted(rows)
    slope = float((fit.layout.slopes @ fit.mounting_means)[0])
    assert row["difference"] == pytest.approx(blind["difference"] - slope)
    se = float(mounting_error(fit, fit.layout.slopes[0]).se)
    assert row["high"] - row["low"] > 2 * 2 * se


def test_a_port_that_always_leads_gets_no_verdict_where_no_drift_is_known():
    rows = in_turns(lambda turn: True, mountings=1)
    sentence = finding(compared(rows), "ports").sentence
    assert "Green and Red were recorded in one and the same order" in sentence
    assert ports_of(rows)["low"].isna().all()


def test_ports_that_lead_in_turn_need_no_known_drift():
    # One mounting each: the drift is known from the ports that led by turns alone.
    rows = in_turns(lambda turn: turn != 1, mountings=1)
    (row,) = ports_of(rows).to_dict("records")
    wide = rows.pivot(index="antenna", columns="port", values=["value", "order"])
    design = sm.add_constant((wide["order"]["Green"] - wide["order"]["Red"]).to_numpy())
    left = (wide["value"]["Green"] - wide["value"]["Red"]).to_numpy()
    reference = sm.OLS(left, design).fit()
    assert row["difference"] == pytest.approx(reference.params[0])
    assert (row["low"], row["high"]) == pytest.approx(tuple(reference.conf_int()[0]))


def test_like_with_like_is_a_repeat_and_no_comparison():
    rows = simulated({"A": 30, "B": 28, "C": 27}, mountings=2)
    rows["others"] = [f"{'Green' if p == 'Red' else 'Red'}=Z" for p in rows["port"]]
    alike = rows["antenna"] == "C"
    rows.loc[alike, "others"] = "Red=C;Green=C"
    runs, _ = prepare(rows)
    assert port_table(fitted(runs), runs)["mountings"].tolist() == [4]
    # It still tells how far two clips of one mounting differ.
    comparison = compared(rows)
    assert comparison.fit.layout.df_within == 6 - 1 - 1  # a port and a drift


def test_a_port_that_helps_one_antenna_alone_is_said_first():
    rows = simulated({"A": 30, "B": 28, "C": 27}, mountings=3)
    rows["value"] += 4.0 * ((rows["antenna"] == "B") & (rows["port"] == "Green"))
    comparison = compared(rows)
    sentence = finding(comparison, "ports").sentence
    assert sentence.startswith("The port does not act on every antenna alike: with B Green read 4")
    assert "with A" in sentence
    assert "with C" in sentence
    own = comparison.ports[comparison.ports["antenna"] != ""].set_index("antenna")
    assert own.loc["B", "low"] > 2
    assert own.loc["A", "low"] < 0 < own.loc["A", "high"]
    assert "on Green B" in finding(comparison, "ranking_by_port").sentence
    # The clips' spread is free of it: 0.3 is planted, the port swings by 4.
    assert clip_spread(comparison.fit) == pytest.approx(0.3, abs=0.15)


def test_with_many_antennas_those_most_unlike_are_named_and_the_rest_stand_in_the_table():
    levels = {f"Ant{i}": 30.0 + 3 * i for i in range(7)}
    rows = simulated(levels, mountings=3)
    rows["value"] += 4.0 * ((rows["antenna"] == "Ant2") & (rows["port"] == "Green"))
    comparison = compared(rows)
    sentence = finding(comparison, "ports").sentence
    assert sentence.startswith("The port does not act on every antenna alike: with Ant2 Green")
    assert sentence.count(" read ") == 4
    assert "and less unlike with the other 3 (ports.csv)." in sentence
    assert len(comparison.ports[comparison.ports["antenna"] != ""]) == 7
    chances = finding(comparison, "probability_best").sentence
    assert chances.endswith("under 1 % each.")
    assert chances.startswith("Chance of being the best: Ant6 ")
    assert chances.count("Ant") + int(chances.split("the other ")[1].split()[0]) == 7


def test_interaction_agrees_with_statsmodels():
    rows = simulated({"A": 30, "B": 28, "C": 27}, mountings=3, seed=8).drop(columns="order")
    rows["stand"] = rows["antenna"] + rows["mounting"]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # antenna and stand overlap, which the fit sorts out
        plain = smf.ols("value ~ C(stand) + C(port)", rows).fit()
        full = smf.ols("value ~ C(stand) + C(port) + C(antenna):C(port)", rows).fit()
    reference = anova_lm(plain, full)["Pr(>F)"].iloc[1]
    assert ports_of(rows)["interaction_p"].tolist() == pytest.approx([reference], rel=1e-6)


def test_intervals_and_p_of_ports_never_disagree():
    rows = simulated({"A": 30, "B": 28, "C": 27}, ports=("P", "Q", "R"), mountings=2, seed=3)
    for lift in np.linspace(0, 1, 21):
        table = ports_of(rows.assign(value=rows["value"] + lift * (rows["port"] == "P")))
        apart = (table["low"] > 0) | (table["high"] < 0)
        assert apart.tolist() == (table["p_t"] < 0.05).tolist()


def test_ports_that_never_met_in_a_mounting_are_compared_across():
    rows = simulated({"A": 30, "B": 28}, mountings=6, spread=0.3)
    met = (rows["mounting"].astype(int) % 2 == 0) == (rows["port"] == "Red")
    rows = rows[met].reset_index(drop=True)
    rows["value"] += 3.0 * (rows["port"] == "Red")
    runs, _ = prepare(rows)
    (row,) = port_table(fitted(runs), runs).to_dict("records")
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
    assert "could have gone unseen" in sentence


def test_role_is_named_where_it_differs():
    rows = scenario()
    rows["port_role"] = rows["port"].map({"Red": "rx", "Green": "rxtx"})
    assert "Green also transmits" in finding(compared(rows), "ports").sentence


def test_three_ports_are_compared_pairwise_with_a_joint_bound():
    rows = simulated({"A": 30, "B": 28}, ports=("P", "Q", "R"), mountings=3)
    runs, _ = prepare(rows)
    joint = port_table(fitted(runs), runs)
    alone = ports_of(rows[rows["port"] != "R"])
    assert len(joint) == 3
    assert joint.loc[0, "high"] - joint.loc[0, "low"] > alone.loc[0, "high"] - alone.loc[0, "low"]


@pytest.mark.parametrize(("mountings", "said"), [(2, "1 of 8 sessions"), (3, None)])
def test_too_few_mountings_on_both_ports_are_said(mountings, said):
    # Sign flips, 2^(1 - n): fewer than six pairs cannot reach 0.05 (scipy's exact test agrees).
    comparison = compared(simulated({"A": 30, "B": 28}, mountings=mountings))
    how = finding(comparison, "ports").how_we_know
    smallest = stats.wilcoxon(np.arange(1, 2 * mountings + 1), method="exact").pvalue
    assert (said in how) if said else "by chance alone" not in how
    assert (smallest > 0.05) == (said is not None)
