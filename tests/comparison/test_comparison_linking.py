"""Rounds joined through shared antennas."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from comparison_making import compared, finding, kinds, simulated

from extractor.comparison.model import mounting_error
from extractor.errors import UsageError


def joined(first: dict, second: dict, **options):
    rounds = [
        simulated(first, mountings=3, session="spring", seed=1, spread=0.3),
        simulated(second, mountings=3, session="autumn", seed=2, spread=0.3),
    ]
    return compared(pd.concat(rounds, ignore_index=True), **options)


def test_shared_antennas_with_parallel_shifts_join():
    comparison = joined({"A": 30, "B": 28, "C": 25}, {"A": 27, "B": 25, "D": 26})
    sentence = finding(comparison, "link").sentence
    assert "consistent with one shift for all" in sentence
    assert "no proof" in sentence
    # D stands against C across the rounds: 26 + 3 against 25.
    assert comparison.order.names == ("A", "D", "B", "C")


def test_shifts_that_differ_are_called_out():
    comparison = joined({"A": 30, "B": 28, "C": 25}, {"A": 27, "B": 31, "D": 26})
    assert "do not simply join" in finding(comparison, "link").sentence


def test_one_shared_antenna_cannot_be_checked():
    comparison = joined({"A": 30, "B": 28}, {"A": 27, "D": 26})
    sentence = finding(comparison, "link").sentence
    assert "can't be checked (the day can't be told from the antenna)" in sentence
    assert "rest on 1 shared antenna: if antennas shift by half a spread" in sentence


def test_no_shared_antenna_is_refused_and_names_one_to_carry_over():
    with pytest.raises(UsageError, match=r"share no antenna.*fly [AB] again in autumn"):
        joined({"A": 30, "B": 28}, {"C": 27, "D": 26})


def test_sessions_may_join_in_a_chain():
    rounds = [
        simulated(levels, mountings=2, session=name, seed=i)
        for i, (name, levels) in enumerate(
            {"one": {"A": 3, "B": 2}, "two": {"B": 2, "C": 1}, "three": {"C": 1, "D": 0}}.items()
        )
    ]
    comparison = compared(pd.concat(rounds))
    assert len(comparison.ranking) == 4
    said = finding(comparison, "link").sentence
    assert said.count("two after one: B ") == said.count("; three after two: C ") == 1


def test_parallel_test_agrees_with_statsmodels():
    import statsmodels.formula.api as smf
    from statsmodels.stats.anova import anova_lm

    comparison = joined({"A": 30, "B": 28, "C": 25}, {"A": 27, "B": 25.5, "D": 26})
    keys = ["session", "antenna", "mounting"]
    by = comparison.runs.groupby(keys)[["value", "order"]].mean().reset_index()
    by["cell"] = by["session"] + by["antenna"]
    plain = smf.ols("value ~ C(antenna) + C(session) + C(session):order", by).fit()
    full = smf.ols("value ~ C(cell) + C(session):order", by).fit()
    reference = anova_lm(plain, full)["Pr(>F)"].iloc[1]
    numbers = {q.name: q.value for q in finding(comparison, "link").numbers}
    assert numbers["p of parallel shifts"] == pytest.approx(reference, rel=1e-6)


def test_spread_of_shifts_is_carried_where_three_antennas_tell():
    """Against the closed form of a balanced two-way table with replicates."""
    levels = {"A": 30.0, "B": 28.0, "C": 25.0}
    rounds = [simulated(levels, 3, session=s, seed=i) for i, s in enumerate(("one", "two"))]
    rows = pd.concat(rounds, ignore_index=True).drop(columns="order")
    rows.loc[(rows["session"] == "two") & (rows["antenna"] == "C"), "value"] += 4.0
    fit = compared(rows).fit
    cells = rows.groupby(["antenna", "session", "mounting"])["value"].mean().unstack()
    means = cells.mean(axis=1).unstack()
    left = means.sub(means.mean(axis=1), axis=0) - means.mean() + means.to_numpy().mean()
    interaction = 3 * float((left**2).to_numpy().sum()) / 2
    error = float((cells.sub(cells.mean(axis=1), axis=0) ** 2).to_numpy().sum()) / 12
    assert (fit.shifting.square, fit.shifting.error) == pytest.approx((interaction, error))
    # A - B: the shifts of four cells, each of weight 1/2.
    weight = np.array([1.0, -1.0, 0.0]) @ fit.layout.weights
    plain = mounting_error(replace(fit, shifting=None), weight)
    whole = mounting_error(fit, weight)
    assert whole.se**2 - plain.se**2 == pytest.approx((interaction - error) / 3)
    assert whole.df < plain.df
    two = compared(rows[rows["antenna"] != "C"])
    assert two.fit.shifting is None
    assert "rest on 2 shared antennas" in finding(two, "link").sentence
    assert "rest on" not in finding(compared(rows), "link").sentence


def test_changed_conditions_between_sessions_are_said():
    rounds = [
        simulated({"A": 3, "B": 2}, session="one").assign(power_mw="25"),
        simulated({"A": 3, "B": 2}, session="two", seed=4).assign(power_mw="200"),
    ]
    comparison = compared(pd.concat(rounds, ignore_index=True))
    assert "different conditions" in finding(comparison, "link_conditions").sentence
    assert "conditions" not in kinds(comparison)


def both_sides() -> pd.DataFrame:
    receiving = simulated({"A": 30, "B": 28}, mountings=2, session="rx", clip=0.01, spread=0.01)
    receiving["transmitter_antenna"] = "T1"
    sending = [
        simulated({"A": level}, mountings=2, session="tx", seed=i, clip=0.01, spread=0.01).assign(
            transmitter_antenna=name, run=lambda d, n=name: d["run"] + n
        )
        for i, (name, level) in enumerate({"T1": 30, "T2": 33}.items())
    ]
    return pd.concat([receiving, *sending], ignore_index=True)


def test_sides_join_through_their_shared_configuration():
    rows = both_sides()
    rows.loc[rows["session"] == "rx", "value"] += rows["antenna"].eq("B") * 4.0  # B now 32
    found = finding(compared(rows), "sides")
    assert "share A with T1" in found.sentence
    assert "That is an assumption" in found.sentence
    assert "one clip of B with T2 on the transmitter would check it" in found.sentence
    assert found.numbers[0].value == pytest.approx(35, abs=0.2)


def test_sides_without_a_shared_configuration_are_said():
    rows = both_sides()
    rows.loc[rows["session"] == "rx", "transmitter_antenna"] = "T9"
    rows = rows[~((rows["session"] == "rx") & (rows["antenna"] == "A"))]
    extra = rows[rows["session"] == "rx"].assign(antenna="C", session="tx", run="c")
    extra["transmitter_antenna"] = "T9"
    link = rows[rows["session"] == "rx"].assign(session="tx", run="d")
    comparison = compared(pd.concat([rows, extra, link], ignore_index=True))
    assert "share no configuration" in finding(comparison, "sides").sentence


def test_transmitter_antennas_can_be_the_factor():
    rows = both_sides()
    comparison = compared(rows[rows["session"] == "tx"], factor="transmitter_antenna")
    assert comparison.order.names == ("T2", "T1")
