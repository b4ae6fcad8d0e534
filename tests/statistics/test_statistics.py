"""A series in, one clip's summary out: definitions and edges."""

import math
from dataclasses import asdict

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from series_making import make_field, make_series

from extractor.errors import TableError
from extractor.statistics.summary import SUMMARY_COLUMNS, summarise

BITRATE = make_field(decimals=1, minimum=0.0, maximum=45.0, ceiling=40.0)


def test_columns_come_in_the_order_of_the_summary_file():
    assert ",".join(SUMMARY_COLUMNS) == (
        "n,duration_s,coverage,mean,mean_with_outages,sd,median,p05,p25,p95,minimum,maximum,"
        "availability,dropouts,longest_dropout_s,ceiling,ceiling_share,trend_per_min,lag1,"
        "n_effective,mean_se,mean_low,mean_high,n_no_link,n_hidden,n_unreadable,n_range,n_spike,"
        "n_format,n_frozen,n_corrected,ceiling_source,mean_bound_low,mean_bound_high,"
        "availability_frozen"
    )
    assert tuple(summarise(make_series([1, 2]), BITRATE).as_row()) == SUMMARY_COLUMNS


def test_only_ok_and_corrected_count():
    flags = ["ok", "corrected", "range", "spike", "format", "frozen", "ok"]
    found = summarise(make_series([10, 20, 99, 99, 99, 99, 30], flag=flags), BITRATE)
    assert (found.n, found.mean, found.maximum) == (3, 20, 30)
    assert found.coverage == pytest.approx(3 / 7)
    counts = (found.n_range, found.n_spike, found.n_format, found.n_frozen, found.n_corrected)
    assert counts == (1, 1, 1, 1, 1)


def test_an_outage_counts_as_zero_in_the_second_mean_only():
    found = summarise(make_series([30, 30, "--", "--", 30, ""]), BITRATE)
    assert found.mean == 30
    assert found.mean_with_outages == pytest.approx(90 / 5)
    assert (found.n_no_link, found.n_hidden) == (2, 1)


def test_an_antenna_does_not_win_by_showing_a_dash():
    steady = summarise(make_series([30] * 50), BITRATE)
    flaky = summarise(make_series([32] * 25 + ["--"] * 25), BITRATE)
    assert flaky.mean > steady.mean
    assert flaky.mean_with_outages < steady.mean_with_outages


def test_a_delay_has_no_outage_columns():
    found = summarise(make_series([30, "--", 40] * 9), make_field(better="lower"))
    assert math.isnan(found.mean_with_outages)
    assert math.isnan(found.availability)
    assert math.isnan(found.dropouts)
    assert found.n_no_link == 9


def test_availability_is_the_share_at_or_above_low():
    field = make_field(low=4.0)
    found = summarise(make_series([30, 4, 3.9, "--", 30, np.nan, ""]), field)
    assert found.availability == pytest.approx(3 / 5)
    tenth = summarise(make_series([30, 4, 3.9, "--", 30]), BITRATE)
    assert tenth.availability == pytest.approx(3 / 5)


def test_availability_with_frozen_time_as_outage():
    flags = ["ok"] * 6 + ["frozen"] * 4
    found = summarise(make_series([30] * 10, flag=flags), BITRATE)
    assert found.availability == 1
    assert found.availability_frozen == pytest.approx(0.6)


def test_availability_without_low_or_ceiling_is_empty():
    found = summarise(make_series([30, "--"] * 20), make_field())
    assert math.isnan(found.availability)
    assert math.isnan(found.longest_dropout_s)


def test_bounds_only_where_more_than_two_percent_are_unread():
    few = summarise(make_series([20.0] * 98 + [np.nan, ""]), BITRATE)
    assert math.isnan(few.mean_bound_low)
    many = summarise(make_series([20.0] * 90 + [np.nan] * 6 + [""] * 4), BITRATE)
    assert many.mean_bound_low == pytest.approx(0.9 * 20)
    assert many.mean_bound_high == pytest.approx(0.9 * 20 + 0.1 * 40)


def test_bounds_without_limits_use_zero_and_the_highest_seen():
    found = summarise(make_series([10.0, 20.0, np.nan, np.nan]), make_field())
    assert (found.mean_bound_low, found.mean_bound_high) == (7.5, 17.5)
    negative = summarise(make_series([-60.0, -50.0, np.nan, np.nan]), make_field())
    assert (negative.mean_bound_low, negative.mean_bound_high) == (-57.5, -52.5)


def test_start_and_end_cut_the_run_out_of_the_clip():
    series = make_series([10] * 20 + [30] * 20 + [10] * 20)
    found = summarise(series, BITRATE, start_s=1.9999, end_s=3.9999)
    assert (found.n, found.mean) == (20, 30)
    assert found.duration_s == pytest.approx(2.0)
    whole = summarise(series, BITRATE, start_s=math.nan, end_s=math.nan)
    assert whole.n == 60


def test_the_trend_is_per_minute():
    found = summarise(make_series(20 + np.arange(600) * 0.001), BITRATE)
    assert found.trend_per_min == pytest.approx(0.6)


def test_ten_samples_of_25_frames_a_second_are_even():
    times = np.round(np.arange(200) * 0.1 / 0.04) * 0.04
    found = summarise(make_series([20] * 100 + [30] * 100, time_s=times), BITRATE)
    assert found.mean == 25
    assert found.duration_s == pytest.approx(20, abs=0.05)


def test_uneven_readings_weigh_by_the_time_they_stand_for():
    times = [0, 1, 2, 6, 10, 14, 18, 19, 20, 21]
    found = summarise(make_series([10, 10, 10, 30, 30, 30, 30, 10, 10, 10], time_s=times), BITRATE)
    # Gaps of one second and of four: the 30s hold the middle 16 seconds.
    assert found.mean > 21
    assert found.median == 30
    assert found.mean_low < found.mean < found.mean_high


def test_a_hole_in_an_even_record_is_nobodys_time():
    times = np.concatenate([np.arange(100) * 0.1, 60 + np.arange(100) * 0.1])
    found = summarise(make_series([20] * 100 + [30] * 100, time_s=times), BITRATE)
    assert found.mean == 25
    assert found.lag1 == pytest.approx(0.99, abs=0.02)


@pytest.mark.parametrize("values", [[], [""], [np.nan], ["--"], ["--", "", np.nan] * 30])
def test_without_a_single_number(values):
    found = summarise(make_series(values), BITRATE)
    assert found.n == 0
    numbers = (found.mean, found.sd, found.median, found.lag1, found.n_effective, found.mean_low)
    assert all(map(math.isnan, numbers))
    if "--" in values:
        assert found.mean_with_outages == 0
        assert found.availability == 0


def test_one_number():
    found = summarise(make_series([12.5]), BITRATE)
    assert (found.n, found.mean, found.median, found.p25) == (1, 12.5, 12.5, 12.5)
    assert all(map(math.isnan, (found.sd, found.lag1, found.trend_per_min, found.mean_se)))
    assert found.duration_s == 0
    assert summarise(make_series([12.5]), BITRATE, period_s=0.1).duration_s == pytest.approx(0.1)


def test_a_series_that_never_changes_claims_no_certainty():
    found = summarise(make_series([0.1] * 600), BITRATE)
    assert (found.mean, found.sd, found.trend_per_min) == (0.1, 0, 0)
    assert all(map(math.isnan, (found.lag1, found.n_effective, found.mean_low, found.mean_se)))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda s: s.drop(columns="flag"), "lacks the column flag"),
        (lambda s: s.assign(time_s=[0.0, 0.2, 0.1]), "row 3: .* lies before"),
        (lambda s: s.assign(time_s=[0.0, 0.1, 0.1]), "row 3: .* is there twice"),
        (lambda s: s.assign(time_s=[0.0, np.nan, 0.1]), "row 2: the time is missing"),
        (lambda s: s.assign(flag=["ok", "odd", "ok"]), "unknown flag 'odd'"),
    ],
)
def test_what_is_no_series_is_refused(change, message):
    with pytest.raises(TableError, match=message):
        summarise(change(make_series([1, 2, 3])), BITRATE)


def test_row_labels_do_not_matter():
    series = make_series([1, 2, 3, "--"] * 9)
    labelled = series.set_axis(pd.Index(range(900, 936)))
    found, wanted = summarise(labelled, BITRATE), summarise(series, BITRATE)
    np.testing.assert_equal(asdict(found), asdict(wanted))  # NaN is equal to NaN


cells = st.one_of(
    st.floats(0, 40).map(lambda v: round(v, 1)), st.just(math.nan), st.just("--"), st.just("")
)


@given(st.lists(cells, max_size=60), st.booleans(), st.randoms(use_true_random=False))
def test_any_series_gives_a_summary_that_agrees_with_itself(values, even, random):
    times = np.cumsum([0.1 if even else random.uniform(0.01, 5) for _ in values])
    found = summarise(make_series(values, time_s=times), BITRATE)
    assert found.n + found.n_no_link + found.n_hidden + found.n_unreadable == len(values)
    if found.n:
        slack = 1e-9 * (1 + found.maximum)
        assert found.minimum - slack <= found.p05 <= found.p25 + slack
        assert found.p25 <= found.median + slack
        assert found.median <= found.p95 + slack <= found.maximum + 2 * slack
        assert found.minimum - slack <= found.mean <= found.maximum + slack
        assert found.mean_with_outages <= found.mean + slack
        assert 0 <= found.availability_frozen <= found.availability <= 1
    if not math.isnan(found.n_effective):
        assert 1 <= found.n_effective <= found.n + 1e-9
        assert found.mean_low <= found.mean <= found.mean_high


def test_coverage_counts_what_was_due_in_a_hole():
    times = np.concatenate([np.arange(300), np.arange(1200, 1500)]) / 10
    found = summarise(make_series([30] * 600, time_s=times), BITRATE)
    assert found.coverage == pytest.approx(600 / 1500)
    assert (found.n, found.mean) == (600, 30)
    # Cut out of the run, the hole is not the run's.
    assert summarise(make_series([30] * 600, time_s=times), BITRATE, end_s=30.0).coverage == 1


def test_coverage_of_a_clip_with_many_holes_and_of_a_log():
    holes = np.concatenate([np.arange(10) / 10 + 3 * i for i in range(6)])
    series = make_series([30] * 60, time_s=holes)
    assert summarise(series, BITRATE, steady=True).coverage == pytest.approx(60 / 160)
    # Ten a second of 15 frames a second: one and two frames apart by turns.
    by_turns = np.floor(np.arange(60) * 1.5) / 15
    assert summarise(make_series([30] * 60, time_s=by_turns), BITRATE, steady=True).coverage == 1
    # In a log that is kept now and then nothing is due.
    now_and_then = np.cumsum([0, 1, 2, 9, 1, 4, 30, 2, 3, 11])
    log = make_series([30] * 9 + [np.nan], time_s=now_and_then)
    assert summarise(log, BITRATE).coverage == pytest.approx(0.9)
