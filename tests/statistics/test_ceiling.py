"""The ceiling: typed, found, or rightly not found."""

import math

import numpy as np
import pytest
from series_making import make_field, make_series

from extractor.statistics.ceiling import find_ceiling, uncut_measure
from extractor.statistics.summary import summarise


def slow(rng, n, rho, hold):
    """A first-order autoregressive series of held numbers, standard deviation 1."""
    count = n // hold + 1
    values = rng.standard_normal(count)
    for t in range(1, count):
        values[t] = rho * values[t - 1] + math.sqrt(1 - rho**2) * values[t]
    return np.repeat(values, hold)[:n]


def test_a_typed_ceiling_is_taken_as_it_is():
    found = summarise(
        make_series([39.7, 39.8, 40, 40.1, 20] * 9), make_field(decimals=1, ceiling=40)
    )
    assert (found.ceiling, found.ceiling_source) == (40, "typed")
    assert found.ceiling_share == pytest.approx(3 / 5)


def test_a_pile_up_is_found():
    rng = np.random.default_rng(0)
    values = np.minimum(np.round(38 + 3 * slow(rng, 600, 0.8, 3), 1), 40)
    found = summarise(make_series(values), make_field(decimals=1))
    assert (found.ceiling, found.ceiling_source) == (40, "found")
    assert found.ceiling_share == pytest.approx(np.mean(values >= 39.8))
    assert found.availability == 1


def test_a_found_ceiling_gives_low():
    rng = np.random.default_rng(0)
    values = np.minimum(np.round(38 + 3 * slow(rng, 600, 0.8, 3), 1), 40)
    values[300:310] = 3.9
    assert summarise(make_series(values), make_field(decimals=1)).dropouts == 1


@pytest.mark.parametrize(("n", "share"), [(120, 0.04), (600, 0.01)])
@pytest.mark.parametrize(("rho", "hold", "sd", "step"), [(0.5, 5, 4, 0.1), (0.97, 3, 8, 1.0)])
def test_an_ordinary_series_has_none(n, share, rho, hold, sd, step):
    rng = np.random.default_rng(n)
    series = [30 + sd * slow(rng, n, rho, hold) for _ in range(300)]
    found = [find_ceiling(np.round(values / step) * step, step) for values in series]
    assert np.mean([value is not None for value in found]) <= share


@pytest.mark.parametrize(
    "values", [[40.0] * 600, [39.9, 40.0, 40.1] * 99, [], [40.0], [10.0, 40.0]]
)
def test_a_series_that_hardly_moves_has_none(values):
    assert find_ceiling(np.array(values), 0.1) is None


def test_one_long_stay_at_the_top_is_no_ceiling():
    values = np.concatenate(
        [np.full(200, 38.0), 38 - np.abs(np.random.default_rng(1).normal(8, 2, 400))]
    )
    assert find_ceiling(np.round(values, 1), 0.1) is None


def test_a_delay_has_no_ceiling_of_its_own():
    values = np.minimum(np.round(38 + 3 * slow(np.random.default_rng(0), 600, 0.8, 3), 1), 40)
    assert (
        summarise(make_series(values), make_field(decimals=1, better="lower")).ceiling_source == ""
    )


def piled_up(at_top, beneath):
    """Whole numbers up to 40: so many at the top, in five visits, so many in the ten below it."""
    tops = np.array_split(38 + np.arange(at_top) % 3, 5)
    band = np.array_split(28 + np.arange(beneath) % 10, 5)
    parts = [piece for pair in zip(band, tops, strict=True) for piece in pair]
    return np.concatenate([np.arange(28), *parts]).astype(float)


@pytest.mark.parametrize(("at_top", "is_found"), [(115, False), (125, True), (175, True)])
def test_a_pile_up_is_twice_as_dense_as_what_lies_beneath(at_top, is_found):
    # 200 over ten steps are 20 a step; over three steps 115 are 1.9 times that, 125 are 2.1 times.
    found = find_ceiling(piled_up(at_top, 200), 1.0)
    assert (found == 40) is is_found


@pytest.mark.parametrize(
    ("most", "measure"),
    [(0.2, "mean"), (0.21, "median"), (0.49, "median"), (0.5, "p25"), (1, "p25")],
)
def test_what_the_ceiling_leaves_alone(most, measure):
    assert uncut_measure(np.array([0.0, most, math.nan])) == measure


@pytest.mark.parametrize("share", [0.3, 0.49, 0.6, 0.74])
def test_a_cut_series_keeps_the_quantile_that_is_chosen(share):
    """Below the cut a quantile is what it was, which the mean is not."""
    whole = np.random.default_rng(3).normal(38, 2, 1001)
    cut = np.minimum(whole, np.quantile(whole, 1 - share))
    rank = {"median": 0.5, "p25": 0.25}[uncut_measure(np.array([share]))]
    assert np.quantile(cut, rank) == np.quantile(whole, rank)
    assert cut.mean() < whole.mean() - 0.1
