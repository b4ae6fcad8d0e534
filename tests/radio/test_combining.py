"""Several ports: what shows of a difference, by both ways of using them, and back again.

Maximal ratio adds the signal-to-noise ratios (Brennan 1959, formula from memory); selection shows
the best port. The figures were recomputed by hand from the formulas in the comments; the means in
fading by numerical integration of the distribution of the largest.
"""

import math

import numpy as np
import pytest
from scipy.integrate import quad

from extractor.radio.combining import (
    added_db,
    own_difference,
    own_difference_db,
    picked_db,
    picked_in_fading_db,
)
from extractor.radio.link_budget import Span


def shown(combine, antenna_db, reference_db, companions_db):
    return combine([antenna_db, *companions_db]) - combine([reference_db, *companions_db])


@pytest.mark.parametrize(
    ("antenna", "reference", "others", "difference"),
    # 10 log10[(gA + sum gc) / (gR + sum gc)], Brennan 1959.
    [(13, 2, 3, 5.91), (2, 12, 3, -5.12), (13, 2, 1, 8.32)],
)
def test_added_ports(antenna, reference, others, difference):
    found = shown(added_db, antenna, reference, [2.0] * others)
    assert found == pytest.approx(difference, abs=0.005)


@pytest.mark.parametrize(
    ("ports", "change", "seen"),
    [(2, 9, 6.505), (2, 3, 1.754), (4, 9, 4.371), (4, 3, 0.965), (4, -3, -0.579), (1, 5, 5)],
)
def test_one_of_equal_ports(ports, change, seen):
    # 10 log10((n - 1 + 10^(change/10)) / n), Brennan 1959.
    found = shown(added_db, float(change), 0.0, [0.0] * (ports - 1))
    assert found == pytest.approx(seen, abs=0.001)


def mean_of_the_largest(means):
    """Independent route: the integral of the chance that any of the exponentials exceeds x."""
    means = np.array(means)
    beyond = lambda x: 1 - np.prod(1 - np.exp(-x / means))  # noqa: E731
    return quad(beyond, 0, 60 * means.max(), limit=500)[0]


def test_picked_port():
    # Static: the best branch; in Rayleigh fading the mean of the largest exponential.
    assert shown(picked_db, 13.0, 2.0, [2.0] * 3) == pytest.approx(11.0)
    assert shown(picked_db, -3.0, 0.0, [0.0]) == 0
    assert shown(picked_in_fading_db, 13.0, 2.0, [2.0] * 3) == pytest.approx(7.87, abs=0.005)
    means = [10**1.3, 10**0.2, 10**0.5]
    by_integral = 10 * math.log10(mean_of_the_largest(means))
    assert picked_in_fading_db([13.0, 2.0, 5.0]) == pytest.approx(by_integral, abs=1e-4)
    # Brennan 1959: 1 + 1/2 + 1/3 + 1/4 of one port with four equal ones.
    assert picked_in_fading_db([0.0] * 4) == pytest.approx(10 * math.log10(25 / 12))


@pytest.mark.parametrize(
    ("ports", "added", "static", "fading"), [(2, -3.01, 0.0, -1.76), (4, -1.25, 0.0, -0.56)]
)
def test_pad_of_30_db_in_the_tested_line(ports, added, static, fading):
    # (n - 1 + 0.001) / n; the best of n - 1; (1 + ... + 1/(n - 1)) / (1 + ... + 1/n).
    others = [0.0] * (ports - 1)
    assert shown(added_db, -30.0, 0.0, others) == pytest.approx(added, abs=0.005)
    assert shown(picked_db, -30.0, 0.0, others) == static
    assert shown(picked_in_fading_db, -30.0, 0.0, others) == pytest.approx(fading, abs=0.005)


def test_a_port_that_hears_nothing_counts_nothing():
    for combine in (added_db, picked_db, picked_in_fading_db):
        assert combine([3.0, -math.inf]) == pytest.approx(3.0)


def test_cable_of_4_85_db_on_one_of_four_equal_ports():
    assert shown(added_db, -4.85, 0.0, [0.0] * 3) == pytest.approx(-0.80, abs=0.005)


@pytest.mark.parametrize(
    ("padded", "pad", "seen"), [(3, 20, 10.73), (3, 10, 9.82), (2, 20, 8.15), (1, 20, 6.73)]
)
def test_pads_in_the_other_lines_show_more(padded, pad, seen):
    # 13 against 2.15 dBi, companions like the reference: Brennan's sum with c = 10^(-pad/10).
    others = [-float(pad)] * padded + [0.0] * (3 - padded)
    assert shown(added_db, 10.85, 0.0, others) == pytest.approx(seen, abs=0.005)


FOUR_EQUAL_LOAD_DB = 10 * math.log10(3 / 4)


@pytest.mark.parametrize(("seen", "own", "grows"), [(1.476, 4.18, 2.15), (-1.0, -7.51, 17.9)])
def test_undoing_four_equal_ports(seen, own, grows):
    # (10^(D/10) - (1 - w)) / w with w = 1/4; its error grows by 10^(D/10) / (10^(D/10) - (1 - w)).
    assert own_difference_db(seen, FOUR_EQUAL_LOAD_DB) == pytest.approx(own, abs=0.005)
    step = 1e-5
    slope = own_difference_db(seen + step, FOUR_EQUAL_LOAD_DB) - own_difference_db(
        seen, FOUR_EQUAL_LOAD_DB
    )
    assert slope / step == pytest.approx(grows, rel=0.005)
    # Forwards again by the sum of ports.
    assert shown(added_db, own, 0.0, [0.0] * 3) == pytest.approx(seen, abs=0.005)


def test_undone_interval_carries_the_load_too():
    exact = Span(FOUR_EQUAL_LOAD_DB, FOUR_EQUAL_LOAD_DB, FOUR_EQUAL_LOAD_DB)
    seen = Span(1.476, 0.9, 2.0)
    narrow = own_difference(seen, exact)
    wide = own_difference(seen, Span(FOUR_EQUAL_LOAD_DB, -1.5, -1.0))
    assert narrow.value_db == pytest.approx(4.18, abs=0.005)
    assert narrow.low_db == pytest.approx(own_difference_db(0.9, FOUR_EQUAL_LOAD_DB))
    assert wide.low_db < narrow.low_db < narrow.high_db < wide.high_db


def test_undone_where_only_an_upper_end_is_left():
    exact = Span(FOUR_EQUAL_LOAD_DB, FOUR_EQUAL_LOAD_DB, FOUR_EQUAL_LOAD_DB)
    found = own_difference(Span(-1.3, -1.8, -0.8), exact)
    assert (found.value_db, found.low_db) == (None, -math.inf)
    assert math.isfinite(found.high_db)
    # A load that may have made no difference gives the port no weight.
    assert own_difference(Span(1.0, 0.5, 1.5), Span(-0.2, -0.6, 0.2)) is None
