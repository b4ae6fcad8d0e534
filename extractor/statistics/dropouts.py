"""The stretches in which the link was out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from extractor.statistics.flags import COUNTED, Flag
from extractor.statistics.sampling import Bools, Floats, Sampling, sampling_of, stretches
from extractor.statistics.series import since_of

if TYPE_CHECKING:
    import pandas as pd

#: A stretch below `low` or without link counts as a dropout from this length on.
DROPOUT_S = 0.3

#: A hidden overlay or a frozen picture is an event of its own from this length on.
UNSEEN_S = 1.0

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


def outages(
    times: Floats, values: Floats, flags: npt.NDArray[np.str_], low: float
) -> list[tuple[float, float]]:
    """Return the stretches without link or below `low`, seconds, to the next sampled instant."""
    out = flags == Flag.NO_LINK
    if math.isfinite(low):
        out |= np.isin(flags, list(COUNTED)) & (np.nan_to_num(values, nan=math.inf) < low)
    step = float(np.median(np.diff(times))) if len(times) > 1 else 0.0
    ends = [*times[1:].tolist(), float(times[-1]) + step] if len(times) else []
    return [(float(times[first]), ends[stop - 1]) for first, stop in stretches(out)]


@dataclass(frozen=True)
class Event:
    """A stretch of a series in which something was wrong."""

    kind: Literal["lost", "hidden", "frozen"]
    start_s: float
    length_s: float


def events(rows: pd.DataFrame, low: float) -> list[Event]:
    """Return when the link was lost, the overlay hidden and the picture frozen.

    Parameters
    ----------
    rows : DataFrame
        A series with ``time_s``, ``value``, ``flag`` and perhaps ``since_s``.
    low : float
        As from `low_level`; NaN: only a dash shows that the link is out.
    """
    flags = rows["flag"].to_numpy(object).astype(str)
    values = rows["value"].to_numpy(float)
    counted = np.isin(flags, list(COUNTED)) & np.isfinite(values)
    sampling = sampling_of(rows["time_s"].to_numpy(float), None)
    known = counted | (flags == Flag.NO_LINK)
    down = known & ~(counted & ~(np.nan_to_num(values, nan=-math.inf) < low))
    found = [Event("lost", *span) for span in dropouts(rows, down, known, sampling)]
    kinds: tuple[tuple[Literal["hidden", "frozen"], Flag], ...]
    kinds = (("hidden", Flag.HIDDEN), ("frozen", Flag.FROZEN))
    for kind, flag in kinds:
        for first, last in _bridged(flags == flag, np.ones(len(flags), bool), sampling):
            begin, end = float(sampling.starts_s[first]), float(sampling.ends_s[last])
            if end - begin >= UNSEEN_S - 1e-6:
                found.append(Event(kind, begin, end - begin))
    return sorted(found, key=lambda event: event.start_s)


def dropouts(
    rows: pd.DataFrame, down: Bools, known: Bools, sampling: Sampling
) -> list[tuple[float, float]]:
    """Return begin and length in seconds of each stretch of 0.3 s or more without link.

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
    spans = [
        _span(first, last, known, times, since, sampling)
        for first, last in _bridged(down, known, sampling)
    ]
    return [span for span in spans if span[1] >= DROPOUT_S - slack]


def _bridged(down: Bools, known: Bools, sampling: Sampling) -> list[tuple[int, int]]:
    """Return first and last row of each stretch of rows that are out, short gaps bridged."""
    found: list[tuple[int, int]] = []
    last = -1
    for i in np.flatnonzero(known).tolist():
        hole = last >= 0 and sampling.starts_s[i] - sampling.ends_s[last] >= DROPOUT_S - 1e-9
        if down[i]:
            if last >= 0 and down[last] and not hole:
                found[-1] = (found[-1][0], i)
            else:
                found.append((i, i))
        last = i
    return found


def _span(
    first: int, last: int, known: Bools, times: Floats, since: Floats, sampling: Sampling
) -> tuple[float, float]:
    """Return when a stretch began and how long it lasted, seconds.

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
        return float(begin), float(steps + 1) * sampling.period_s
    return float(begin), float(end - begin)
