"""From files to the table of runs that the comparison works on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast

import pandas as pd

from extractor.comparison.admission import refuse_counted_twice, refuse_twins
from extractor.comparison.findings import Finding, Quantity
from extractor.comparison.looks import NO_LOOKS, Looks, first_look, planned_looks
from extractor.errors import TableError, UsageError
from extractor.session.csv_tables import Table, numbers, read_table
from extractor.session.folder import Session, results_folder, spelled
from extractor.session.overlay import Direction, usual_direction
from extractor.session.spelling import hung
from extractor.session.user_tables import RUN_COLUMNS, Run
from extractor.statistics.ceiling import uncut_measure
from extractor.tabulation import doubted_digits

MEASURES = ("mean", "mean_with_outages", "median", "p25", "p05", "availability")
#: Conditions under which Mbit/s mean something else; runs that differ in one are not pooled.
CONDITIONS = ("rate_mode", "power_mw", "channel_mhz", "width_mhz")
#: Columns kept as text beside the factor.
_LABELS = ("run", "clip", "port", "port_role", "others", "position", "battery")
_NUMBERS = (
    "order",
    "n",
    "mean",
    "mean_with_outages",
    "median",
    "p25",
    "mean_se",
    "ceiling",
    "ceiling_share",
    "trend_per_min",
    "coverage",
    "start_s",
    "end_s",
)
#: Mounting of a run for which none is given: all such runs of an antenna are one mounting.
UNNAMED_MOUNTING = "(not given)"


@dataclass(frozen=True)
class RunTable:
    """Runs ready to be compared, one field and one measure."""

    runs: pd.DataFrame
    """One row a run: session, antenna (the factor's level), mounting, port, others, order,
    value, with_outages, conditions and whatever else was given; missing cells are None/NaN."""
    field: str
    measure: str
    unit: str
    better: Direction | None
    """None: not known, so that nothing can be called better."""
    factor: str = "antenna"
    skipped: tuple[str, ...] = ()
    """Runs left out, each with the reason."""
    primary: str = ""
    """The field that decides the session; by any other "ahead" is marked as secondary."""
    doubts: tuple[Finding, ...] = ()
    """Digits of the field that are probably misread; to be said before anything else."""
    looks: Looks = NO_LOOKS
    """At how many mountings was or will be looked."""
    free: bool = False
    """Nobody asked for the measure: what the ceiling leaves alone may take its place."""


def require_measure(measure: str | None) -> None:
    """Raise `UsageError` if `measure` is given and none of `MEASURES`."""
    if measure is not None and measure not in MEASURES:
        raise UsageError(f"measure '{measure}' is not known; choose one of {', '.join(MEASURES)}")


def load_sessions(
    paths: Sequence[Path], field: str | None, measure: str | None = None, factor: str = "antenna"
) -> RunTable:
    """Read one or more sessions, or hand-made tables, into one table of runs.

    Parameters
    ----------
    paths : sequence of Path
        Session folders with ``results/summary.csv``, or CSV files with ``antenna`` and
        ``value`` and, where known, ``port``, ``mounting``, ``session``, ``order`` and more.
    field : str, optional
        Name of the field; by default the session's primary one (`Session.primary_field`), and
        ``value`` for what a hand-made table holds.
    measure : str, optional
        One of `MEASURES`; hand-made tables hold one value and ignore it. Left out: the mean,
        but see `uncut`.
    factor : str
        Column whose levels are compared.

    Raises
    ------
    UsageError
        If a measure, field or factor is not known or fewer than two levels are left.
    TableError
        If a table cannot be understood.
    """
    require_measure(measure)
    names = session_names(paths)
    tables = [
        _load_table(path, name, field or "value", measure or "mean", factor)
        if path.is_file()
        else _load_session(path, name, field, measure or "mean", factor)
        for path, name in zip(paths, names, strict=True)
    ]
    refuse_counted_twice(paths, [t.runs for t in tables])
    units, ways = {t.unit for t in tables} - {""}, {t.better for t in tables} - {None}
    if len(units) > 1 or len(ways) > 1:
        raise UsageError(
            f"the sessions disagree about the field '{tables[0].field}' (unit or which way is "
            "better); make overlay.toml the same in both"
        )
    runs = pd.concat([t.runs for t in tables], ignore_index=True)
    refuse_twins(", ".join(map(str, paths)), runs, factor)
    skipped = tuple(s for t in tables for s in t.skipped)
    doubts = tuple(d for t in tables for d in t.doubts)
    unit, better = next(iter(units), ""), next(iter(ways), None)
    result = replace(
        tables[0], runs=runs, skipped=skipped, unit=unit, better=better, doubts=doubts,
        free=measure is None,
        looks=_looks(paths, list(runs["antenna"].unique())) if factor == "antenna" else NO_LOOKS,
    )  # fmt: skip
    levels = sorted(runs["antenna"].unique())
    if len(levels) < 2:
        only = f"only {levels[0]} stands" if levels else "nothing stands"
        raise UsageError(
            f"{', '.join(map(str, paths))}: {only} in column '{factor}' of the runs that have a "
            f"number; a comparison needs at least two different ones"
            + (f" (left out: {'; '.join(skipped)})" if skipped else "")
        )
    return result


def _looks(paths: Sequence[Path], antennas: Sequence[str]) -> Looks:
    tables = [p if p.is_file() else p / "runs.csv" for p in paths]
    planned = [planned_looks(read_table(t)) for t in tables if t.exists()]
    first = first_look(results_folder(paths[0]), antennas)
    return Looks(next(filter(None, planned), ()), first)


def uncut(table: RunTable) -> RunTable:
    """Return the runs by the highest measure that the link's ceiling leaves alone.

    See `uncut_measure`. The same table where a measure was asked for, the ceiling cuts nothing,
    or not every run has that column.
    """
    runs = table.runs
    if not table.free or table.better != "higher" or "ceiling_share" not in runs:
        return table
    measure = uncut_measure(runs["ceiling_share"].to_numpy(float))
    if measure not in runs or runs[measure].isna().any():
        return table
    return replace(table, runs=runs.assign(value=runs[measure]), measure=measure)


def session_names(paths: Sequence[Path]) -> list[str]:
    """Return what sessions and tables are called: short where that keeps them apart."""
    if len({p.resolve() for p in paths}) < len(paths):
        raise UsageError("the same session is given twice")
    short = [spelled(Path(p.resolve().stem if p.is_file() else p.resolve().name)) for p in paths]
    return short if len(set(short)) == len(short) else [spelled(p) for p in paths]


def _load_table(path: Path, name: str, field: str, measure: str, factor: str) -> RunTable:
    table = read_table(path)
    table.require(factor, "value")
    rows = [dict(row) | {"value": table.number(i, "value")} for i, row in enumerate(table.rows)]
    for i, row in enumerate(rows):
        row["run"] = row.get("run") or f"line {i + 2}"
        row["session"] = row.get("session") or name
    _check_numbers(table)
    unit = _the_same(
        table, "unit", "the same in every row, not '{}'; convert the values to one unit"
    )
    better = _the_same(table, "better", "higher or lower, the same in every row, not '{}'")
    way = cast("Direction", better) if better else usual_direction(field, unit)
    columns = dict.fromkeys((*table.columns, "run", "session"))
    runs, skipped = prepare(pd.DataFrame(rows, columns=list(columns)), factor)
    return RunTable(runs, field, measure, unit, way, factor, skipped)


def _the_same(table: Table, column: str, must_say: str) -> str:
    """Return what all rows that say anything say in a column; "" where none does."""
    said = sorted({row[column] for row in table.rows if row.get(column)})
    if len(said) > 1 or (column == "better" and not {*said} <= {"higher", "lower"}):
        must_say = must_say.format(", ".join(said))
        raise TableError(f"{table.where}: column '{column}' must say {must_say}")
    return "".join(said)


def _check_numbers(table: Table) -> None:
    for column in _NUMBERS:
        for i in range(len(table.rows)):
            table.number(i, column)


def _load_session(path: Path, name: str, asked: str | None, measure: str, factor: str) -> RunTable:
    session = Session(path)
    if not session.summary_path.exists():
        raise UsageError(
            f"{session.summary_path}: not there; read the clips first: extractor read {path}"
        )
    table = read_table(session.summary_path)
    table.require("run", "field", "antenna", measure)
    known = list(dict.fromkeys(row["field"] for row in table.rows))
    if not known:
        raise UsageError(
            f"{session.summary_path}: holds no run yet; when the clips are read, ask again "
            f"(extractor read {path})"
        )
    primary = session.primary_field(known)
    field = asked or primary
    if field not in known:
        raise UsageError(f"{session.summary_path}: no field '{field}' (has: {', '.join(known)})")
    _check_numbers(table)
    runs_now = {run.run: run for run in session.runs()}
    _refuse_outdated(session, table, runs_now)
    extra = {name: dict(run.columns) for name, run in runs_now.items()}
    conditions = {k: v for k, v in session.conditions().items() if not isinstance(v, dict | list)}
    rows = []
    for i, row in enumerate(table.rows):
        if row["field"] != field:
            continue
        own = extra.get(row["run"], {})
        given = {k: v for k, v in own.items() if v}
        # The user's own table is fresher than its copy in the summary, where it is empty too.
        filled = {k: v for k, v in row.items() if v and not (k in RUN_COLUMNS and k in own)}
        merged: dict[str, object] = {k: str(v) for k, v in conditions.items()}
        merged |= given | filled
        rows.append(merged | {"session": name, "value": table.number(i, measure)})
    if not any(factor in row for row in rows):
        raise UsageError(_nothing_to_compare(session, factor))
    unit, better = _unit_and_direction(session, field, table)
    if measure == "availability" and not any(row["value"] is not None for row in rows):
        raise UsageError(_below_what(session, field, unit, better))
    runs, skipped = prepare(pd.DataFrame(rows), factor)
    skipped += _not_recorded(session)
    if measure == "availability":
        runs["value"] *= 100
        unit, better = "%", "higher"
    doubts = doubt_findings(session, name, field)
    return RunTable(runs, field, measure, unit, better, factor, skipped, primary, doubts)


def _below_what(session: Session, field: str, unit: str, better: Direction | None) -> str:
    if better != "higher":
        return f"availability has no meaning for '{field}': a higher number is not better there"
    return (
        f"availability needs one number: below how many {unit or 'units'} does the link count as "
        f"out? Write low = that number under '{field}' in {session.overlay_path}; then compare"
    )


def doubt_findings(session: Session, name: str, field: str) -> tuple[Finding, ...]:
    """Say which digits of a field are probably misread in a session of this name."""
    return tuple(
        Finding(
            "doubted_digits",
            f"{name}: {doubt.sentence}",
            "The numbers just below and above were shown time and again, those with this digit "
            "were not (docs/method.md, A digit that never shows).",
            (Quantity("readings left out", float(doubt.left_out)),),
        )
        for doubt in doubted_digits.load(session)
        if doubt.field == field
    )


def _refuse_outdated(session: Session, table: Table, runs: Mapping[str, Run]) -> None:
    """Refuse numbers made of other seconds than ``runs.csv`` says by now."""
    if not session.runs_path.exists():
        return
    for i, row in enumerate(table.rows):
        run = runs.get(row["run"])
        made_of = row.get("clip"), *(table.number(i, c) for c in ("start_s", "end_s"))
        if run is None or made_of != (";".join(run.clips), run.start_s, run.end_s):
            raise UsageError(
                f"{session.runs_path}: name, clip, start_s or end_s of run '{row['run']}' was "
                f"changed since {session.summary_path.name} was made; bring that up to date first: "
                f"extractor read {session.root} (what was read is kept)"
            )


def _nothing_to_compare(session: Session, factor: str) -> str:
    path = session.runs_path
    if not path.exists():
        return f"{path}: not there; extractor read {session.root} drafts it for you to fill in"
    columns = f"column '{factor}'"
    if factor == "antenna":
        columns = "columns antenna, port and mounting, a row a clip"
    return f"{path}: no run says its '{factor}' yet; fill the {columns}; then compare"


def _not_recorded(session: Session) -> tuple[str, ...]:
    """Name the planned runs that have no clip."""
    if not session.runs_path.exists():
        return ()
    rows = read_table(session.runs_path).rows
    return tuple(
        f"{row.get('run') or f'line {i}'} (planned, no clip)"
        for i, row in enumerate(rows, 2)
        if not row.get("clip")
    )


def _unit_and_direction(session: Session, field: str, table: Table) -> tuple[str, Direction | None]:
    if session.overlay_path.exists():
        marked = session.overlay()[field]
        return marked.unit, marked.direction
    units = [row.get("unit", "") for row in table.rows if row["field"] == field]
    return units[0], usual_direction(field, units[0])


def prepare(rows: pd.DataFrame, factor: str = "antenna") -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Bring a table of runs into the form that the comparison takes.

    Parameters
    ----------
    rows : DataFrame
        With the factor's column and ``value``; everything else is optional.
    factor : str
        Column whose levels are compared; it becomes ``antenna``, and the antenna itself then
        ``companion``.

    Returns
    -------
    runs : DataFrame
        Empty cells as None or NaN; ``port`` is empty for swaps of like with like.
    skipped : tuple of str
        Runs without a value or without a level, each with the reason.
    """
    needed = ("run", "session", "mounting", "port", "others")
    runs = rows.assign(**dict.fromkeys(c for c in needed if c not in rows))
    runs["run"] = runs["run"].fillna(pd.Series([f"run {i + 1}" for i in range(len(runs))]))
    runs["session"] = runs["session"].fillna("session")
    levels = _text(runs[factor])
    texts = {factor, "antenna", "mounting", "session", "companion", *_LABELS, *CONDITIONS}
    for column in texts & set(runs.columns):
        runs[column] = _text(runs[column])
    for column in {*_NUMBERS, "value"} & set(runs.columns):
        runs[column] = numbers(runs, column)
    runs["mounting"] = runs["mounting"].fillna(UNNAMED_MOUNTING)
    if factor != "antenna":
        own = runs["antenna"] if "antenna" in runs else pd.Series("", index=runs.index)
        runs["companion"] = own
        runs["mounting"] = own.fillna("") + "/" + runs["mounting"]
        runs["antenna"] = levels
    if "mean_with_outages" in runs:
        runs["with_outages"] = runs["mean_with_outages"]
    return _complete(runs, factor)


def _text(column: pd.Series) -> pd.Series:
    text = column.map(_cell, na_action="ignore").astype(object)
    return text.where(text.notna() & (text != ""), None)


def _cell(value: object) -> str:
    # 1.0, 1 and "1" name the same mounting; tables from pandas hold numbers.
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def _complete(runs: pd.DataFrame, factor: str) -> tuple[pd.DataFrame, tuple[str, ...]]:
    nameless, empty = runs["antenna"].isna(), runs["value"].isna()
    skipped = [f"{run} (no {factor} given)" for run in runs.loc[nameless, "run"]]
    skipped += [f"{run} (no value)" for run in runs.loc[empty & ~nameless, "run"]]
    kept = runs[~nameless & ~empty].reset_index(drop=True)
    pairs = zip(kept["antenna"], kept["others"], strict=True)
    alike = pd.Series([is_like_with_like(*pair) for pair in pairs], dtype=bool)
    kept["port_used"] = kept["port"]
    kept["port"] = kept["port"].where(~alike, None).astype(object)
    return kept, tuple(skipped)


def is_like_with_like(antenna: str, others: str | None) -> bool:
    """Tell whether every other port holds the same antenna, as ``Port=Antenna;…`` says."""
    return {other for _, other in hung(others or "")} == {antenna}
