"""The model against published analyses of designed experiments and against statsmodels."""

import warnings

import check_data_comparison as data
import numpy as np
import pandas as pd
import pytest
from comparison_making import fitted, grouped, simulated

from extractor.comparison.model import (
    clip_spread,
    estimate,
    inner_error,
    lay_out,
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
    fit = fitted(table)
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
    fit = fitted(blocked(rows))
    differences = fit.means[0] - fit.means[1:]
    assert differences == pytest.approx([16.42, 16.58, 20.17, 15.08, 20.75], abs=0.005)
    assert fit.layout.df_between == 15
    assert outer_error(fit, contrast(fit, "1", "2")).se == pytest.approx(5.363, abs=5e-4)


def test_rounds_linked_by_common_checks():
    # Federer 1956 (agricolae tutorial): adjusted means, error mean square 26.97 (6 df), SEDs.
    rows = [(t, block, y) for block, cells in data.FEDERER.items() for t, y in cells.items()]
    fit = fitted(blocked(rows))
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
    table["stand"] = table["antenna"] + table["mounting"]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reml = smf.mixedlm("value ~ C(antenna) + C(port)", table, groups="stand").fit()
    fit = fitted(table)
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
    table["stand"] = table["antenna"] + table["mounting"]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reml = smf.mixedlm("value ~ C(antenna) + C(port)", table, groups="stand").fit()
    fit = fitted(table)
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
