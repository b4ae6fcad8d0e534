"""One number over time as a table: its columns, its checks, and how to get one from any CSV.

Columns: ``time_s`` (from the first frame, rising), ``value`` (NaN where none), ``text`` (as
shown), ``since_s`` (when the number now shown appeared, NaN when not known), ``confidence``
(0 to 1) and ``flag`` (a `Flag`).
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from extractor.errors import TableError
from extractor.session.numerals import decimals_in, parse_number
from extractor.session.recordings import end_s as end_of_clip_s
from extractor.statistics.flags import WITHOUT_VALUE, Flag, parse_value

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

COLUMNS = ("time_s", "value", "text", "since_s", "confidence", "flag")
#: ``1:02:03.5`` or ``02:03`` (minutes and seconds).
CLOCK = re.compile(r"^(?:(\d+):)?(\d{1,2}):(\d{1,2}(?:[.,]\d+)?)$")
DAY_S = 86_400.0
#: What tells units of different size apart.
_SIZED_UNIT = re.compile(r"(?<=[\d\s])([kmg]?b(?=it|ps|/s)|[m\u00b5\u03bcun]?s(?=ec|$))")
#: Empty cells, and what common programs write for them.
BLANK = frozenset({"", "nan", "na", "n/a", "none", "null"})


def check_series(series: pd.DataFrame) -> None:
    """Refuse a series that cannot be what it claims to be.

    Raises
    ------
    TableError
        If a column is missing, a time is not a number, or times do not rise.
    """
    missing = {"time_s", "value", "flag"} - set(series.columns)
    if missing:
        raise TableError(f"the series lacks the column {', '.join(sorted(missing))}")
    times = series["time_s"].to_numpy(float)
    _check_rising(times)
    flags = series["flag"].to_numpy(object)
    unknown = set(flags) - set(Flag)
    if unknown:
        named = ", ".join(sorted(map(repr, unknown)))
        raise TableError(f"unknown flag {named}; known are {', '.join(Flag)}")


def _check_rising(times: NDArray[np.float64], first_line: int = 1) -> None:
    bad = np.flatnonzero(~np.isfinite(times))
    if len(bad):
        raise TableError(f"row {bad[0] + first_line}: the time is missing")
    steps = np.diff(times)
    bad = np.flatnonzero(steps <= 0)
    if len(bad):
        row = int(bad[0])
        what = "is there twice" if steps[row] == 0 else "lies before the one above"
        raise TableError(
            f"row {row + 1 + first_line}: the time {times[row + 1]:g} s {what}; "
            "sort the rows by time and keep one row a time"
        )


def since_of(series: pd.DataFrame) -> NDArray[np.float64]:
    """Return when each row's number appeared, seconds; NaN where it is not known."""
    return np.asarray(series.get("since_s", [math.nan] * len(series)), float)


def joined(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Join the series of a run's clips, each shifted behind the end of the one before.

    Parameters
    ----------
    parts : sequence of DataFrame
        In the order in which they were recorded, each with times from its own first frame.
        Where one ends, see `extractor.session.recordings.end_s`.
    """
    import pandas as pd

    if len(parts) == 1:
        return parts[0]
    shifted = [part.copy() for part in parts]
    for part, offset_s in zip(shifted, offsets_s(parts), strict=True):
        part[["time_s", "since_s"]] += offset_s
    return pd.concat(shifted, ignore_index=True)


def offsets_s(parts: Sequence[pd.DataFrame]) -> list[float]:
    """Return when each of the clips of `joined` begins, seconds from the start of the first."""
    begins = [0.0]
    for part in parts[:-1]:
        times_s = part["time_s"].tolist()
        long = end_of_clip_s(times_s[0], times_s[-1], len(times_s)) if times_s else 0.0
        begins.append(begins[-1] + long)
    return begins


def between(series: pd.DataFrame, start_s: float | None, end_s: float | None) -> pd.DataFrame:
    """Return the rows from `start_s` to before `end_s`; None or NaN: from the start, to the end."""
    times = series["time_s"].to_numpy(float)
    # A comparison with NaN is false.
    before = times < (math.nan if start_s is None else start_s)
    behind = times >= (math.nan if end_s is None else end_s)
    keep = ~(before | behind)
    return series if keep.all() else series.loc[keep]


def series_from_table(table: pd.DataFrame, time_column: str, value_column: str) -> pd.DataFrame:
    """Turn two columns of any table into a series.

    Parameters
    ----------
    table : DataFrame
        One row a reading; read it with ``dtype=str`` to keep the texts as they were written.
    time_column : str
        Seconds, ``mm:ss``, ``hh:mm:ss`` or ISO 8601 dates with time; comma or point before
        decimals. Clock times that fall by more than half a day went past midnight. Clock and
        date times count from the first row; seconds stay as they are.
    value_column : str
        A number, with comma or point and perhaps a unit behind it; empty: nothing shown
        (``hidden``); dashes: ``no_link``; anything else: ``unreadable``.

    Returns
    -------
    DataFrame
        The columns of `COLUMNS`; `since_s` is NaN, `confidence` 1.

    Raises
    ------
    TableError
        If a column is missing or named twice, a time cannot be read, times do not rise, or values
        bear units of different size (Mbit/s and kbit/s).
        Rows are numbered as in a file with one line of headings.

    Examples
    --------
    >>> import pandas as pd
    >>> from extractor import series_from_table
    >>> log = pd.DataFrame({"clock": ["12:00:00", "12:00:01", "12:00:02"],
    ...                     "rate": ["38,4 Mbit/s", "--", ""]})
    >>> series = series_from_table(log, "clock", "rate")
    >>> series[["time_s", "value", "flag"]].values.tolist()
    [[0.0, 38.4, 'ok'], [1.0, nan, 'no_link'], [2.0, nan, 'hidden']]
    """
    import pandas as pd

    for column in (time_column, value_column):
        count = list(table.columns).count(column)
        if count != 1:
            known = ", ".join(map(str, table.columns))
            problem = "no column" if count == 0 else f"{count} columns named"
            raise TableError(f"{problem} '{column}'; the table has {known}")
    times = _parse_times(table[time_column])
    _check_rising(times, first_line=2)
    texts = ["" if _is_blank(cell) else str(cell).strip() for cell in table[value_column]]
    _check_one_unit(texts)
    parsed = [parse_value(text) for text in texts]
    return pd.DataFrame(
        {
            "time_s": times,
            "value": np.array([value for value, _ in parsed], float),
            "text": np.array(texts, object),
            "since_s": np.nan,
            "confidence": 1.0,
            "flag": np.array([str(flag) for _, flag in parsed], object),
        }
    )


def _check_one_unit(texts: Sequence[str]) -> None:
    first = ""
    for row, text in enumerate(texts, 2):
        found = _SIZED_UNIT.search(text.casefold())
        if found is None:
            continue
        first = first or found[0]
        if found[0] != first:
            raise TableError(
                f"row {row}: '{text}' bears another unit than the rows above; write all values in "
                "one unit"
            )


def display_step(series: pd.DataFrame, decimals: int | None) -> float:
    """Return the smallest step that the display can show, in the field's unit.

    Taken from `decimals`; else from the number of digits after the point that most texts show;
    else from the values themselves (up to six decimals).
    """
    if decimals is not None:
        return 10.0**-decimals
    found = usual_decimals(series)
    if found is not None:
        return 10.0**-found
    values = series["value"].to_numpy(float)
    values = values[np.isfinite(values)]
    near = 1e-9 * (1 + np.abs(values))
    fits = (d for d in range(6) if np.all(np.abs(np.round(values, d) - values) < near))
    return 10.0 ** -next(fits, 6)


def usual_decimals(series: pd.DataFrame) -> int | None:
    """Return the number of decimals that most of the read texts show; None without texts."""
    if "text" not in series:
        return None
    shown = series["text"].to_numpy(object)[~series["flag"].isin(WITHOUT_VALUE).to_numpy()]
    tally: Counter[int] = Counter()
    for text, count in Counter(shown.astype(str).tolist()).items():
        digits = decimals_in(text)
        if digits is not None:
            tally[digits] += count
    return max(tally, key=lambda digits: (tally[digits], digits)) if tally else None


def _is_blank(cell: object) -> bool:
    return cell is None or cell != cell or str(cell).strip().lower() in BLANK


def _parse_times(column: pd.Series) -> NDArray[np.float64]:
    import pandas as pd

    if pd.api.types.is_numeric_dtype(column):
        return column.to_numpy(float)
    if pd.api.types.is_datetime64_any_dtype(column):
        return (column - column.iloc[0]).dt.total_seconds().to_numpy()
    cells = ["" if _is_blank(cell) else str(cell).strip() for cell in column]
    if not cells:
        return np.empty(0)
    for parse in (_seconds, _clock, _dates):
        times = parse(cells)
        if times is not None:
            return times
    row = next((i for i, cell in enumerate(cells) if not _time_like(cell)), 0)
    raise TableError(
        f"row {row + 2}: '{cells[row]}' in column '{column.name}' is no time like the others; "
        "write seconds, hh:mm:ss or a date with time (2026-05-01T12:00:00) in every row"
    )


def _seconds(cells: list[str]) -> NDArray[np.float64] | None:
    numbers = [parse_number(cell) for cell in cells]
    return None if None in numbers else np.array(numbers, np.float64)


def _clock(cells: list[str]) -> NDArray[np.float64] | None:
    found = [match.groups("0") for cell in cells if (match := CLOCK.match(cell))]
    if len(found) < len(cells):
        return None
    times = np.array(
        [int(h) * 3600 + int(m) * 60 + float(s.replace(",", ".")) for h, m, s in found]
    )
    past_midnight = np.concatenate([[0], np.cumsum(np.diff(times) < -DAY_S / 2)])
    times = times + past_midnight * DAY_S
    return np.asarray(times - times[0], np.float64)


def _dates(cells: list[str]) -> NDArray[np.float64] | None:
    import pandas as pd

    try:
        stamps = pd.to_datetime(pd.Series(cells), format="ISO8601", utc=True)
    except (ValueError, TypeError):
        return None
    if stamps.isna().any():
        return None
    return np.asarray((stamps - stamps.iloc[0]).dt.total_seconds(), np.float64)


def _time_like(cell: str) -> bool:
    return any(parse([cell]) is not None for parse in (_seconds, _clock, _dates))
