"""Digits that never show: whether one is missing among the numbers of a field.

A reader that takes every 8 of an overlay for a 0 does so surely, and nothing in a single reading
tells. All numbers together do: 28.7 and 28.9 were shown again and again, 28.8 never, and so in
every ten. The rule, its error rates and what it cannot see: ``docs/method.md``.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from extractor.statistics.flags import Flag
from extractor.statistics.series import usual_decimals

if TYPE_CHECKING:
    import pandas as pd

#: Chance of a false alarm in a session, shared out (Bonferroni) over all that is tested in it.
ALARM = 1e-4
#: Places looked at: the last and those before it.
PLACES = 3
#: No single number brings more evidence than this, however often its neighbours were shown.
MOST_FROM_ONE = 5
#: Seen at most this often, as a share of what its neighbours let expect, a digit is missing.
RARE = 1 / 3
#: Where fewer were to be expected nothing is said of a digit.
LEAST_EXPECTED = 5
#: A digit stands in for the missing one where chance brings such an excess less often; the one
#: most in excess is named sooner: to miss it leaves wrong numbers, to name it costs a look.
EXCESS, FIRST_EXCESS = 0.01, 0.1
#: Larger numbers are passed over: they would not fit in 64 bits in units of the last place.
LARGEST = 1e9


@dataclass(frozen=True, slots=True)
class Numbers:
    """The separate numbers that a field has shown, counted."""

    decimals: int
    counts: tuple[dict[int, int], ...]
    """How often each number was shown anew, in units of the last place, of the one before, ..."""

    def as_json(self) -> dict[str, Any]:
        """Return it as JSON can hold it."""
        counts = [{str(value): n for value, n in one.items()} for one in self.counts]
        return {"decimals": self.decimals, "counts": counts}

    @classmethod
    def from_json(cls, decimals: int, counts: Iterable[Mapping[str, int]]) -> Numbers:
        """Return what `as_json` gave."""
        return cls(decimals, tuple({int(k): n for k, n in one.items()} for one in counts))


@dataclass(frozen=True, slots=True)
class MissingDigit:
    """A digit that is missing or far too rare, and what it is probably read as."""

    digit: str
    read_as: str
    """The digits that stand too often where it should; empty where there is none."""
    place: int
    """0 for the last place, 1 for the one before, ..."""
    seen: int
    """How often it was read there, of `numbers`."""
    numbers: int
    decimals: int
    moving: tuple[int, ...]
    """Places in which not every number of the field has the same digit."""

    def holds(self, value: float) -> bool:
        """Tell whether one of the digits in doubt stands in a moving place of a number."""
        doubted = self.digit + self.read_as
        return any(self._digit(value, place) in doubted for place in self.moving)

    def stands_in(self, value: float) -> bool:
        """Tell whether a number, as read, may hide the missing digit in a moving place."""
        return not self.read_as or any(self._digit(value, p) in self.read_as for p in self.moving)

    def is_denied_by(self, read: float, truth: float) -> bool:
        """Tell whether a number that was put right shows the digit where another was read."""
        pairs = ((self._digit(read, p), self._digit(truth, p)) for p in self.moving)
        return any(was != self.digit and now == self.digit for was, now in pairs)

    def _digit(self, value: float, place: int) -> str:
        """Return the digit at a place; a space where the number has none there."""
        if not abs(value) < LARGEST:
            return " "
        text = str(_in_units(value, self.decimals)).zfill(self.decimals + 1)
        return text[-1 - place] if place < len(text) else " "


def numbers_of(series: pd.DataFrame, decimals: int | None) -> Numbers | None:
    """Count the separate numbers of one clip; None where the display's decimals are not known.

    A number that stands for many samples counts once, until another comes; in the place before
    the last, until that place changes.

    Parameters
    ----------
    series : DataFrame
        Flagged (see `cleaning.clean`), with ``value``, ``text`` and ``flag``; only ``ok`` counts.
    decimals : int, optional
        Digits after the point; those of most texts when absent.
    """
    places = decimals if decimals is not None else usual_decimals(series)
    if places is None:
        return None
    values = series["value"].to_numpy(float)[(series["flag"] == Flag.OK).to_numpy()]
    units = [_in_units(v, places) for v in values.tolist() if abs(v) < LARGEST]
    return numbers_in_units(np.array(units, np.int64), places)


def numbers_in_units(units: NDArray[np.int64], decimals: int) -> Numbers:
    """Count the separate numbers of a series in units of its last place, shape (n,), from 0."""
    return Numbers(decimals, tuple(_shown_anew(units // 10**p) for p in range(PLACES)))


def _in_units(value: float, decimals: int) -> int:
    return round(abs(value) * 10**decimals)


def _shown_anew(units: NDArray[np.int64]) -> dict[int, int]:
    new = np.concatenate([[True], units[1:] != units[:-1]])[: len(units)]
    values, counts = np.unique(units[new], return_counts=True)
    return dict(zip(values.tolist(), counts.tolist(), strict=True))


def missing_digits(clips: Sequence[Numbers], tests: int) -> list[MissingDigit]:
    """Return the digits that are missing from the numbers of a field.

    For every number with the digit in the place looked at, that many are expected as the rarer
    of its two neighbours was shown: any display that moves smoothly, or rests at levels, shows
    at least so many. Sums are compared by the binomial distribution. Only a digit that is
    missing alone is named: several missing are the display's own steps.

    Parameters
    ----------
    clips : sequence of Numbers
        Of one field, a clip or all clips of a session.
    tests : int
        How often this is asked in the session: fields times clips and once over all.

    Returns
    -------
    list of MissingDigit
        At most one for each place, nothing twice.
    """
    by_decimals: Counter[int] = Counter()
    for one in clips:
        by_decimals[one.decimals] += sum(one.counts[0].values())
    if not by_decimals:
        return []
    decimals = by_decimals.most_common(1)[0][0]
    own = [one for one in clips if one.decimals == decimals]
    totals = [sum((Counter(o.counts[p]) for o in own), Counter()) for p in range(PLACES)]
    moving = _moving(totals[0], decimals)
    found: dict[str, MissingDigit] = {}
    for place, counts in enumerate(totals):
        digit = _missing_in(counts, ALARM / (10 * PLACES * tests))
        if digit is None or str(digit) in found:
            continue
        seen = sum(n for value, n in counts.items() if value % 10 == digit)
        stands_in = _in_excess(counts, digit)
        found[str(digit)] = MissingDigit(
            str(digit), stands_in, place, seen, sum(counts.values()), decimals, moving
        )
    return list(found.values())


def _moving(counts: Mapping[int, int], decimals: int) -> tuple[int, ...]:
    texts = [str(value).zfill(decimals + 1) for value in counts]
    longest = max(map(len, texts), default=0)
    shown = [{text[-1 - place : len(text) - place] for text in texts} for place in range(longest)]
    return tuple(place for place, digits in enumerate(shown) if len(digits) > 1)


def _beside(counts: Mapping[int, int], value: int) -> int:
    return min(counts.get(value - 1, 0), counts.get(value + 1, 0))


def _missing_in(counts: Mapping[int, int], alarm: float) -> int | None:
    expected, seen = np.zeros(10), np.zeros(10)
    for value in {shown + 1 for shown in counts}:
        if beside := _beside(counts, value):
            weight = min(1.0, MOST_FROM_ONE / beside)
            expected[value % 10] += weight * beside
            seen[value % 10] += weight * counts.get(value, 0)
    missing = np.flatnonzero((expected >= LEAST_EXPECTED) & (seen <= RARE * expected))
    if len(missing) != 1:
        return None
    from scipy.stats import binom

    digit = int(missing[0])
    few = math.ceil(seen[digit])
    chance = binom.cdf(few, few + math.floor(expected[digit]), 0.5)
    return digit if chance < alarm else None


def _in_excess(counts: Mapping[int, int], digit: int) -> str:
    """Return the digits shown too often in the tens in which `digit` should have been shown."""
    from scipy.stats import binom

    tens = {v // 10 for s in counts if (v := s + 1) % 10 == digit and _beside(counts, v)}
    chances = {}
    for other in set(range(10)) - {digit}:
        own = beside = 0.0
        for value in (10 * ten + other for ten in tens):
            near = [counts.get(v, 0) for v in (value - 1, value + 1) if v % 10 != digit]
            own += counts.get(value, 0)
            beside += sum(near) / len(near)
        chances[other] = binom.sf(own - 1, own + math.ceil(beside), 0.5)
    first, *others = sorted(chances, key=chances.__getitem__)
    stand_in = [first] if chances[first] < FIRST_EXCESS else []
    return "".join(map(str, stand_in + [d for d in others if chances[d] < EXCESS]))
