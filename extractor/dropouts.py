"""The stretches in which the link was out."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from extractor.sampling import Bools, Sampling

if TYPE_CHECKING:
    import pandas as pd

#: A stretch below `low` or without link counts as a dropout from this length on.
DROPOUT_S = 0.3


def dropout_lengths(
    rows: pd.DataFrame, down: Bools, known: Bools, sampling: Sampling
) -> list[float]:
    """Return the length in seconds of each stretch of at least 0.3 s in which the link was out.

    Instants that say nothing about the link (not `known`) are bridged where both sides are out
    and they last less than 0.3 s; they never begin or end a stretch. A stretch lasts from the
    instant its first number appeared (``since_s``) to the instant the next one did, or to the
    middle between samples where that is not known.
    """
    indices = np.flatnonzero(known)
    if not down.any():
        return []
    starts, ends = sampling.starts_s, sampling.ends_s
    since = rows["since_s"].to_numpy(float) if "since_s" in rows else np.full(len(rows), math.nan)
    times = rows["time_s"].to_numpy(float)
    lengths: list[float] = []
    begun, last = math.nan, -1
    for i in indices.tolist():
        hole = last >= 0 and starts[i] - ends[last] >= DROPOUT_S - 1e-9
        if not math.isnan(begun) and (hole or not down[i]):
            adjoins = i == last + 1 and not hole
            exact = adjoins and times[last] < since[i] <= times[i]
            lengths.append((since[i] if exact else ends[last]) - begun)
            begun = math.nan
        if down[i] and math.isnan(begun):
            exact = i > 0 and last == i - 1 and times[i - 1] < since[i] <= times[i]
            begun = since[i] if exact else starts[i]
        last = i
    if not math.isnan(begun):
        lengths.append(ends[last] - begun)
    slack = 1e-6 + (0 if math.isnan(sampling.period_s) else 0.01 * sampling.period_s)
    return [float(length) for length in lengths if length >= DROPOUT_S - slack]
