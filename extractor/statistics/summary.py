"""One series -> one summary: level, spread, dropouts, ceiling, and an honest interval.

Knows nothing of video: a recording, a hand-kept log and another tool's table are all the same
here (see `series` for the columns). Each number is explained in ``docs/method.md``.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from extractor.statistics.autocorrelation import autocorrelation, centred_mean, mean_interval
from extractor.statistics.ceiling import CEILING_STEPS, find_ceiling
from extractor.statistics.dropouts import dropouts, low_level
from extractor.statistics.flags import COUNTED, Flag
from extractor.statistics.sampling import Bools, Floats, Sampling, quantiles, sampling_of
from extractor.statistics.series import between, check_series, display_step

if TYPE_CHECKING:
    import pandas as pd

    from extractor.session.overlay import Field

#: Above this share of hidden and unreadable instants, bounds for the mean are given.
UNREAD_SHARE = 0.02


@dataclass(frozen=True, slots=True)
class Summary:
    """What one field did in one run. NaN: not defined here (see ``docs/method.md``)."""

    n: int
    """Readings that count (`ok` and `corrected`)."""
    duration_s: float
    """First to last sampled instant plus one sampling period."""
    coverage: float
    """Share of the instants to be sampled that count, 0 to 1: those in holes are not read."""
    mean: float
    """Over the time a number was shown, field's unit."""
    mean_with_outages: float
    """`no_link` counted as 0; NaN unless higher is better."""
    sd: float
    """Standard deviation with n - 1, field's unit."""
    median: float
    p05: float
    p25: float
    p95: float
    minimum: float
    maximum: float
    availability: float
    """Share of counted and `no_link` time at or above `low`, 0 to 1."""
    dropouts: float
    """Number of stretches of at least 0.3 s below `low` or without link."""
    longest_dropout_s: float
    """0 where there is none."""
    ceiling: float
    ceiling_share: float
    """Share of counted samples within two display steps of the ceiling, or above."""
    trend_per_min: float
    """Least-squares slope, field's unit per minute."""
    lag1: float
    """Correlation of neighbouring samples, -1 to 1."""
    n_effective: float
    """Independent readings that would know the mean as well, 1 to n."""
    mean_se: float
    mean_low: float
    mean_high: float
    n_no_link: int
    n_hidden: int
    n_unreadable: int
    n_range: int
    n_spike: int
    n_format: int
    n_frozen: int
    n_corrected: int
    ceiling_source: str
    """``typed``, ``found`` or empty."""
    mean_bound_low: float
    """The mean if every unread instant had shown the least possible; NaN up to 2 % unread."""
    mean_bound_high: float
    availability_frozen: float
    """As `availability`, frozen time counted as outage."""

    def as_row(self) -> dict[str, Any]:
        """Return the columns of ``summary.csv`` in their order."""
        return asdict(self)


#: Names of the columns that a `Summary` fills, in order.
SUMMARY_COLUMNS: tuple[str, ...] = tuple(Summary.__dataclass_fields__)


def summarise(
    series: pd.DataFrame,
    field: Field,
    *,
    start_s: float | None = None,
    end_s: float | None = None,
    period_s: float | None = None,
    steady: bool = False,
    confidence: float = 0.95,
) -> Summary:
    """Summarise one field of one run.

    Parameters
    ----------
    series : DataFrame
        Columns ``time_s`` (rising), ``value`` and ``flag``; ``text`` helps to find the display
        step, ``since_s`` (seconds) makes dropouts exact to a frame.
    field : Field
        Its `decimals`, `direction`, `minimum`, `maximum`, `ceiling` and `low` are used.
    start_s, end_s : float, optional
        Only rows with ``start_s <= time_s < end_s`` are used.
    period_s : float, optional
        Sampling period; found from the times when absent.
    steady : bool
        The series was sampled at a steady rate, however many holes it has.
    confidence : float
        Of the interval for the mean, between 0 and 1.

    Returns
    -------
    Summary
        With n = 0 and NaN where nothing counts. In uneven sampling, mean, spread, quantiles and
        shares weigh each reading by the time it stands for.

    Raises
    ------
    TableError
        If columns are missing or times do not rise.

    Examples
    --------
    >>> import pandas as pd
    >>> from extractor import Box, Field, series_from_table, summarise
    >>> log = pd.DataFrame({"s": range(6), "rate": ["31.2", "30.8", "--", "31.0", "31.4", "30.9"]})
    >>> rate = Field("rate", frame=(1600, 900), box=Box(668, 20, 147, 53), unit="Mbit/s")
    >>> summary = summarise(series_from_table(log, "s", "rate"), rate)
    >>> summary.n, round(summary.mean, 2), summary.n_no_link
    (5, 31.06, 1)
    """
    check_series(series)
    rows = between(series, start_s, end_s)
    flags = rows["flag"].to_numpy(object).astype(str)
    values = rows["value"].to_numpy(float)
    counted = np.isin(flags, list(COUNTED)) & np.isfinite(values)
    sampling = sampling_of(rows["time_s"].to_numpy(float), period_s)
    step = display_step(rows, field.decimals)
    ceiling, source = _ceiling(values[counted], field, step)
    numbers: dict[str, Any] = dict.fromkeys(SUMMARY_COLUMNS, math.nan)
    numbers |= {"n": int(counted.sum())}
    numbers |= _coverage(counted, rows["time_s"].to_numpy(float), sampling, steady=steady)
    numbers |= _level(values, counted, sampling)
    numbers |= _with_unread(values, flags, counted, sampling, field)
    low = low_level(field.direction, field.low, ceiling)
    numbers |= _outages(rows, flags, counted, sampling, low)
    numbers |= _ceiling_columns(values, counted, sampling, ceiling, source, step)
    numbers |= _dynamics(rows["time_s"].to_numpy(float), values, counted, sampling, confidence)
    for flag in Flag:
        if flag != Flag.OK:
            numbers[f"n_{flag}"] = int(np.count_nonzero(flags == flag))
    return Summary(**numbers)


def _coverage(
    counted: Bools, times_s: Floats, sampling: Sampling, *, steady: bool
) -> dict[str, float]:
    if not len(counted):
        return {"duration_s": 0.0}
    duration = float(sampling.ends_s[-1] - sampling.starts_s[0])
    due = len(counted) + (sampling.missing_rows(times_s) if steady or sampling.even else 0)
    return {"duration_s": duration, "coverage": float(counted.sum() / due)}


def _level(values: Floats, counted: Bools, sampling: Sampling) -> dict[str, float]:
    shown = values[counted]
    if not len(shown):
        return {}
    weights = None if sampling.weights is None else sampling.weights[counted]
    mean = centred_mean(shown) if weights is None else float(np.average(shown, weights=weights))
    sd = math.nan
    if len(shown) > 1:
        spread = float(np.average((shown - mean) ** 2, weights=weights))
        sd = math.sqrt(spread * len(shown) / (len(shown) - 1))
    shares = quantiles(shown, (0.05, 0.25, 0.5, 0.95), weights)
    names = ("mean", "sd", "p05", "p25", "median", "p95", "minimum", "maximum")
    numbers = (mean, sd, *shares, shown.min(), shown.max())
    return dict(zip(names, map(float, numbers), strict=True))


def _with_unread(
    values: Floats, flags: NDArray[Any], counted: Bools, sampling: Sampling, field: Field
) -> dict[str, float]:
    """Return the mean with outages as 0, and bounds where too much was not read."""
    result = {}
    unread, known = (
        np.isin(flags, [Flag.HIDDEN, Flag.UNREADABLE]),
        counted | (flags == Flag.NO_LINK),
    )
    heft = sampling.heft
    if field.direction == "higher" and known.any():
        with_zero = np.where(counted, values, 0.0)[known]
        result["mean_with_outages"] = float(np.average(with_zero, weights=heft[known]))
    if counted.any() and np.mean(unread) > UNREAD_SHARE:
        shown, lost = values[counted], heft[unread].sum()
        total, both = float(np.sum(heft[counted] * shown)), heft[counted].sum() + lost
        least, most = _possible(shown, field)
        result["mean_bound_low"] = (total + lost * least) / both
        result["mean_bound_high"] = (total + lost * most) / both
    return result


def _possible(shown: Floats, field: Field) -> tuple[float, float]:
    """Return the least and the most that an unread instant may have shown."""
    low, high = float(shown.min()), float(shown.max())
    limit = field.ceiling if field.ceiling is not None else field.maximum
    least = 0.0 if field.minimum is None else field.minimum
    return min(low, least), high if limit is None else max(high, limit)


def _ceiling(shown: Floats, field: Field, step: float) -> tuple[float, str]:
    if field.ceiling is not None:
        return field.ceiling, "typed"
    found = find_ceiling(shown, step) if field.direction == "higher" else None
    return (math.nan, "") if found is None else (found, "found")


def _ceiling_columns(
    values: Floats, counted: Bools, sampling: Sampling, ceiling: float, source: str, step: float
) -> dict[str, Any]:
    share = math.nan
    if source:
        near = np.nan_to_num(values, nan=-math.inf) >= ceiling - (CEILING_STEPS + 1e-6) * step
        share = sampling.share(near, counted)
    return {"ceiling": ceiling, "ceiling_share": share, "ceiling_source": source}


def _outages(
    rows: pd.DataFrame, flags: NDArray[Any], counted: Bools, sampling: Sampling, low: float
) -> dict[str, float]:
    out = flags == Flag.NO_LINK
    known = counted | out
    if math.isnan(low) or not known.any():
        return {}
    up = counted & (np.nan_to_num(rows["value"].to_numpy(float), nan=-math.inf) >= low)
    lengths = [length for _, length in dropouts(rows, known & ~up, known, sampling)]
    with_frozen = known | (flags == Flag.FROZEN)
    return {
        "availability": sampling.share(up, known),
        "availability_frozen": sampling.share(up, with_frozen),
        "dropouts": float(len(lengths)),
        "longest_dropout_s": max(lengths, default=0.0),
    }


def _dynamics(
    times_s: Floats, values: Floats, counted: Bools, sampling: Sampling, confidence: float
) -> dict[str, float]:
    """Return trend, lag-1 correlation and the interval for the mean, where they are defined."""
    if not counted.any():
        return {}
    kept = np.where(counted, values, math.nan)
    weights = sampling.weights
    if sampling.even:
        kept = _on_grid(times_s, kept, sampling.period_s)
    interval = mean_interval(kept, weights, confidence=confidence)
    return {
        "trend_per_min": _slope(times_s[counted], values[counted]) * 60,
        "lag1": float(autocorrelation(kept, 1)[1]) if len(kept) > 2 else math.nan,
        "n_effective": interval.n_effective,
        "mean_se": interval.standard_error,
        "mean_low": interval.low,
        "mean_high": interval.high,
    }


def _on_grid(times_s: Floats, kept: Floats, period_s: float) -> Floats:
    """Put an even series on its grid, NaN in the holes; holes are cut to as long as the rest."""
    if len(kept) < 2:
        return kept
    steps = np.clip(np.rint(np.diff(times_s) / period_s), 1, len(kept)).astype(int)
    places = np.concatenate([[0], np.cumsum(steps)])
    if places[-1] == len(kept) - 1:
        return kept
    grid = np.full(int(places[-1]) + 1, math.nan)
    grid[places] = kept
    return grid


def _slope(times_s: Floats, shown: Floats) -> float:
    """Return the least-squares slope per second; NaN with fewer than three readings."""
    if len(shown) < 3:
        return math.nan
    centred = times_s - times_s.mean()
    return float(centred @ (shown - shown.mean()) / (centred @ centred))
