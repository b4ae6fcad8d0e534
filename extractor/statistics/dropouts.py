"""The stretches in which the link was out."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from extractor.statistics.sampling import Bools, Floats, Sampling
from extractor.statistics.series import since_of

if TYPE_CHECKING:
    import pandas as pd

#: A stretch below `low` or without link counts as a dropout from this length on.
DROPOUT_S = 0.3

#: Where `low` is not given, this share of the ceiling is used.
LOW_SHARE_OF_CEILING = 0.1


def low_level(better: str | None, low: float | None, ceiling: float) -> float:
    """Return the level below which the link counts as out; NaN where that has no meaning.

    Parameters
    ----------
    better : str, optional
        Which way the field goes; only where higher is better can a level be too low.
    low : float, optional
        The level that the field names, in its unit.
    ceiling : float
        The link's own limit, in the field's unit; NaN where it is not known.
    """
    if better != "higher":
        return math.nan
    return low if low is not None else LOW_SHARE_OF_CEILING * ceiling


def dropout_lengths(
    rows: pd.DataFrame, down: Bools, known: Bools, sampling: Sampling
) -> list[float]:
    """Return the length in seconds of each stretch of at least 0.3 s in which the link was out.

    Instants that say nothing about the link (not `known`) are bridged where both sides are out
    and they last less than 0.3 s; they never begin or end a stretch. A stretch lasts from the
    instant its first number appeared (``since_s``) to the instant the next one did, or to the
    middle between samples where that is not known.
    """
    if not down.any():
        return []
    since = since_of(rows)
    slack = 1e-6 + (0 if math.isnan(sampling.period_s) else 0.01 * sampling.period_s)
    times = rows["time_s"].to_numpy(float)
    lengths = [
        _length(first, last, known, times, since, sampling)
        for first, last in _stretches(down, known, sampling)
    ]
    return [length for length in lengths if length >= DROPOUT_S - slack]


def _stretches(down: Bools, known: Bools, sampling: Sampling) -> list[tuple[int, int]]:
    """Return first and last row of each stretch of rows that are out, short gaps bridged."""
    stretches: list[tuple[int, int]] = []
    last = -1
    for i in np.flatnonzero(known).tolist():
        hole = last >= 0 and sampling.starts_s[i] - sampling.ends_s[last] >= DROPOUT_S - 1e-9
        if down[i]:
            if last >= 0 and down[last] and not hole:
                stretches[-1] = (stretches[-1][0], i)
            else:
                stretches.append((i, i))
        last = i
    return stretches


def _length(
    first: int, last: int, known: Bools, times: Floats, since: Floats, sampling: Sampling
) -> float:
    """Return how long a stretch lasted, seconds.

    An end is exact where the rows on both sides of it were read and the change is known.
    """
    begin, end = sampling.starts_s[first], sampling.ends_s[last]
    after = last + 1
    exact_begin = first > 0 and known[first - 1] and times[first - 1] < since[first] <= times[first]
    exact_end = after < len(times) and known[after] and times[last] < since[after] <= times[after]
    if exact_begin:
        begin = since[first]
    if exact_end:
        end = since[after]
    if sampling.even and not exact_begin and not exact_end:
        # Sampled instants fall on frames, now early, now late; counting them evens that out.
        steps = np.rint(np.diff(times[first:after]) / sampling.period_s).sum()
        return float(steps + 1) * sampling.period_s
    return float(end - begin)
