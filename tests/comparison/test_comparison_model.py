"""The model against published analyses of designed experiments and against statsmodels."""

import warnings

import check_data_comparison as data
import numpy as np
import pandas as pd
import pytest
from comparison_making import fitted, grouped, pooled, simulated

from extractor.comparison.model import (
    clip_spread,
    estimate,
    inner_error,
    lay_out,
    mounting_error,
    mounting_spread,
    outer_error,
)


def blocked(rows) -> pd.DataFrame:
    """(treatment, block, value): blocks are sessions, one mounting in each."""
    return pd.DataFrame(
        {"session": str(block), "antenna": str(t), "mounting": "1", "value": float(y)}
        for t, block, y in rows
    )


def contrast(fit, a: str, b: str) -> np.ndarray:
    names = fit.layout.antennas
    weights = np.zeros(len(names))
    weights[names.index(a)], weights[names.index(b)] = 1, -1
    return weights


def test_one_way_mean_square_of_nist_strd_sirstv():
    # NIST StRD, SiRstv: certified residual standard deviation, 20 degrees of freedom.
    fit = fitted(grouped(data.SIRSTV))
    assert fit.layout.df_between == 20
    assert np.sqrt(fit.ms_between) == pytest.approx(data.SIRSTV_RESIDUAL_SD, rel=1e-9)


def test_one_way_mean_square_of_the_nist_handbook():
    # e-Handbook 7.4.7.1: MSE 1.33075 with 16 degrees of freedom.
    fit = fitted(grouped(data.HB743))
    assert fit.ms_between == pytest.approx(1.33075, abs=1e-9)
    assert fit.layout.df_between == 16


def test_randomised_blocks():
    # Montgomery Table 4.3: error sum of squares 109.89 with 15 degrees of freedom.
    rows = [(t, b, y) for t, row in enumerate(data.GRAFT) for b, y in enumerate(row)]
    fit = fitted(blocked(rows))
    assert fit.layout.df_between == 15
    assert fit.ms_between * 15 == pytest.approx(109.89, abs=0.005)


def test_incomplete_blocks_use_adjusted_means():
    # Montgomery's catalysts: adjusted means rank 1 and 2 the other way round than raw means.
    table = blocked(data.CATALYST)
    fit = pooled(fitted(table))
    assert fit.means == pytest.approx([71.375, 71.625, 72.0, 75.0], abs=1e-9)
    raw = table.groupby("antenna")["value"].mean()
    assert raw["1"] > raw["2"]
    assert fit.means[0] < fit.means[1]
    assert fit.ms_between * fit.layout.df_between == pytest.approx(3.25)
    assert fit.layout.df_between == 5
    assert outer_error(fit, contrast(fit, "1", "4")).se == pytest.approx(0.698212, abs=1e-6)


def test_incomplete_blocks_of_joshi():
    # Joshi 1987 (agricolae tutorial): differences 1 - 2 … 1 - 6, printed SED 5.4 (5.363).
    rows = list(zip(data.JOSHI_TREATMENTS, data.JOSHI_BLOCKS, data.JOSHI_Y, strict=True))
    fit = pooled(fitted(blocked(rows)))
    differences = fit.means[0] - fit.means[1:]
    assert differences == pytest.approx([16.42, 16.58, 20.17, 15.08, 20.75], abs=0.005)
    assert fit.layout.df_between == 15
    assert outer_error(fit, contrast(fit, "1", "2")).se == pytest.approx(5.363, abs=5e-4)


def test_rounds_linked_by_common_checks():
    # Federer 1956 (agricolae tutorial): adjusted means, error mean square 26.97 (6 df), SEDs.
    rows = [(t, block, y) for block, cells in data.FEDERER.items() for t, y in cells.items()]
    fit = pooled(fitted(blocked(rows)))
    assert fit.ms_between == pytest.approx(26.97, abs=0.005)
    assert fit.layout.df_between == 6
    means = dict(zip(fit.layout.antennas, fit.means, strict=True))
    assert means == pytest.approx(data.FEDERER_ADJUSTED, abs=5e-4)
    seds = {("A", "B"): 4.2, ("g", "k"): 7.3, ("e", "f"): 8.2, ("e", "A"): 6.4}
    for (a, b), sed in seds.items():
        assert outer_error(fit, contrast(fit, a, b)).se == pytest.approx(sed, abs=0.05)
    # By hand: each new one against the checks of its own block.
    assert means["e"] - means["f"] == pytest.approx((79 - 83.00) - (89 - 84.75), abs=0.25)


def test_balanced_split_plot_agrees_with_statsmodels_mixedlm():
    # Where the design is balanced and no variance is at zero, REML and the analysis of the
    # split plot are the same numbers.
    import statsmodels.formula.api as smf

    table = simulated({"A": 30, "B": 28, "C": 27}, mountings=4, spread=1.0, clip=0.4, seed=3)
    del table["order"]
    table["stand"] = table["antenna"] + table["mounting"]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reml = smf.mixedlm("value ~ C(antenna) + C(port)", table, groups="stand").fit()
    fit = pooled(fitted(table))
    assert mounting_spread(fit) ** 2 == pytest.approx(float(reml.cov_re.iloc[0, 0]), rel=1e-3)
    assert clip_spread(fit) ** 2 == pytest.approx(float(reml.scale), rel=1e-3)
    assert fit.means[1] - fit.means[0] == pytest.approx(reml.params["C(antenna)[T.B]"])
    assert outer_error(fit, contrast(fit, "B", "A")).se == pytest.approx(
        reml.bse["C(antenna)[T.B]"], rel=1e-3
    )


def test_unbalanced_is_near_statsmodels_mixedlm():
    # Moments against REML: not the same estimator, so near is all that can be asked.
    import statsmodels.formula.api as smf

    table = simulated({"A": 30, "B": 28, "C": 27}, mountings=8, spread=1.0, clip=0.6, seed=5)
    table = table.drop(index=[0, 9, 10, 23, 30, 41]).reset_index(drop=True)
    del table["order"]
    table["stand"] = table["antenna"] + table["mounting"]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reml = smf.mixedlm("value ~ C(antenna) + C(port)", table, groups="stand").fit()
    fit = pooled(fitted(table))
    assert fit.means[1] - fit.means[0] == pytest.approx(reml.params["C(antenna)[T.B]"], abs=0.1)
    error = outer_error(fit, contrast(fit, "B", "A"))
    assert error.se == pytest.approx(reml.bse["C(antenna)[T.B]"], rel=0.1)
    # Containment in REML would give the 21 of the mountings; Satterthwaite stays near it.
    assert 15 < error.df <= 21 + fit.layout.df_within


def test_one_mounting_leaves_no_outer_degrees_of_freedom():
    fit = fitted(simulated({"A": 1, "B": 2, "C": 3}, mountings=1))
    assert fit.layout.df_between == 0
    assert np.isnan(fit.ms_between)
    assert inner_error(fit, contrast(fit, "A", "B")).df == 2


def test_port_effect_does_not_reach_the_ranking_when_cells_are_missing():
    table = simulated({"A": 30, "B": 30}, mountings=3, spread=0, clip=0)
    table["value"] += 5.0 * (table["port"] == "Red")
    # A keeps mostly Red, B mostly Green: plain means differ, adjusted ones do not.
    keep = ~((table["antenna"] == "A") & (table["port"] == "Green") & (table["mounting"] != "1"))
    keep &= ~((table["antenna"] == "B") & (table["port"] == "Red") & (table["mounting"] != "1"))
    fit = fitted(table[keep].reset_index(drop=True))
    assert fit.means[0] == pytest.approx(fit.means[1], abs=1e-9)


def test_factor_that_equals_the_antenna_is_dropped_and_named():
    table = simulated({"A": 30, "B": 28}, mountings=3)
    table["battery"] = table["antenna"].map({"A": "1", "B": "2"})
    assert lay_out(table).dropped == ("battery",)


def test_columns_of_values_are_fitted_at_once():
    table = simulated({"A": 30, "B": 28}, mountings=3)
    layout = lay_out(table)
    values = np.random.default_rng(1).normal(size=(len(table), 4))
    together = estimate(layout, values)
    alone = estimate(layout, values[:, 2])
    assert together.means[:, 2] == pytest.approx(alone.means)
    assert together.ms_between[2] == pytest.approx(float(alone.ms_between))


def in_turns(mountings: int = 4, drift: float = -0.4, seed: int = 4) -> pd.DataFrame:
    """Three antennas in turns, Red always recorded first, drifting by `drift` a run."""
    rng = np.random.default_rng(seed)
    rows = []
    for mounting in range(mountings):
        for name, level in (("A", 30.0), ("B", 28.0), ("C", 27.0)):
            put_up = level + rng.normal()
            for port in ("Red", "Green"):
                order = len(rows) + 1
                value = put_up + drift * order + rng.normal(0, 0.3)
                rows.append(("s", name, str(mounting), port, order, value))
    return pd.DataFrame(rows, columns=["session", "antenna", "mounting", "port", "order", "value"])


def test_order_in_the_model_agrees_with_statsmodels_mixedlm():
    # Red always first: inside mountings order and port are one, so that the drift is known from
    # the mountings alone, and REML and the two strata are the same numbers.
    import statsmodels.formula.api as smf

    table = in_turns()
    table["stand"] = table["antenna"] + table["mounting"]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reml = smf.mixedlm("value ~ C(antenna) + C(port) + order", table, groups="stand").fit()
    fit = pooled(fitted(table))
    assert (fit.layout.order, fit.layout.drifting) == ("in the model", ("s",))
    assert float((fit.layout.slopes @ fit.mounting_means)[0]) == pytest.approx(
        reml.params["order"], rel=1e-6
    )
    assert mounting_error(fit, fit.layout.slopes[0]).se == pytest.approx(
        reml.bse["order"], rel=1e-3
    )
    assert fit.means[1] - fit.means[0] == pytest.approx(reml.params["C(antenna)[T.B]"], rel=1e-6)
    assert outer_error(fit, contrast(fit, "B", "A")).se == pytest.approx(
        reml.bse["C(antenna)[T.B]"], rel=1e-3
    )
    # Four mountings of three antennas, less three levels and the drift.
    assert fit.layout.df_between == 8


def test_a_drift_moves_no_difference_between_antennas():
    still, moving = in_turns(drift=0.0), in_turns(drift=-0.4)
    apart = [np.diff(fitted(t).means) for t in (still, moving)]
    assert apart[0] == pytest.approx(apart[1], abs=1e-9)


@pytest.mark.parametrize(
    ("turns", "state"),
    [
        ("ABCABCABC", "in the model"),
        ("AAABBBCCC", "confounded"),
        ("ABBA", "too few mountings"),
        ("AABB", "confounded"),
        ("AABA", "too few mountings"),
        ("ABAABBABBB", "in the model"),
        ("ABC", "confounded"),  # nothing is claimed of antennas mounted once anyway
    ],
)
def test_what_the_order_of_the_turns_allows(turns, state):
    rows = [
        {"session": "s", "antenna": name, "mounting": str(i), "order": i}
        for i, name in enumerate(turns)
    ]
    assert lay_out(pd.DataFrame(rows)).order == state


def test_order_that_is_not_known_for_every_run_is_not_known():
    table = in_turns()
    table.loc[3, "order"] = np.nan
    assert lay_out(table).order == "not known"


def test_moderated_variances_by_hand():
    # Smyth 2004, the form: (d0 s_0^2 + d_i s_i^2) / (d0 + d_i); s_0 of the others, d0 = their
    # degrees of freedom less 2, and less by 1 / (1 + (ratio / 2)^2).
    groups = [[10, 11, 12], [20, 20.5, 21], [30, 34, 38, 42]]
    fit = fitted(grouped(groups))
    own, df = np.array([np.var(g, ddof=1) for g in groups]), np.array([2, 2, 3])
    others = np.array(
        [np.delete(own * df, i).sum() / np.delete(df, i).sum() for i in range(len(groups))]
    )
    lent = (7 - df - 2) / (1 + (own / others / 2) ** 2)
    assert fit.variances == pytest.approx((lent * others + df * own) / (lent + df))
    assert fit.df_variances == pytest.approx(lent + df)
    error = outer_error(fit, contrast(fit, "1", "3"))
    parts = fit.variances[0] / 3, fit.variances[2] / 4
    assert error.se == pytest.approx(np.sqrt(sum(parts)))
    # Satterthwaite 1946, never above the 7 of all.
    expected = sum(parts) ** 2 / (parts[0] ** 2 / (lent[0] + 2) + parts[1] ** 2 / (lent[2] + 3))
    assert error.df == pytest.approx(min(7, expected))


def test_alike_antennas_lend_nearly_all_and_two_of_them_half_a_degree_at_least():
    alike = fitted(grouped([[0, 1, 2]] * 8))
    assert alike.variances == pytest.approx(1)
    assert alike.df_variances == pytest.approx(2 + (14 - 2) / 1.25)
    assert fitted(grouped([[0, 1, 2]] * 2)).df_variances == pytest.approx(2 + 0.5 / 1.25)


def test_two_mountings_take_the_larger_of_their_own_and_the_pooled_variance():
    fit = fitted(grouped([[10, 11], [20, 26], [30, 32]]))
    together = (0.5 + 18 + 2) / 3
    assert fit.variances == pytest.approx([together, 18, together])
    assert fit.df_variances == pytest.approx(1.5)


def test_clip_noise_in_the_moderated_variances_is_what_simulation_shows():
    # Cells missing: mountings of one clip carry more of it than those of two.
    rows = [(a, m, p) for a in "abc" for m in "123" for p in "PQ" if (a, m, p) != ("a", "1", "Q")]
    table = pd.DataFrame(rows, columns=["antenna", "mounting", "port"]).assign(session="s")
    layout = lay_out(table)
    values = np.random.default_rng(1).standard_normal((len(table), 40_000))
    fit = estimate(layout, values)
    lent = fit.df_variances - layout.df_own[:, None]
    # With clip noise alone each variance has the expectation of its own share, given what is lent.
    weight = lent / fit.df_variances
    own = layout.own @ (layout.between @ fit.mounting_means) ** 2 / layout.df_own[:, None]
    others = (layout.df_between * fit.ms_between - layout.df_own[:, None] * own) / (
        layout.df_between - layout.df_own[:, None]
    )
    expected = weight * others.mean(axis=1)[:, None] + (1 - weight) * own.mean(axis=1)[:, None]
    assert fit.own_noise.mean(axis=1) == pytest.approx(expected.mean(axis=1), rel=0.01)
    assert np.ptp(own.mean(axis=1)) > 0.1


def test_two_evenings_in_one_and_the_same_order_are_confounded():
    # Each antenna once an evening: too few for a drift of each, and both evenings agree in it.
    for second, state in (("ABC", "confounded"), ("CBA", "too few mountings")):
        rows = [
            {"session": session, "antenna": name, "mounting": "1", "order": i}
            for session, turns in (("one", "ABC"), ("two", second))
            for i, name in enumerate(turns)
        ]
        assert lay_out(pd.DataFrame(rows)).order == state
