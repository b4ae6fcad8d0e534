"""What is flagged, and, more important, what is not."""

import numpy as np
import pandas as pd
import pytest
from series_making import held_series, make_field, make_series

from extractor.errors import TableError
from extractor.statistics.cleaning import clean, clean_clip
from extractor.statistics.hold_times import holds_of

FRAME_S = 1 / 30
FIELD = make_field(decimals=1, unit="Mbit/s", minimum=0.0, maximum=60.0)
WOBBLE = [30.1, 31.4, 29.8, 30.6, 32.0, 30.9, 29.5, 31.1, 30.3, 28.9, 30.7, 31.8]


def flags_of(series, field=FIELD, **options):
    return clean(series, field, **options).series["flag"].tolist()


def flagged(series, field=FIELD, **options):
    """Values and flags of what is no longer ok."""
    found = clean(series, field, **options).series
    return [(v, f) for v, f in zip(found["value"], found["flag"], strict=True) if f != "ok"]


def texts(numbers):
    return [f"{n:.1f}" for n in numbers]


def display(numbers, **options):
    """A held series whose texts have one digit after the point."""
    series = held_series(numbers, **options)
    return series.assign(text=[f"{v:.1f}" if v == v else "--" for v in series["value"]])


# --- nothing but flags changes -------------------------------------------------------------


def test_rows_numbers_and_texts_stay_as_they_are():
    series = display([*WOBBLE, (384.0, 1), *WOBBLE])
    before = series.copy()
    found = clean(series, FIELD, frame_s=FRAME_S).series
    pd.testing.assert_frame_equal(series, before)
    pd.testing.assert_frame_equal(found.drop(columns="flag"), before.drop(columns="flag"))
    assert found["flag"].nunique() == 2


def test_only_ok_readings_get_a_new_flag():
    flags = ["no_link", "hidden", "unreadable", "corrected", "ok"]
    series = make_series([99.0] * 5, flag=flags, text=["99.0"] * 5)
    assert flags_of(series) == [*flags[:4], "range"]


@pytest.mark.parametrize("values", [[], [30.0], ["--"], [np.nan] * 4])
def test_next_to_nothing(values):
    found = clean(make_series(values), make_field(minimum=0.0))
    assert len(found.series) == len(values)
    assert found.notes == ()


def test_what_is_no_series_is_refused():
    with pytest.raises(TableError, match="lies before"):
        clean(make_series([1, 2], time_s=[1, 0]), FIELD)


# --- dropouts and peaks are data -----------------------------------------------------------


def test_a_fall_from_30_to_2_for_half_a_second_keeps_every_value():
    series = display([*WOBBLE, (2.1, 2), (1.8, 3), *WOBBLE], hold=2)
    assert flagged(series, frame_s=FRAME_S) == []


def test_a_fall_to_one_held_number_is_kept():
    assert flagged(display([*WOBBLE, 2.0, *WOBBLE]), frame_s=FRAME_S) == []


def test_a_latency_peak_that_stands_its_time_is_kept():
    field = make_field(name="latency", unit="ms", decimals=0, better="lower")
    numbers = [31, 32, 30, 33, 31, 30, 32, 31, 30, 33, 310, 31, 32, 30, 31, 33, 32, 30]
    series = held_series(numbers)
    assert flagged(series, field, frame_s=FRAME_S) == []


def test_a_real_number_cut_up_by_unread_frames_is_kept():
    series = display([*WOBBLE, 55.0, *WOBBLE])
    peak = np.flatnonzero(series["value"] == 55.0)
    series.loc[peak[1:4], ["value", "flag"]] = [np.nan, "unreadable"]
    assert [f for v, f in flagged(series, frame_s=FRAME_S) if v == 55.0] == []


def test_a_number_beside_unread_frames_may_have_stood_there_too():
    series = display([*WOBBLE, 55.0, *WOBBLE])
    peak = np.flatnonzero(series["value"] == 55.0)
    series.loc[peak[1:], ["value", "flag"]] = [np.nan, "unreadable"]
    assert [f for v, f in flagged(series, frame_s=FRAME_S) if v == 55.0] == []


def test_a_number_that_stood_at_the_first_frame_may_have_been_there_before():
    assert flagged(display([(50.4, 1), *WOBBLE, *WOBBLE]), frame_s=FRAME_S) == []


def test_a_number_that_stands_at_the_last_frame_may_stay():
    assert flagged(display([*WOBBLE, *WOBBLE, (50.4, 1)]), frame_s=FRAME_S) == []


def test_a_number_that_comes_out_from_behind_something_may_have_been_there_before():
    series = display([*WOBBLE, 50.4, *WOBBLE])
    peak = np.flatnonzero(series["value"] == 50.4)
    series.loc[peak[:4], ["value", "flag"]] = [np.nan, "hidden"]
    series.loc[peak[4], "since_s"] = series.loc[peak[4], "time_s"]
    assert [f for v, f in flagged(series, frame_s=FRAME_S) if v == 50.4] == []


# --- spikes ---------------------------------------------------------------------------------


def test_a_number_both_brief_and_out_of_line_is_a_spike():
    series = display([*WOBBLE, (50.4, 1), *WOBBLE])
    assert flagged(series, frame_s=FRAME_S) == [(50.4, "spike")]


def test_a_brief_number_in_line_is_kept():
    assert flagged(display([*WOBBLE, (30.2, 1), *WOBBLE]), frame_s=FRAME_S) == []


def test_half_the_usual_hold_is_not_less_than_half():
    assert flagged(display([*WOBBLE, (50.4, 2), *WOBBLE], hold=4), frame_s=FRAME_S) == []
    assert flagged(display([*WOBBLE, (50.4, 1), *WOBBLE], hold=4), frame_s=FRAME_S) != []


def test_change_instants_tell_what_sampling_cannot():
    """One sample of 0.1 s in holds of 0.2 s: brief only if it stood for under three frames."""
    series = display([*WOBBLE, (50.4, 1), *WOBBLE], hold=2)
    assert flagged(series, frame_s=FRAME_S) == []
    at = int(np.flatnonzero(series["value"] == 50.4)[0])
    series.loc[at, "since_s"] = series.loc[at, "time_s"] - FRAME_S
    series.loc[at + 1 : at + 2, "since_s"] = series.loc[at, "time_s"] + FRAME_S
    assert flagged(series, frame_s=FRAME_S) == [(50.4, "spike")]


def test_without_change_instants_the_longest_possible_time_counts():
    short_holds = display([*WOBBLE, (50.4, 1), *WOBBLE], hold=4).drop(columns="since_s")
    assert flagged(short_holds) == []
    long_holds = display([*WOBBLE, (50.4, 1), *WOBBLE], hold=5).drop(columns="since_s")
    assert flagged(long_holds) == [(50.4, "spike")]


def test_a_display_that_changes_with_every_sample_has_no_spikes():
    rng = np.random.default_rng(0)
    numbers = np.round(30 + rng.standard_normal(300), 1)
    numbers[100] = 55.0
    assert flagged(make_series(numbers, text=texts(numbers))) == []


def test_the_scale_is_never_below_one_display_step():
    numbers = [30.0, 30.1] * 12
    assert flagged(display([*numbers, (30.2, 1), *numbers]), frame_s=FRAME_S) == []
    assert flagged(display([*numbers, (30.9, 1), *numbers]), frame_s=FRAME_S) == [(30.9, "spike")]


def test_equal_numbers_in_a_row_do_not_stretch_the_usual_hold():
    numbers = [v for v in WOBBLE for _ in range(2)] + WOBBLE
    series = display(numbers)
    assert holds_of(series, (series["flag"] == "ok").to_numpy()).usual_s == pytest.approx(0.5)


def test_few_numbers_give_no_usual_hold_to_measure_by():
    assert flagged(display([30.1, 31.0, (50.4, 1), 30.4]), frame_s=FRAME_S) == []


# --- form -----------------------------------------------------------------------------------


def test_a_lost_point_is_format_even_while_it_stands():
    series = display([*WOBBLE, 304.0, *WOBBLE])
    series["text"] = series["text"].replace("304.0", "304")
    assert {f for _, f in flagged(series, frame_s=FRAME_S)} == {"format"}
    assert len(flagged(series, frame_s=FRAME_S)) == 5


def test_a_lost_point_is_found_from_the_other_texts():
    field = make_field()
    series = display([*WOBBLE, (304.0, 2), *WOBBLE])
    series["text"] = series["text"].replace("304.0", "304")
    assert flagged(series, field) == [(304.0, "format")] * 2


def test_a_rise_by_ten_with_its_point_is_a_number():
    field = make_field(decimals=1)
    assert flagged(display([*WOBBLE, 304.0, *WOBBLE]), field, frame_s=FRAME_S) == []


def test_a_number_without_its_last_digit_is_format():
    series = display([*WOBBLE * 4, (30.0, 1), *WOBBLE * 4])
    series["text"] = series["text"].replace("30.0", "30")
    assert flagged(series, frame_s=FRAME_S) == [(30.0, "format")]


def test_a_display_that_drops_its_zeros_is_not_emptied():
    series = display([*WOBBLE, 40.0, 30.5, 40.0, 31.2, 40.0, *WOBBLE])
    series["text"] = series["text"].replace("40.0", "40")
    found = clean(series, FIELD, frame_s=FRAME_S)
    assert (found.series["flag"] == "ok").all()
    assert "the setting is doubted" in found.notes[0]


def test_digits_that_follow_the_size_of_the_number_are_left_alone_unless_typed():
    numbers = [*WOBBLE * 5, 9.87, *WOBBLE * 5]
    series = held_series(numbers)
    series["text"] = [f"{v:.2f}" if v < 10 else f"{v:.1f}" for v in series["value"]]
    assert flagged(series, make_field(), frame_s=FRAME_S) == []
    assert flagged(series, frame_s=FRAME_S) == [(9.87, "format")] * 5


def test_a_decimal_comma_is_a_point():
    series = display([*WOBBLE, *WOBBLE])
    series["text"] = series["text"].str.replace(".", ",")
    assert flagged(series, frame_s=FRAME_S) == []


# --- limits ---------------------------------------------------------------------------------


def test_a_few_readings_outside_the_limits_are_range():
    series = display([*WOBBLE * 9, 61.0, *WOBBLE * 9])
    found = clean(series, FIELD, frame_s=FRAME_S)
    assert (found.series["flag"] == "range").sum() == 5
    assert found.notes == ("Of 1085 readings, left out: 5 outside the limits.",)


def test_many_readings_outside_the_limits_put_the_limits_in_doubt():
    field = make_field(decimals=1, unit="Mbit/s", minimum=0.0, maximum=31.0)
    found = clean(display(WOBBLE * 4), field, frame_s=FRAME_S)
    assert (found.series["flag"] == "ok").all()
    (note,) = found.notes
    assert "33.3% of the confident readings" in note
    assert "from 31.1 to 32 Mbit/s" in note
    assert "limits are doubted" in note


def test_one_misread_that_is_held_does_not_put_the_limits_in_doubt():
    series = display([*WOBBLE, 65.0, *WOBBLE])
    assert {f for _, f in flagged(series, frame_s=FRAME_S)} == {"range"}


def test_unsure_readings_do_not_put_the_limits_in_doubt():
    series = display([*WOBBLE, 65.0, 30.0, 66.0, 30.2, 67.0, *WOBBLE])
    series["confidence"] = np.where(series["value"] > 60, 0.6, 0.99)
    assert sum(f == "range" for _, f in flagged(series, frame_s=FRAME_S)) == 15
    series["confidence"] = 0.99
    assert flagged(series, frame_s=FRAME_S) == []


def test_the_limits_themselves_are_inside():
    series = display([0.0, 60.0] * 9)
    assert flagged(series, frame_s=FRAME_S) == []


# --- frozen ---------------------------------------------------------------------------------


def still_from(series, start, stop):
    still = np.zeros(len(series), bool)
    still[start:stop] = True
    return series.assign(still=still)


def moving_then(hold_samples, after=10):
    """Numbers that change every 0.2 s, then one that stands for `hold_samples`."""
    return display([*WOBBLE, (31.1, hold_samples), *WOBBLE[:after]], hold=2)


def test_a_picture_that_stands_for_over_a_second_is_frozen():
    series = still_from(moving_then(20), 25, 44)
    assert flags_of(series) == ["ok"] * 25 + ["frozen"] * 19 + ["ok"] * 20


def test_a_second_is_not_over_a_second():
    assert "frozen" not in flags_of(still_from(moving_then(20), 25, 35))
    assert "frozen" in flags_of(still_from(moving_then(20), 25, 36))


def test_a_still_picture_with_a_number_that_changes_is_alive():
    series = still_from(moving_then(20), 14, 44)
    assert "frozen" not in flags_of(series)


def test_another_field_that_changes_shows_that_the_picture_is_alive():
    latency = make_field(name="latency", decimals=0, better="lower")
    bitrate = still_from(moving_then(20), 25, 44)
    steady = bitrate.assign(value=31.0, text="31")
    both = clean_clip({"bitrate": bitrate, "latency": steady}, [FIELD, latency])
    assert (both["latency"].series["flag"] == "frozen").sum() == 19
    assert (both["bitrate"].series["flag"] == "frozen").sum() == 19
    changing = steady.assign(value=np.arange(len(steady)) % 7 + 28.0)
    alive = clean_clip({"bitrate": bitrate, "latency": changing}, [FIELD, latency])
    assert (alive["bitrate"].series["flag"] == "ok").all()


def test_a_bench_scene_is_never_frozen():
    never_moved = still_from(moving_then(20), 1, 64)
    assert "frozen" not in flags_of(never_moved)
    series = display([*WOBBLE, (31.1, 15), *WOBBLE * 3], hold=2)
    quiet = still_from(series, 6, len(series))
    quiet.loc[[24, 40], "still"] = False  # somebody walks past: then a constant number follows
    assert "frozen" not in flags_of(quiet)


def test_a_dash_in_a_frozen_picture_stays_no_link():
    series = still_from(display([*WOBBLE, ("--", 20), *WOBBLE], hold=2), 25, 44)
    assert "frozen" not in flags_of(series)
    assert flags_of(series).count("no_link") == 20


def test_notes_count_what_is_left_out():
    found = clean(still_from(moving_then(20), 25, 44), FIELD)
    assert found.notes == ("Of 64 readings, left out: 19 from a picture that stood still.",)


def test_a_field_without_a_series_is_passed_over():
    assert clean_clip({}, [FIELD]) == {}
