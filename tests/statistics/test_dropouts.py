"""Stretches without link: how many, how long."""

import math

import numpy as np
import pytest
from series_making import make_field, make_series

from extractor.statistics.summary import summarise

FIELD = make_field(low=4.0)


def outages(values, **columns):
    found = summarise(make_series(values, **columns), FIELD)
    return found.dropouts, pytest.approx(found.longest_dropout_s)


def test_none_is_zero_not_empty():
    assert outages([30] * 20) == (0, 0.0)


@pytest.mark.parametrize("period_s", [0.1, 0.09999, 0.1001])
def test_three_samples_at_ten_a_second_are_long_enough(period_s):
    values = [30] * 5 + [2] * 3 + [30] * 5 + [2] * 2 + [30] * 5
    found = summarise(make_series(values, period_s=period_s), FIELD)
    assert found.dropouts == 1
    assert found.longest_dropout_s == pytest.approx(3 * period_s)


def test_low_numbers_and_dashes_make_one_stretch():
    assert outages([30] * 5 + [3.9, 2, "--", "--", 1] + [30] * 5) == (1, 0.5)


def test_exactly_low_is_not_out():
    assert outages([30] * 5 + [4] * 9 + [30] * 5) == (0, 0.0)


def test_a_moment_that_was_not_read_is_bridged():
    assert outages([30] * 5 + ["--", np.nan, "--"] + [30] * 5) == (1, 0.3)
    assert outages([30] * 5 + ["--", "", "--"] + [30] * 5) == (1, 0.3)


def test_a_long_unread_stretch_is_not():
    assert outages([30] * 5 + ["--"] * 4 + [np.nan] * 20 + ["--"] * 3 + [30] * 5) == (2, 0.4)


def test_unread_time_at_the_end_of_a_stretch_does_not_count():
    assert outages([30] * 5 + ["--"] * 4 + [np.nan] * 2 + [30] * 5) == (1, 0.4)
    assert outages([30] * 5 + [np.nan] * 3 + [30] * 5) == (0, 0.0)


def test_a_stretch_at_either_end_of_the_clip_counts():
    assert outages(["--"] * 5 + [30] * 9 + [1] * 4) == (2, pytest.approx(0.5, abs=0.06))


def test_change_instants_make_the_length_exact_to_a_frame():
    since = [0.0] * 5 + [0.43] * 3 + [0.79] * 5
    found = summarise(make_series([30] * 5 + [2] * 3 + [30] * 5, since_s=np.array(since)), FIELD)
    assert found.longest_dropout_s == pytest.approx(0.36)
    shorter = [0.0] * 5 + [0.48] * 3 + [0.72] * 5
    found = summarise(make_series([30] * 5 + [2] * 3 + [30] * 5, since_s=np.array(shorter)), FIELD)
    assert found.dropouts == 0


def test_a_hole_in_the_record_parts_two_stretches():
    times = np.concatenate([np.arange(60) * 0.1, 30 + np.arange(60) * 0.1])
    values = [30] * 50 + [1] * 10 + [1] * 5 + [30] * 55
    found = summarise(make_series(values, time_s=times), FIELD)
    assert found.dropouts == 2
    assert found.longest_dropout_s == pytest.approx(1.0, abs=0.01)


def test_all_out():
    found = summarise(make_series(["--"] * 50), FIELD)
    assert found.dropouts == 1
    assert found.longest_dropout_s == pytest.approx(5.0)
    assert found.availability == 0
    assert math.isnan(found.mean)


@pytest.mark.parametrize("first", range(3, 12))
def test_three_samples_of_25_frames_a_second_are_long_enough_wherever_they_fall(first):
    times = np.round(np.arange(40) * 0.1 / 0.04) * 0.04
    values = [30] * first + [2] * 3 + [30] * (37 - first)
    found = summarise(make_series(values, time_s=times), FIELD)
    assert (found.dropouts, found.longest_dropout_s) == (1, pytest.approx(0.3, abs=0.021))
