"""Which digit never shows: what must be said, and what must not."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from series_making import make_series

from extractor.statistics.missing_digits import (
    MissingDigit,
    Numbers,
    missing_digits,
    numbers_in_units,
    numbers_of,
)

sys.path.append(str(Path(__file__).parents[1] / "benchmarks"))
import missing_digits as simulated

TESTS = 34
"""16 clips and all together, two fields."""


def all_tenths(times: int, low: int = 200, high: int = 360) -> np.ndarray:
    """Return every number of a range, in an order in which none follows itself."""
    return np.concatenate([np.arange(low, high)[::37], *[np.arange(low, high)] * times])


def swapped(units: np.ndarray, digit: str, read_as: str, share: float = 1.0) -> np.ndarray:
    rng = np.random.default_rng(4)
    read = [str(u).replace(digit, read_as) if rng.random() < share else str(u) for u in units]
    return np.array([int(text) for text in read])


def said_of(units: np.ndarray) -> list[tuple[str, str, int]]:
    found = missing_digits([numbers_in_units(units, 1)], TESTS)
    return [(one.digit, one.read_as, one.seen) for one in found]


def test_a_number_that_stands_counts_once_in_each_place() -> None:
    series = make_series([28.7, 28.7, 28.9, 28.9, 28.7, 31.0, 31.0])
    series.loc[5, "flag"] = "range"
    found = numbers_of(series, 1)
    assert found == Numbers(1, ({287: 2, 289: 1, 310: 1}, {28: 1, 31: 1}, {2: 1, 3: 1}))
    assert Numbers.from_json(**found.as_json()) == found


@pytest.mark.parametrize(("digit", "read_as"), [("8", "0"), ("1", "7"), ("0", "9"), ("9", "0")])
def test_a_digit_always_read_as_another_is_named_with_it(digit: str, read_as: str) -> None:
    assert said_of(swapped(all_tenths(3), digit, read_as))[0] == (digit, read_as, 0)


def test_one_that_is_far_too_rare_is_named_too() -> None:
    ((digit, read_as, seen),) = said_of(swapped(all_tenths(8), "8", "0", share=0.85))
    assert (digit, read_as) == ("8", "0")
    assert 0 < seen < 40


def test_one_that_is_half_missing_is_not() -> None:
    assert said_of(swapped(all_tenths(8, 200, 1000), "8", "0", share=0.5)) == []


def test_one_that_was_not_read_at_all_has_no_stand_in() -> None:
    units = all_tenths(4)
    assert said_of(units[units % 10 != 8]) == [("8", "", 0)]


def test_the_examples_of_a_session_are_found_and_a_single_short_clip_is_not() -> None:
    assert simulated.found_of(16, 110, 10, 100) == 10
    assert simulated.found_of(8, 110, 10, 100) >= 9
    assert simulated.found_of(1, 110, 10, 100) == 0
    assert simulated.found_of(1, 600, 10, 100) >= 9


@pytest.mark.parametrize("kind", simulated.KINDS)
def test_series_of_every_kind_raise_no_alarm(kind: str) -> None:
    assert simulated.false_alarms(kind, 15, 100) == 0


@pytest.mark.parametrize("step", [2, 5, 10, 20])
def test_a_display_of_coarse_steps_raises_no_alarm(step: int) -> None:
    assert said_of(all_tenths(30)[::1] // step * step) == []


def test_two_missing_digits_are_the_displays_own_steps() -> None:
    eighths = np.floor(np.arange(200, 360, 1.25) + 0.5).astype(int)  # none ends in 2 or 7
    assert {7, 2}.isdisjoint(set(eighths % 10))
    assert said_of(np.tile(eighths, 10)) == []


def test_a_gap_between_two_levels_is_no_missing_digit() -> None:
    assert said_of(np.tile([277, 279], 400)) == []
    # Four pairs that happen to leave the same digit out are not enough either.
    assert (
        said_of(np.concatenate([np.tile([n + 7, n + 9], 100) for n in range(200, 240, 10)])) == []
    )


def test_readings_that_may_be_wrong_are_those_with_either_digit_where_it_moves() -> None:
    found = MissingDigit("8", "0", 0, 0, 1000, 1, (0, 1))
    assert [v for v in (20.1, 28.1, 23.0, 23.8, 23.1, 80.1, np.nan) if found.holds(v)] == [
        *(20.1, 28.1, 23.0, 23.8, 80.1)
    ]
    assert [v for v in (20.1, 28.1, 23.0, 23.8, np.nan) if found.stands_in(v)] == [20.1, 23.0]
    assert found.is_denied_by(23.0, 23.8)
    assert not found.is_denied_by(23.0, 24.0)
    fixed_tens = missing_digits(
        [numbers_in_units(swapped(all_tenths(3, 800, 900), "9", "0"), 1)], 2
    )
    assert fixed_tens[0].moving == (0, 1)
    assert not fixed_tens[0].holds(91.1)
