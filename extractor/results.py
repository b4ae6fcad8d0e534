"""What a session's results hold, read back: tables, series, conditions."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from extractor.errors import UsageError
from extractor.session.csv_tables import Table, read_table
from extractor.session.folder import Session, spelled
from extractor.session.overlay import SUFFIXES, Field, Overlay, unplaced

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
class Results:
    """The results of one session, as they lie in its folder."""

    session: Session
    name: str
    summary: pd.DataFrame
    """Rows of ``summary.csv``; numbers as floats, texts as they stand."""
    conditions: Mapping[str, Any]
    overlay: Overlay | None

    @property
    def title(self) -> str:
        """What to call it where people read: ``title`` of session.toml, else place, else folder."""
        return str(self.conditions.get("title") or self.conditions.get("place") or self.name)

    @cached_property
    def fields(self) -> tuple[Field, ...]:
        """The fields of the summary, in its order; those not marked stand in no picture."""
        found = {f.name: f for f in self.overlay.fields} if self.overlay else {}
        fields = []
        for row in self.summary.drop_duplicates("field").to_dict("records"):
            name, unit = str(row["field"]), str(row.get("unit", ""))
            known = found.get(name) or unplaced(name)
            fields.append(replace(known, unit=known.unit or unit))
        return tuple(fields)

    def field(self, name: str) -> Field:
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

        columns = ["time_s", *(f"{name}{suffix}" for suffix in ("", *SUFFIXES))]
        words = (f"{name}_text", f"{name}_flag")
        figures = [c for c in columns if c not in words]
        nothing = pd.DataFrame(columns=list(SERIES_COLUMNS))
        if clip not in self.session.stems:
            return nothing
        path = self.session.readings_path(clip)
        try:
            table = pd.read_csv(
                path, usecols=lambda column: column in columns, keep_default_na=False,
                dtype=dict.fromkeys(words, str) | dict.fromkeys(figures, float),
                na_values={column: [""] for column in figures},
            )  # fmt: skip
        except FileNotFoundError:
            return nothing
        except (OSError, ValueError):
            table = nothing
        if set(columns) - set(table.columns):  # a spreadsheet has saved it in its own dialect
            table = _frame(read_table(path), figures)
        if set(columns) - set(table.columns):
            return nothing
        for column in words:
            table[column] = table[column].where(table[column] != "", None)
        return table[columns].set_axis(list(SERIES_COLUMNS), axis=1)

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


def _frame(table: Table, figures: Collection[str]) -> pd.DataFrame:
    """Return a table whose columns `figures` are numbers, NaN where empty."""
    import pandas as pd

    frame = table.frame()
    for column in set(figures) & set(table.columns):
        cells = [table.number(i, column) for i in range(len(frame))]
        frame[column] = pd.Series(cells, dtype=float)
    return frame


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
    summary = _frame(table, set(summary_columns()) - _TEXT)
    for column in ("antenna", "port", "mounting"):
        summary[column] = summary.get(column, "")
    for column in ("order", "mean", "p05", "p95", "n"):
        summary[column] = summary.get(column, math.nan)
    return Results(session, name, summary, session.conditions(), overlay)


def titled(results: Sequence[Results]) -> str:
    """Return one title for several sessions: their titles, or folders where these are alike."""
    titles = [one.title for one in results]
    apart = len(set(titles)) == len(titles)
    return ", ".join(titles if apart else [one.name for one in results])


def summary_columns() -> list[str]:
    """Return the columns of ``summary.csv``: the contract's order, then what came later."""
    from extractor.statistics.summary import SUMMARY_COLUMNS

    later = ("ceiling_source", "mean_bound_low", "mean_bound_high", "availability_frozen", "p25")
    first = [c for c in SUMMARY_COLUMNS if c not in later]
    return [*RUN_PART, *first, "incomplete", *later, "crosscheck_n", "crosscheck_agree"]


def main_field(results: Sequence[Results], wanted: str | None) -> Field:
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


def second_field(results: Sequence[Results], first: str) -> Field | None:
    """Return the field to show beside the main one: ``latency`` where there is one."""
    shared = [
        f for f in results[0].fields
        if f.name != first and all(f.name in {g.name for g in r.fields} for r in results)
    ]  # fmt: skip
    return next((f for f in shared if f.name == "latency"), shared[0] if shared else None)
