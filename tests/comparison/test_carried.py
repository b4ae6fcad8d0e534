"""Spreads carried over from earlier sessions, against independent formulas."""

import math

import numpy as np
import pytest
from comparison_making import compared, finding, grouped, kinds, simulated
from report_making import made_up_session
from scipy import stats

from extractor.comparison.carried import Carried
from extractor.comparison.model import estimate, lay_out
from extractor.errors import UsageError
from extractor.pipeline import compare_sessions, earlier_spread

#: Mean square 1 with 4 degrees of freedom: two antennas, three mountings each.
EARLIER = grouped([[9.0, 10.0, 11.0], [14.0, 15.0, 16.0]])
#: 1 / (1 / 4 + 2 * 0.3^2)
DF = 1 / 0.43


def carried(table=EARLIER, unit="Mbit/s") -> Carried:
    return Carried(("May",), unit, estimate(lay_out(table), table["value"].to_numpy(float)))


def test_degrees_of_freedom_are_worth_less_in_another_session():
    """A variance scaled by a lognormal factor of sd 2 tau scatters like so many of them."""
    rng = np.random.default_rng(4)
    seen = rng.chisquare(200, 100_000) / 200 * np.exp(2 * 0.3 * rng.standard_normal(100_000))
    # The logarithm of chi-squared / d has variance trigamma(d / 2), about 2 / d.
    assert np.var(np.log(seen)) == pytest.approx(2 * (1 / 200 + 2 * 0.3**2), rel=0.02)
    assert carried().df == pytest.approx(DF)


def test_one_mounting_each_gets_an_interval():
    found = compared(grouped([[20.0], [32.0]]), carried=carried())
    half = stats.t.ppf(0.975, DF) * math.sqrt(2)
    (row,) = found.pairs.to_dict("records")
    assert (row["low"], row["high"]) == pytest.approx((12 - half, 12 + half))
    assert row["told_apart"]
    assert found.order.best == "2"
    assert found.ranking["probability_best"].notna().all()
    said = finding(found, "carried_spread").sentence
    assert "from May too (1.00 Mbit/s)" in said or "from May too (1.0 Mbit/s)" in said


def test_what_the_session_itself_shows_counts_beside_it():
    # Mean square 2 with 2 degrees of freedom, and 1 with DF from before.
    found = compared(grouped([[20.0, 22.0], [26.0, 28.0]]), carried=carried())
    pooled = (2 * 2 + DF) / (2 + DF)
    assert float(found.fit.ms_between) == pytest.approx(pooled)
    assert found.fit.df_between == pytest.approx(2 + DF)


def test_clips_share_is_the_new_designs():
    """Two clips a mounting before, one now: the clip variance counts whole."""
    before = simulated({"A": 1.0, "B": 2.0}, 40, ("P", "Q"), spread=1.0, clip=2.0, seed=5)
    lent = carried(before.drop(columns="order"))
    fit = lent.fit
    clip = float(fit.ms_within)
    now = lay_out(grouped([[1.0], [2.0]]))
    assert lent.mean_square(now) == pytest.approx(float(fit.ms_between) - clip / 2 + clip)
    # With clips of its own in each mounting the session adds their share itself.
    several = simulated({"A": 1.0, "B": 2.0}, 1, ("P", "Q")).drop(columns="order")
    assert lent.mean_square(lay_out(several)) == pytest.approx(float(fit.ms_between) - clip / 2)


def test_units_must_agree_and_no_session_lends_to_itself(tmp_path):
    with pytest.raises(UsageError, match="the unit is 'ms', here 'Mbit/s'"):
        compared(grouped([[20.0], [32.0]]), carried=carried(unit="ms"))
    once = made_up_session(tmp_path / "once", [(a, "P", "m1") for a in "ABC"])
    twice = made_up_session(tmp_path / "twice", [(a, "P", m) for m in ("1", "2") for a in "ABC"])
    with pytest.raises(UsageError, match="lend its spread to itself"):
        compare_sessions([once], spread_from=[once])
    with pytest.raises(UsageError, match="each antenna was mounted once"):
        earlier_spread([once])
    assert "told apart" not in compare_sessions([once]).text()
    found = compare_sessions([once], spread_from=[twice])
    assert "carried_spread" in kinds(found)
    assert found.pairs["basis"].tolist() == ["mountings"] * 3
