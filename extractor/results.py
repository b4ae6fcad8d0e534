"""What a session's results hold, read back: tables, series, conditions."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from extractor.errors import UsageError
from extractor.session.csv_tables import Table, numbers, read_table
from extractor.session.folder import Session, spelled
from extractor.session.overlay import Direction, Field, Overlay, usual_direction

if TYPE_CHECKING:
    import pandas as pd

_TEXT = frozenset(
    {
        *("run", "clip", "field", "unit", "antenna", "port", "others", "mounting", "position"),
        *("repeat", "incomplete", "ceiling_source"),
    }
)
#: Columns of ``summary.csv`` that say which run a row is about; statistics follow.
RUN_PART = (
    *("run", "clip", "start_s", "end_s", "field", "unit", "antenna", "port", "others", "mounting"),
    *("position", "repeat", "order"),
)
SERIES_COLUMNS = ("time_s", "value", "text", "since_s", "confidence", "flag")


@dataclass(frozen=True)
class FieldInfo:
    """What is known of one field."""

    name: str
    unit: str = ""
    better: Direction | None = None
    """None: not known."""
    low: float | None = None
    ceiling: float | None = None


@dataclass(frozen=True)
class Results:
    """The results of one session, as they lie in its folder."""

    session: Session
    name: str
    summary: pd.DataFrame
    """Rows of ``summary.csv``; numbers as floats, texts as they stand."""
    conditions: Mapping[str, Any]
    overlay: Overlay | None

    @cached_property
    def fields(self) -> tuple[FieldInfo, ...]:
        """The fields of the summary, in its order."""
        marked = {f.name: f for f in self.overlay.fields} if self.overlay else {}
        rows = self.summary.drop_duplicates("field")
        return tuple(
            _info(str(row["field"]), str(row.get("unit", "")), marked.get(str(row["field"])))
            for row in rows.to_dict("records")
        )

    def field(self, name: str) -> FieldInfo:
        """Return one field.

        Raises
        ------
        UsageError
            If the summary has no such field.
        """
        for info in self.fields:
            if info.name == name:
                return info
        known = ", ".join(f.name for f in self.fields)
        raise UsageError(f"{self.session.summary_path}: no field '{name}' (has: {known})")

    def rows(self, name: str) -> pd.DataFrame:
        """Return the summary's rows of one field, in the order of recording where it is known."""
        own = self.summary[self.summary["field"] == name]
        return own.sort_values("order", kind="stable", na_position="last").reset_index(drop=True)

    def readings(self, clip: str, name: str) -> pd.DataFrame:
        """Return one clip's series of a field (`SERIES_COLUMNS`); empty if it was not read."""
        import pandas as pd

        names = [f"{name}{suffix}" for suffix in ("", "_text", "_since_s", "_confidence", "_flag")]
        words = (f"{name}_text", f"{name}_flag")
        table = self._table(clip, ["time_s", *names], words)
        if table is None:
            return pd.DataFrame(columns=list(SERIES_COLUMNS))
        table.columns = pd.Index(["time_s", "value", "text", "since_s", "confidence", "flag"])
        return table[list(SERIES_COLUMNS)]

    def _table(
        self, clip: str, columns: Sequence[str], words: Sequence[str]
    ) -> pd.DataFrame | None:
        """Return columns of a clip's readings; all but `words` are numbers. None if not there."""
        import pandas as pd

        if clip not in self.session.stems:
            return None
        path = self.session.readings_path(clip)
        figures = [c for c in columns if c not in words]
        try:
            table = pd.read_csv(
                path, usecols=lambda column: column in columns, keep_default_na=False,
                dtype=dict.fromkeys(words, str) | dict.fromkeys(figures, float),
                na_values={column: [""] for column in figures},
            )  # fmt: skip
        except FileNotFoundError:
            return None
        except (OSError, ValueError):
            table = pd.DataFrame()
        if len(table.columns) < len(columns):  # a spreadsheet has saved it in its own dialect
            table = _as_numbers(read_table(path), figures)
        if not set(columns) <= set(table.columns):
            return None
        table = table[list(columns)]
        for column in words:
            table[column] = table[column].where(table[column] != "", None)
        return table

    def series(self, run: Mapping[str, Any], name: str) -> pd.DataFrame:
        """Return the series of one run of the summary: its clips joined, start and end cut."""
        import pandas as pd

        from extractor.statistics.series import between, joined

        parts = [self.readings(clip, name) for clip in str(run["clip"]).split(";")]
        read = [part for part in parts if not part.empty]
        if not read:
            return pd.DataFrame(columns=list(SERIES_COLUMNS))
        limits = self._limits.get(str(run["run"]), (None, None))
        return between(joined(read), *limits).reset_index(drop=True)

    @cached_property
    def _limits(self) -> dict[str, tuple[float | None, float | None]]:
        return {r.run: (r.start_s, r.end_s) for r in self.session.runs()}


def _as_numbers(table: Table, columns: Sequence[str]) -> pd.DataFrame:
    import pandas as pd

    frame = pd.DataFrame(list(table.rows), columns=list(table.columns), dtype=object)
    for column in set(columns) & set(table.columns):
        frame[column] = numbers(frame, column)
    return frame


def _info(name: str, unit: str, marked: Field | None) -> FieldInfo:
    if marked is None:
        return FieldInfo(name, unit, usual_direction(name, unit))
    return FieldInfo(name, marked.unit or unit, marked.direction, marked.low, marked.ceiling)


def load(folder: str | Path) -> Results:
    """Read a session's results.

    Parameters
    ----------
    folder : str or Path
        The session's.

    Raises
    ------
    UsageError
        If it is no session, or its clips were not read yet.
    TableError, SessionFileError
        If a file cannot be understood.

    Examples
    --------
    >>> from extractor import load_results
    >>> runs = load_results("sample_clips").rows("bitrate")
    >>> runs.groupby("antenna")["mean"].mean().round(1).to_dict()
    {'Coil': 31.3, 'Fan': 31.5, 'Slab': 38.2, 'Stub': 25.5}
    """
    session = Session(folder)
    path = session.summary_path
    if not path.exists():
        raise UsageError(f"{path}: not there; read the clips first: extractor read {folder}")
    table = read_table(path)
    table.require("run", "clip", "field")
    if not table.rows:
        raise UsageError(f"{path}: holds no run; read the clips first: extractor read {folder}")
    overlay = session.overlay() if session.overlay_path.exists() else None
    name = spelled(Path(session.root.resolve().name))
    return Results(session, name, _frame(table), session.conditions(), overlay)


def summary_columns() -> list[str]:
    """Return the columns of ``summary.csv``: the contract's order, then what came later."""
    from extractor.statistics.summary import SUMMARY_COLUMNS

    later = ("ceiling_source", "mean_bound_low", "mean_bound_high", "availability_frozen", "p25")
    first = [c for c in SUMMARY_COLUMNS if c not in later]
    return [*RUN_PART, *first, "incomplete", *later, "crosscheck_n", "crosscheck_agree"]


def _frame(table: Table) -> pd.DataFrame:
    import pandas as pd

    known = set(summary_columns()) - _TEXT
    data: dict[str, list[Any]] = {}
    for column in table.columns:
        cells = [row[column] for row in table.rows]
        if column in known:
            found = [table.number(i, column) for i in range(len(cells))]
            data[column] = [math.nan if n is None else n for n in found]
        else:
            data[column] = cells
    frame = pd.DataFrame(data)
    for column in ("antenna", "port", "mounting"):
        frame[column] = frame.get(column, "")
    for column in ("order", "mean", "p05", "p95", "n"):
        frame[column] = frame.get(column, math.nan)
    return frame


def main_field(results: Sequence[Results], wanted: str | None) -> FieldInfo:
    """Return the field to rank by: the one asked for, else the first session's primary one.

    Raises
    ------
    UsageError
        If a session lacks it.
    """
    first = results[0]
    names = [f.name for f in first.fields]
    name = wanted or first.session.primary_field(names)
    for one in results:
        one.field(name)
    return first.field(name)


def second_field(results: Sequence[Results], first: str) -> FieldInfo | None:
    """Return the field to show beside the main one: ``latency`` where there is one."""
    shared = [
        f for f in results[0].fields
        if f.name != first and all(f.name in {g.name for g in r.fields} for r in results)
    ]  # fmt: skip
    return next((f for f in shared if f.name == "latency"), shared[0] if shared else None)
