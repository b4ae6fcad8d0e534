"""Simultaneous comparisons against published tables, SciPy and closed forms."""

import check_data_comparison as data
import numpy as np
import pytest
from comparison_making import fitted, grouped
from scipy import stats

from extractor.comparison.model import Fit, lay_out
from extractor.comparison.pairs import best_probability, ordering, pair_table
from extractor.statistics.power import studentised_critical


def test_tukey_intervals_of_the_nist_handbook():
    # e-Handbook 7.4.7.1; printed to two decimals.
    pairs = pair_table(fitted(grouped(data.HB743)))
    for (a, b), (low, high) in data.HB743_TUKEY.items():
        row = pairs[pairs["first"].isin([str(a), str(b)]) & pairs["second"].isin([str(a), str(b)])]
        (row,) = row.to_dict("records")
        if row["first"] != str(a):
            low, high = -high, -low
        assert (row["low"], row["high"]) == pytest.approx((low, high), abs=0.01)


def test_tukey_agrees_with_scipy_on_unequal_groups():
    groups = [data.HB743[0], data.HB743[1][:3], data.HB743[2][:4]]
    pairs = pair_table(fitted(grouped(groups)))
    reference = stats.tukey_hsd(*groups)
    for row in pairs.to_dict("records"):
        i, j = int(row["first"]) - 1, int(row["second"]) - 1
        assert row["p_adjusted"] == pytest.approx(reference.pvalue[i, j], abs=1e-6)


@pytest.mark.parametrize(("count", "df"), data.STUDENTISED_RANGE)
def test_studentised_range_of_harter(count, df):
    q = studentised_critical(count, df) * np.sqrt(2)
    assert q == pytest.approx(data.STUDENTISED_RANGE[count, df], abs=1e-4)


def test_many_one_comparison_of_dunnett():
    names = list(data.DUNNETT)
    table = grouped(data.DUNNETT.values())
    table["antenna"] = [names[int(a) - 1] for a in table["antenna"]]
    pairs = pair_table(fitted(table), reference="control")
    p = dict(zip(pairs["first"], pairs["p_adjusted"], strict=True))
    assert p == pytest.approx(data.DUNNETT_P, abs=5e-4)
    assert pairs["told_apart"].tolist() == [True, False]


def test_the_reference_in_the_middle_gives_the_same_answer_both_ways():
    # A sign slip in the contrasts' correlation would show here.
    table = grouped([[10, 11, 12], [13, 14, 15.5], [16, 17, 18.2]])
    up = pair_table(fitted(table), reference="2")
    down = pair_table(fitted(table.assign(value=-table["value"])), better="lower", reference="2")
    assert up["high"].tolist() == pytest.approx(down["high"].tolist(), abs=1e-3)


def test_without_any_spread_a_gap_is_a_gap():
    pairs = pair_table(fitted(grouped([[5, 5], [4, 4], [4, 4]])))
    assert pairs["told_apart"].tolist() == [True, True, False]
    assert pairs["p_adjusted"].tolist() == [0.0, 0.0, 1.0]


def known_spread(means: list[float]) -> Fit:
    """Means with standard error 1 that is as good as known."""
    layout = lay_out(grouped([[0.0, 0.0]] * len(means)))
    object.__setattr__(layout, "df_between", 10**7)
    variance = 1 / float((layout.weights @ layout.weights.T)[0, 0])
    return Fit(layout, np.array(means), np.zeros(2), np.float64(variance), np.float64(np.nan))


@pytest.mark.parametrize("count", data.BECHHOFER)
def test_probability_of_being_best_of_bechhofer(count):
    # With known spread and flat priors the posterior at means (d, 0, …, 0) is Bechhofer's
    # integral for the least favourable configuration.
    for gap, p in zip(data.BECHHOFER[count], (0.90, 0.95, 0.99), strict=True):
        fit = known_spread([gap] + [0.0] * (count - 1))
        assert best_probability(fit, "higher", draws=200_000)[0] == pytest.approx(p, abs=0.003)


def test_probability_of_being_best_for_delays_takes_the_lowest():
    fit = known_spread([5.0, 0.0])
    assert best_probability(fit, "lower")[1] > 0.99


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
    assert order.apart_from_all("3")


def test_probability_of_being_best_knows_how_roughly_the_spread_is_known():
    """Of two antennas it is Student's t at their difference over its standard error."""
    fit = fitted(grouped([[10.0, 11.0], [11.5, 12.5]]))
    # Means 10.5 and 12, mean square 0.5 with 2 degrees of freedom: variance 0.5 / 2 + 0.5 / 2.
    expected = stats.t.cdf(1.5 / np.sqrt(0.5), 2)
    assert best_probability(fit, "higher", draws=200_000)[1] == pytest.approx(expected, abs=0.003)
