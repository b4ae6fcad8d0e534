"""The user's own tables, ``runs.csv`` and ``corrections.csv``: their columns and their checks."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePosixPath

from extractor.errors import TableError
from extractor.session.csv_tables import Table
from extractor.session.numerals import parse_number
from extractor.session.recordings import Span, counted_twice

RUN_COLUMNS = (
    *("run", "clip", "start_s", "end_s", "antenna", "port", "others", "mounting"),
    *("position", "repeat", "order", "notes"),
)
#: How the notes of a row of ``runs.csv`` begin that the tool drafted and nobody has checked.
DRAFT = "draft:"
#: What they go on to say where antenna, port or mounting is only a proposal.
FROM_NAME = "from the file name"
CORRECTION_COLUMNS = ("clip", "time_s", "field", "value")
#: What a person may write for "no number" in a correction.
CORRECTION_WORDS = ("", "--", "hidden")


def is_proposed(notes: str) -> bool:
    """Tell from a row's notes whether it holds what a file name said and nobody has checked."""
    return notes.startswith(DRAFT) and FROM_NAME in notes


@dataclass(frozen=True, slots=True)
class Run:
    """One row of ``runs.csv``: usually a clip, or a part of one, or several in a row."""

    run: str
    clips: tuple[str, ...]
    """Paths in the session with suffix, in the order in which they were recorded."""
    start_s: float | None = None
    """Seconds from the start of the first clip; later clips append."""
    end_s: float | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    """All cells of the row as text, those beyond the standard ones too."""

    def cell(self, column: str) -> str:
        """Return a cell's text, empty where the column is missing."""
        return self.columns.get(column, "")

    @property
    def counts(self) -> bool:
        """Tell whether it is a measurement; ``use`` says ``no`` of a clip that is none."""
        return self.cell("use").casefold() != "no"


@dataclass(frozen=True, slots=True)
class Correction:
    """One row of ``corrections.csv``."""

    clip: str
    time_s: float
    field: str
    value: str
    """A number, "" (not readable), "--" (no link) or "hidden"."""


def parse_runs(table: Table) -> tuple[Run, ...]:
    """Turn ``runs.csv`` into runs.

    A row without ``run`` is called after its first clip; a row without ``clip`` is one that is
    planned but not yet recorded, and is left out.

    Raises
    ------
    TableError
        If a cell cannot be understood, a run's name stands twice or two runs cover the same
        seconds.
    """
    table.require("clip")
    runs: list[Run] = []
    spans: list[Span] = []
    for i, row in enumerate(table.rows):
        clips = clips_of(row["clip"])
        table.number(i, "order")
        if not clips:
            continue
        start, end = table.number(i, "start_s"), table.number(i, "end_s")
        if start is not None and end is not None and end <= start:
            raise TableError(f"{table.where}: line {i + 2}: end_s {end:g} is not after start_s")
        name = row.get("run") or str(PurePosixPath(clips[0]).with_suffix(""))
        runs.append(Run(name, clips, start, end, row))
        if runs[-1].counts:
            spans.append(Span.of(f"line {i + 2} (run '{name}')", clips, start, end))
    for name, count in Counter(r.run for r in runs).items():
        if count > 1:
            raise TableError(
                f"{table.where}: the run '{name}' stands {count} times; name each once"
            )
    for run in runs:
        if run.cell("mounting") and not run.cell("antenna"):
            raise TableError(f"{table.where}: run '{run.run}' has a mounting, but no antenna")
    _check_counted_once(spans, table.where)
    return tuple(runs)


def clips_of(cell: str) -> tuple[str, ...]:
    """Return the clips that a cell of the column ``clip`` names."""
    return tuple(c.strip() for c in cell.split(";") if c.strip())


def _check_counted_once(spans: Sequence[Span], where: str) -> None:
    for span in spans:
        if len(set(span.clips)) < len(span.clips):
            raise TableError(f"{where}: {span.label} names a clip twice; name each once")
    found = counted_twice(spans, {})
    if found is not None:
        first, second = found
        clip = next(c for c in first.clips if c in second.clips)
        raise TableError(
            f"{where}: {first.label} and {second.label} cover the same seconds of {clip}, so they "
            "are no two measurements; take one out, or correct clip, start_s and end_s (what hung "
            "on the other ports belongs into the column others)"
        )


def parse_corrections(table: Table) -> tuple[Correction, ...]:
    """Turn ``corrections.csv`` into corrections.

    Raises
    ------
    TableError
        If a row is wrong; the message names line and column.
    """
    table.require(*CORRECTION_COLUMNS)
    found = []
    for i, row in enumerate(table.rows):
        time_s = table.number(i, "time_s")
        line = f"{table.where}: line {i + 2}"
        if time_s is None or not row["clip"]:
            empty = "time_s" if time_s is None else "clip"
            raise TableError(f"{line}, column '{empty}': is empty; fill it in every row")
        value = row["value"]
        if value not in CORRECTION_WORDS and parse_number(value) is None:
            raise TableError(
                f"{line}, column 'value': '{value}' must be a number, empty (not readable), "
                "-- (no link) or hidden"
            )
        found.append(Correction(row["clip"], time_s, row["field"], value))
    return tuple(found)
