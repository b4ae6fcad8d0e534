"""Simultaneous comparisons against published tables, SciPy and closed forms."""

import check_data_comparison as data
import numpy as np
import pytest
from comparison_making import fitted, grouped, pooled
from scipy import stats

from extractor.comparison.pairs import ordering, pair_table
from extractor.statistics.power import (
    many_one_critical,
    many_one_inside,
    noncentrality,
    power_of_t,
    studentised_critical,
    studentised_p,
)


def test_tukey_intervals_of_the_nist_handbook():
    # e-Handbook 7.4.7.1; printed to two decimals.
    pairs = pair_table(pooled(fitted(grouped(data.HB743))))
    for (a, b), (low, high) in data.HB743_TUKEY.items():
        row = pairs[pairs["first"].isin([str(a), str(b)]) & pairs["second"].isin([str(a), str(b)])]
        (row,) = row.to_dict("records")
        if row["first"] != str(a):
            low, high = -high, -low
        assert (row["low"], row["high"]) == pytest.approx((low, high), abs=0.01)


def test_tukey_agrees_with_scipy_on_unequal_groups():
    groups = [data.HB743[0], data.HB743[1][:3], data.HB743[2][:4]]
    pairs = pair_table(pooled(fitted(grouped(groups))))
    reference = stats.tukey_hsd(*groups)
    for row in pairs.to_dict("records"):
        i, j = int(row["first"]) - 1, int(row["second"]) - 1
        assert row["p_adjusted"] == pytest.approx(reference.pvalue[i, j], abs=1e-6)


@pytest.mark.parametrize(("count", "df"), data.STUDENTISED_RANGE)
def test_studentised_range_of_harter(count, df):
    q = studentised_critical(count, df) * np.sqrt(2)
    assert q == pytest.approx(data.STUDENTISED_RANGE[count, df], abs=1e-4)


@pytest.mark.parametrize("confidence", [0.5, 0.95, 0.999])
def test_critical_values_are_where_the_probability_is_reached(confidence):
    for count, df in ((3, 1.0), (4, 2.955), (24, 11.0), (24, 1e5)):
        critical = studentised_critical(count, df, confidence)
        assert studentised_p(critical, count, df) == pytest.approx(1 - confidence, abs=1e-8)
        reached = many_one_inside(
            many_one_critical(count, df, 0.5, confidence, sides=2), count, df, 0.5, 2
        )
        assert reached == pytest.approx(confidence, abs=1e-8)
        shift = noncentrality(df, min(critical, 40.0), 0.8)
        assert power_of_t(shift, df, min(critical, 40.0)) == pytest.approx(0.8, abs=1e-7)


def test_many_one_comparison_of_dunnett():
    names = list(data.DUNNETT)
    table = grouped(data.DUNNETT.values())
    table["antenna"] = [names[int(a) - 1] for a in table["antenna"]]
    pairs = pair_table(pooled(fitted(table)), reference="control")
    p = dict(zip(pairs["first"], pairs["p_adjusted"], strict=True))
    assert p == pytest.approx(data.DUNNETT_P, abs=5e-4)
    assert pairs["told_apart"].tolist() == [True, False]


def test_the_reference_in_the_middle_gives_the_same_answer_both_ways():
    # A sign slip in the contrasts' correlation would show here.
    table = grouped([[10, 11, 12], [13, 14, 15.5], [16, 17, 18.2]])
    up = pair_table(fitted(table), reference="2")
    down = pair_table(fitted(table.assign(value=-table["value"])), better="lower", reference="2")
    assert up["high"].tolist() == pytest.approx(down["high"].tolist(), abs=1e-3)


def test_without_any_spread_there_is_nothing_to_judge_a_gap_by():
    for groups in ([[5, 5], [4, 4], [4, 4]], [[40.0] * 2] * 3, [[0.1 + 0.2] * 2, [0.3] * 2]):
        pairs = pair_table(fitted(grouped(groups)))
        assert not pairs["told_apart"].any()
        assert pairs[["low", "high", "p_adjusted", "df"]].isna().all(axis=None)
        assert set(pairs["basis"]) == {"none"}


@pytest.mark.parametrize(("df", "one_sided", "all_pairs"), [(8, 2.42, 3.20), (7, 2.48, 3.31)])
def test_critical_values_of_four_antennas(df, one_sided, all_pairs):
    # One-sided many-one comparison with three, correlation 1/2 (Dunnett 1955, table 1a: 2.42 and
    # 2.48, from memory); SciPy's multivariate t is the independent computation.
    assert many_one_critical(3, df, 0.5) == pytest.approx(one_sided, abs=0.005)
    assert studentised_critical(4, df) == pytest.approx(all_pairs, abs=0.005)
    shape = np.full((3, 3), 0.5) + 0.5 * np.eye(3)
    inside = stats.multivariate_t.cdf(
        [many_one_critical(3, df, 0.5)] * 3, shape=shape, df=df, random_state=1
    )
    assert inside == pytest.approx(0.95, abs=1e-4)


def test_two_sided_many_one_comparison_agrees_with_scipy():
    groups = [np.array(data.HB743[i], float) for i in range(3)]
    theirs = stats.dunnett(*groups[1:], control=groups[0], random_state=1)
    pairs = pair_table(pooled(fitted(grouped(groups))), reference="1")
    p = {(set(r[:2]) - {"1"}).pop(): r[2] for r in pairs[["first", "second", "p_adjusted"]].values}
    assert [p["2"], p["3"]] == pytest.approx(theirs.pvalue, abs=1e-3)


def test_best_is_named_by_its_own_test():
    # Hsu 1984: one-sided, so a lead of 2.6 standard errors names the best where the interval of
    # the pair (3.20 standard errors) still holds 0. Mean squares 1, three mountings each.
    groups = [[level - 1, level, level + 1] for level in (10, 9.9, 9.8, 10 + 2.6 * np.sqrt(2 / 3))]
    fit = pooled(fitted(grouped(groups)))
    pairs = pair_table(fit)
    order = ordering(fit, pairs, "higher")
    assert not pairs["told_apart"].any()
    assert order.best == "4"
    assert order.lead == pytest.approx((2.6 - 2.4164) * np.sqrt(2 / 3), abs=1e-3)
    assert ordering(fit, pairs, "lower").may_be_best[0] == "3"


def test_those_that_may_be_the_best_are_kept_together():
    groups = [[level - 1, level, level + 1] for level in (30, 29.5, 25)]
    fit = fitted(grouped(groups))
    assert ordering(fit, pair_table(fit), "higher").may_be_best == ("1", "2")


def test_nothing_is_said_of_an_antenna_mounted_once():
    fit = fitted(grouped([[30.0, 31.0], [20.0, 21.5], [50.0]]))
    pairs = pair_table(fit)
    order = ordering(fit, pairs, "higher")
    assert order.names[0] == "3"
    assert order.best == "1"
    single = pairs[(pairs["first"] == "3") | (pairs["second"] == "3")]
    assert not single["told_apart"].any()
    assert single["low"].isna().all()


def test_antenna_by_antenna_claims_nothing():
    table = grouped([[30.0, 30.1, 29.9], [20.0, 20.2, 20.1]])
    assert ordering(fitted(table), pair_table(fitted(table)), "higher").best == "1"
    in_a_row = fitted(table.assign(order=range(6)))
    pairs = pair_table(in_a_row)
    assert not pairs["told_apart"].any()
    assert pairs[["low", "high", "p_adjusted"]].isna().all(axis=None)
    assert ordering(in_a_row, pairs, "higher").may_be_best == ()


def test_equal_is_said_only_where_the_whole_interval_lies_inside():
    fit = fitted(grouped([[30.0, 31.0, 32.0], [30.5, 31.0, 31.5]]))
    high = float(pair_table(fit)["high"].iloc[0])
    for within, equal in ((high + 0.01, True), (high - 0.01, False), (None, None)):
        assert pair_table(fit, equal_within=within)["equal"].tolist() == [equal]


@pytest.mark.parametrize("count", data.BECHHOFER)
def test_many_one_inside_is_the_integral_of_bechhofer(count):
    # That the best of k is ahead in its sample mean too, all others equal, the spread known.
    for gap, p in zip(data.BECHHOFER[count], (0.90, 0.95, 0.99), strict=True):
        inside = many_one_inside(gap / np.sqrt(2), count - 1, 1e7, 0.5, 1)
        assert inside == pytest.approx(p, abs=1e-4)


def test_sets_may_overlap():
    fit = fitted(grouped([[10, 10.4], [11.1, 11.5], [12.2, 12.6]]))
    pairs = pair_table(fit)
    pairs["told_apart"] = (pairs["first"] == "3") & (pairs["second"] == "1")
    assert ordering(fit, pairs, "higher").together == (("3", "2"), ("2", "1"))


def test_one_antenna_apart_leaves_the_rest_in_one_set():
    fit = fitted(grouped([[10, 10.4], [11.1, 11.5], [12.2, 12.6]]))
    pairs = pair_table(fit)
    pairs["told_apart"] = pairs["first"] == "3"
    order = ordering(fit, pairs, "higher")
    assert order.together == (("2", "1"),)
