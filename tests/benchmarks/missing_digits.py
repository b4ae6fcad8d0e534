"""How often is a digit called missing that is not, and from how many numbers is one found?

Run by hand: ``python tests/benchmarks/missing_digits.py [SESSIONS] [SEED]`` (2,000
sessions a kind: ten minutes). A session has 16 clips of two fields. Seeds below 100 served to
choose the rule; report others.
"""

from __future__ import annotations

import sys
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from extractor.statistics.missing_digits import Numbers, missing_digits, numbers_in_units

CLIPS, FIELDS = 16, 2
#: Units of the last place; a clip of a minute, a new number every 0.1 to 0.5 s.
LEVEL, SPREAD, LEAST, MOST, TOP = 270, 40, 120, 600, 400

Ints = npt.NDArray[np.int64]
Rng = np.random.Generator


def _walk(rng: Rng, count: int, spread: float, memory: float) -> npt.NDArray[np.float64]:
    """Return a first-order series about 0."""
    from scipy.signal import lfilter

    steps = rng.normal(0, spread * np.sqrt(1 - memory**2), count)
    steps[0] = rng.normal(0, spread)
    return np.asarray(lfilter([1], [1, -memory], steps), float)


def free(rng: Rng, count: int, level: float) -> Ints:
    spread, memory = rng.uniform(4, 60), rng.choice([0, 0.5, 0.9])
    return np.rint(level + _walk(rng, count, spread, memory)).astype(int)


def constant(rng: Rng, count: int, level: float) -> Ints:
    flicker = rng.random(count) < rng.choice([0, 0.05, 0.4])
    return np.full(count, round(level)) + flicker


def slow(rng: Rng, count: int, level: float) -> Ints:
    step = rng.choice([0.3, 1, 2, 3])
    return np.rint(level + np.cumsum(rng.normal(0, step, count))).astype(int)


def quantised(rng: Rng, count: int, level: float, session: Rng) -> Ints:
    """Steps of 2, 3, 5, 10, 20 units, of a half or an eighth of ten: one display for a session."""
    step = session.choice([2.0, 3.0, 5.0, 10.0, 20.0, 1.25, 2.5])
    moved = level + _walk(rng, count, rng.uniform(4, 60), rng.choice([0, 0.9]))
    return np.floor(np.rint(moved / step) * step + 0.5).astype(int)


def two_state(rng: Rng, count: int, level: float) -> Ints:
    """Two levels, at times close together, at rest or trembling, changed often or seldom."""
    other = level + rng.choice([1, 2, 3, rng.normal(0, 50)])
    high = np.cumsum(rng.random(count) < rng.choice([0.02, 0.5, 1.0])) % 2
    tremble = rng.normal(0, rng.choice([0, 0.6, 1.0]), count)
    return np.rint(np.where(high, other, level) + tremble).astype(int)


def levels(rng: Rng, count: int, level: float, session: Rng) -> Ints:
    """Four levels that all clips of a session share, trembling about them."""
    places = session.uniform(LEVEL - 60, LEVEL + 60, 4)
    tremble = session.choice([0, 0.5, 0.8, 1.2])
    return np.rint(rng.choice(places, count) + rng.normal(0, tremble, count)).astype(int)


def ceiling_bound(rng: Rng, count: int, level: float) -> Ints:
    return np.minimum(free(rng, count, TOP - rng.uniform(-20, 20)), TOP)


def few(rng: Rng, count: int, level: float) -> Ints:
    return free(rng, int(rng.integers(1, 30)), level)


def delay(rng: Rng, count: int, level: float) -> Ints:
    """Whole milliseconds with a tail."""
    return np.rint(22 + rng.gamma(2, rng.uniform(0.5, 8), count)).astype(int)


KINDS: dict[str, Callable[..., Ints]] = {
    k.__name__: k
    for k in (free, constant, slow, quantised, two_state, levels, ceiling_bound, few, delay)
}


def clip(kind: str, rng: Rng, session_seed: int) -> Ints:
    level, count = rng.normal(LEVEL, SPREAD), int(rng.integers(LEAST, MOST))
    of_session = kind in ("quantised", "levels")
    more = (np.random.default_rng(session_seed),) if of_session else ()
    return np.abs(KINDS[kind](rng, count, level, *more))


def alarms(clips: list[Numbers], fields: int = FIELDS) -> int:
    """Count what is said of one field of a session, clip by clip and over all."""
    tests = fields * (len(clips) + 1)
    return sum(len(missing_digits(c, tests)) for c in ([c] for c in clips)) + len(
        missing_digits(clips, tests)
    )


def false_alarms(kind: str, sessions: int, seed: int) -> int:
    """Return how many of so many sessions of a kind give any alarm."""
    found = 0
    for number in range(sessions):
        rng = np.random.default_rng([seed, list(KINDS).index(kind), number])
        found += any(
            alarms([numbers_in_units(clip(kind, rng, 10 * number + f), 1) for _ in range(CLIPS)])
            for f in range(FIELDS)
        )
    return found


def misread(units: Ints, digit: str = "8", as_digit: str = "0") -> Ints:
    return np.array([int(str(u).replace(digit, as_digit)) for u in units], int)


def found_of(clips: int, numbers: int, rounds: int, seed: int) -> int:
    """Return how often an 8 read as 0 is named, of so many sessions."""
    found = 0
    for number in range(rounds):
        rng = np.random.default_rng([seed, clips, numbers, number])
        made = []
        for _ in range(clips):
            walk = _walk(rng, numbers, rng.choice([15, 30, 60]), 0.5)
            units = np.abs(np.rint(rng.normal(LEVEL, SPREAD) + walk).astype(int))
            made.append(numbers_in_units(misread(units), 1))
        said = missing_digits(made, FIELDS * (clips + 1))
        found += any(one.digit == "8" and "0" in one.read_as for one in said)
    return found


def main() -> None:
    sessions, seed = (*map(int, sys.argv[1:]), *(2000, 100)[len(sys.argv) - 1 :])
    print("| kind | sessions | false alarms |\n|---|---|---|")
    for kind in KINDS:
        print(f"| {kind} | {sessions} | {false_alarms(kind, sessions, seed)} |", flush=True)
    print("\n| clips | separate numbers a clip | an 8 read as 0 is named, of 100 |\n|---|---|---|")
    for clips, numbers in (
        *((1, n) for n in (110, 300, 400, 600, 1000)),
        *((n, 110) for n in (4, 6, 8, 16)),
    ):
        print(f"| {clips} | {numbers} | {found_of(clips, numbers, 100, seed)} |", flush=True)


if __name__ == "__main__":
    main()
