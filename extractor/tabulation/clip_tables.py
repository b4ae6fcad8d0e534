"""From what was read to tables: flags, corrections, the readings CSV, the summary's rows."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from extractor.errors import TableError
from extractor.reading.number_parsing import interpret, is_spoilt
from extractor.results import RUN_PART, summary_columns
from extractor.session.atomic import write_text
from extractor.session.csv_tables import format_columns, read_table, wants_commas
from extractor.session.numerals import parse_number
from extractor.session.overlay import Field
from extractor.session.user_tables import Correction, Run
from extractor.statistics.flags import Flag

if TYPE_CHECKING:
    import pandas as pd

    from extractor.reading.cache import ClipState, FieldState
    from extractor.statistics.missing_digits import Numbers
    from extractor.tabulation.doubted_digits import Doubt

#: Raised whenever the same readings would be cleaned or summarised differently by newer code.
TABLES_VERSION = 6

#: What corrections say besides numbers; nothing for what cannot be read.
_WORDS = {"--": Flag.NO_LINK, "hidden": Flag.HIDDEN}
#: With more than this share unreadable, the box or the font is the likely cause.
POOR_SHARE = 0.5
#: Where so much is unreadable some of the rest may be wrong. Chosen on set 31337 and eight faces:
#: all clips with more than 0.5 % wrong, and as many others; what it misses: docs/reader.md.
UNSURE_SHARE = 0.05


@dataclass(frozen=True)
class ClipSeries:
    """One clip's flagged series and what the user should know about them."""

    series: dict[str, pd.DataFrame]
    """By field: columns of `extractor.statistics.series.COLUMNS`."""
    notes: tuple[str, ...]
    unmatched: tuple[Correction, ...]
    """Corrections that no row lies near enough to."""
    outside: tuple[str, ...] = ()
    """What is wrong with the corrections beyond their field's limits, each in words."""
    numbers: Mapping[str, Numbers] = dataclass_field(default_factory=dict)
    """By field, what was read before any doubt and correction, see `missing_digits`."""
    left_out: Mapping[str, int] = dataclass_field(default_factory=dict)
    """By field, readings that a doubted digit keeps from counting."""


def clip_series(
    state: ClipState,
    fields: Sequence[Field],
    corrections: Sequence[Correction],
    doubts: Sequence[Doubt] = (),
) -> ClipSeries:
    """Flag one clip's readings, then apply the corrections made by hand.

    Parameters
    ----------
    state : ClipState
        What was read.
    fields : sequence of Field
        Their limits decide about `range` and `format`.
    corrections : sequence of Correction
        Those of this clip.
    doubts : sequence of Doubt
        Those that concern this clip: a reading that holds one of their digits does not count.
    """
    from extractor.statistics.cleaning import clean_clip
    from extractor.statistics.missing_digits import numbers_of

    raw = {f.name: _raw_series(state, state.fields[f.name]) for f in fields}
    cleaned = clean_clip(raw, fields, frame_s=state.frame_s)
    notes = list(state.remarks)
    notes += [f"{name}: {note}" for name, one in cleaned.items() for note in one.notes]
    series = {name: one.series for name, one in cleaned.items()}
    notes += [poor for name, one in series.items() if (poor := _poor(name, one, state.gate))]
    known = {f.name: f for f in fields}
    counted = {n: numbers_of(one, known[n].decimals) for n, one in series.items()}
    doubted = {n: _doubt(one, [d for d in doubts if d.field == n]) for n, one in series.items()}
    answers = [(c, _correct(series, known, c)) for c in corrections]
    return ClipSeries(
        series,
        tuple(notes),
        tuple(c for c, objection in answers if objection is None),
        tuple(objection for _, objection in answers if objection),
        {name: numbers for name, numbers in counted.items() if numbers is not None},
        {n: int((series[n]["flag"] == Flag.UNREADABLE)[rows].sum()) for n, rows in doubted.items()},
    )


def _doubt(frame: pd.DataFrame, doubts: Sequence[Doubt]) -> pd.Series:
    """Make readings that hold a digit in doubt unreadable; return which rows these are."""
    values = frame["value"]
    holding = {v for v in values.dropna().unique() if any(d.digit.holds(v) for d in doubts)}
    rows = (frame["flag"] == Flag.OK) & values.isin(holding)
    frame.loc[rows, "value"] = math.nan
    frame.loc[rows, "flag"] = str(Flag.UNREADABLE)
    return rows


def _poor(name: str, frame: pd.DataFrame, gate: float) -> str:
    # Damage is named elsewhere, and no other box would help.
    rows = zip(frame["flag"], frame["text"], frame["confidence"], strict=True)
    seen = [(flag, sure) for flag, text, sure in rows if not is_spoilt(text, sure)]
    share = sum(flag == Flag.UNREADABLE for flag, _ in seen) / max(1, len(seen))
    # What counts by its surroundings alone stands at the gate: as good a sign that reading is hard.
    nearly = share + sum(flag == Flag.OK and sure <= gate for flag, sure in seen) / max(
        1, len(seen)
    )
    if nearly <= UNSURE_SHARE:
        return ""
    if share <= POOR_SHARE:
        just = " or only just" if nearly > share else ""
        return (
            f"{name}: {100 * nearly:.0f} % is not readable{just}, and some of the rest may be "
            "misread; look at it under Check (extractor open)"
        )
    return (
        f"{name}: {100 * share:.0f} % is not readable; look at the box (extractor mark --list), "
        "and if a number stands there, teach its digits: extractor teach"
    )


def _raw_series(state: ClipState, seen: FieldState) -> pd.DataFrame:
    import pandas as pd

    readings = [
        interpret(text, confidence, state.gate)
        for text, confidence in zip(seen.text, seen.confidence, strict=True)
    ]
    return pd.DataFrame(
        {
            "time_s": state.time_s,
            "value": [r.value for r in readings],
            "text": pd.Series(seen.text, dtype=object),
            "since_s": [math.nan if s is None else s for s in seen.since_s],
            "confidence": seen.confidence,
            "flag": pd.Series([str(r.flag) for r in readings], dtype=object),
            "still": state.still,
        }
    )


def _correct(
    series: Mapping[str, pd.DataFrame], fields: Mapping[str, Field], correction: Correction
) -> str | None:
    """Apply a correction; return what is wrong with it, None where it has no row."""
    frame = series.get(correction.field)
    row = None if frame is None else row_at(frame["time_s"].tolist(), correction.time_s)
    if frame is None or row is None:
        return None
    item = fields[correction.field]
    value, flag = corrected(correction.value, item)
    for column, cell in (("value", value), ("confidence", 1.0), ("flag", str(flag))):
        frame.loc[frame.index[row], column] = cell
    if flag != Flag.RANGE:
        return ""
    return (
        f"{correction.clip} at {correction.time_s:g} s: {item.objection(value)}; flagged range, "
        "not counted: put the number right, or the limits in overlay.toml"
    )


def row_at(times_s: Sequence[float], time_s: float) -> int | None:
    """Return the row that a correction is about: the nearest within half a sampling period.

    Parameters
    ----------
    times_s : sequence of float
        The rows' times, ascending, seconds.
    time_s : float
        The correction's.
    """
    import numpy as np

    if not times_s:
        return None
    times = np.asarray(times_s)
    period_s = float(np.median(np.diff(times))) if len(times) > 1 else math.inf
    row = int(np.argmin(np.abs(times - time_s)))
    # The tolerance lets a time that was written with three decimals find its row.
    return row if abs(times[row] - time_s) <= period_s / 2 + 1e-3 else None


def corrected(text: str, item: Field) -> tuple[float, Flag]:
    """Return value and flag of a correction as it stands in ``corrections.csv``.

    A number that the field's own limits exclude is flagged `range`: a slip of the hand.
    """
    number = parse_number(text)
    if number is None:
        return math.nan, _WORDS.get(text, Flag.UNREADABLE)
    return number, Flag.RANGE if item.objection(number) else Flag.CORRECTED


def write_readings(path: Path, series: Mapping[str, pd.DataFrame]) -> None:
    """Write one clip's readings.

    Raises
    ------
    StorageError
        If it cannot be written; the old file then still stands.
    """
    times = next(iter(series.values()))["time_s"].tolist()
    columns: dict[str, Sequence[object]] = {"time_s": [round(t, 6) for t in times]}
    for name, one in series.items():
        columns[name] = one["value"].tolist()
        columns[f"{name}_text"] = one["text"].tolist()
        columns[f"{name}_since_s"] = [round(t, 6) for t in one["since_s"].tolist()]
        columns[f"{name}_confidence"] = [round(c, 4) for c in one["confidence"].tolist()]
        columns[f"{name}_flag"] = one["flag"].tolist()
    write_text(path, format_columns(columns, commas=wants_commas(path)))


def run_rows(
    run: Run,
    states: Sequence[ClipState],
    parts: Sequence[Mapping[str, pd.DataFrame]],
    fields: Sequence[Field],
    *,
    steady: bool = True,
) -> list[dict[str, Any]]:
    """Return one summary row per field of a run.

    Parameters
    ----------
    run : Run
        Which clips, from when to when.
    states, parts : sequences
        What was read in each clip of the run, and its flagged series by field.
    fields : sequence of Field
        In the order of the rows.
    steady : bool
        The clips were sampled at a steady rate, see `summary.summarise`.
    """
    from extractor.statistics.series import joined
    from extractor.statistics.summary import summarise

    rows = []
    for item in fields:
        series = joined([part[item.name] for part in parts])
        summary = summarise(series, item, start_s=run.start_s, end_s=run.end_s, steady=steady)
        row: dict[str, Any] = {column: run.cell(column) for column in RUN_PART}
        row |= {"run": run.run, "clip": ";".join(run.clips), "field": item.name, "unit": item.unit}
        row |= summary.as_row()
        row["incomplete"] = _incomplete(states)
        agreed = [same for s in states for *_, same in second_looks(s, item.name)]
        row["crosscheck_n"] = len(agreed) or None
        row["crosscheck_agree"] = sum(agreed) / len(agreed) if agreed else None
        rows.append(row)
    return rows


#: What is said of a row of the summary, the most frequent of these first.
_WORST = {
    "no_link": "without link",
    "hidden": "hidden",
    "unreadable": "not read",
    "frozen": "frozen",
    "spike": "brief jumps",
    "format": "of unusual form",
    "range": "beyond the limits",
}
MOST_SAID = 2


def row_sentence(row: Mapping[str, Any]) -> str:
    """Say a row of the summary in a line: the level, its interval, the two worst flags."""
    unit = f" {row['unit']}" if row["unit"] else ""
    said = f"{row['field']} no number"
    if row["mean"] is not None and not math.isnan(row["mean"]):
        said = f"{row['field']} {row['mean']:.1f}{unit}"
        if row["mean_low"] is not None and not math.isnan(row["mean_low"]):
            said += f" ({row['mean_low']:.1f} to {row['mean_high']:.1f})"
    counts = sorted(((row[f"n_{flag}"], words) for flag, words in _WORST.items()), reverse=True)
    worst = [f"{n} {words}" for n, words in counts[:MOST_SAID] if n]
    if row["longest_dropout_s"] > 0:
        worst.insert(0, f"link out for up to {row['longest_dropout_s']:.1f} s")
    return "; ".join([said, *worst])


def _incomplete(states: Sequence[ClipState]) -> str:
    answers = {s.complete for s in states}
    if "no" in answers:
        return "yes"
    return "unknown" if "unknown" in answers else "no"


def second_looks(state: ClipState, name: str) -> Iterator[tuple[int, str, bool]]:
    """Yield the rows at which a second reader saw a number too, what it read, if they agree."""
    seen = state.fields[name]
    for row, text in seen.crosscheck:
        first = interpret(seen.text[row], seen.confidence[row], state.gate)
        second = interpret(text, 1.0, 0.0)
        if first.flag == second.flag == Flag.OK:
            yield row, text, first.value == second.value


def summarise_file(
    path: Path, time_column: str, value_column: str, item: Field
) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Clean and summarise a series kept in any CSV.

    Parameters
    ----------
    path : Path
        A table in any common dialect.
    time_column, value_column : str
        Its columns, see `extractor.statistics.series.series_from_table`.
    item : Field
        Unit, decimals and limits; its box is not used.

    Returns
    -------
    row : dict
        As in ``summary.csv``.
    notes : tuple of str
        What cleaning has to say.

    Raises
    ------
    TableError
        If the file cannot be understood.
    """
    from extractor.statistics.cleaning import clean
    from extractor.statistics.series import series_from_table
    from extractor.statistics.summary import summarise

    table = read_table(path)
    table.require(time_column, value_column)
    try:
        series = series_from_table(table.frame(), time_column, value_column)
    except TableError as error:
        raise TableError(f"{path}: {error}") from None
    cleaned = clean(series, item)
    row: dict[str, Any] = dict.fromkeys(summary_columns())
    row |= {"run": path.stem, "clip": path.name, "field": item.name, "unit": item.unit}
    row |= summarise(cleaned.series, item).as_row()
    row["incomplete"] = "unknown"
    return row, cleaned.notes
