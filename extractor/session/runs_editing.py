"""Editing ``runs.csv`` cell by cell.

Each edit says what it saw before. The file is read afresh, and only if the cell still holds what
was seen is it changed; so two tabs, or a page and a spreadsheet, never overwrite each other.
Unknown columns, planned rows, comments, separators and line ends of a file stay as they are, and
the version before is kept beside it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from extractor.errors import ChangedMeanwhileError, UsageError
from extractor.session.atomic import read_json, write_json
from extractor.session.csv_editing import TableFile, check_seen, one_line
from extractor.session.csv_tables import format_cell
from extractor.session.folder import Session
from extractor.session.numerals import parse_number
from extractor.session.spelling import numbered
from extractor.session.user_tables import DRAFT, RUN_COLUMNS, clips_of


@dataclass(frozen=True, slots=True)
class RunRow:
    """A row of ``runs.csv``, or a clip that no row names yet."""

    key: str
    """Stands for the row in edits; unique."""
    cells: Mapping[str, str] = field(default_factory=dict)
    stored: bool = True
    """False: the clip is in the folder, but in no row."""
    drafted: bool = False
    """It stands as the tool drafted it: nobody changed a cell of it."""

    @property
    def clips(self) -> tuple[str, ...]:
        """Return the clips it names; none where it is planned and not yet recorded."""
        return clips_of(self.cells.get("clip", ""))


def run_rows(session: Session) -> list[RunRow]:
    """Return every row of ``runs.csv``, then every clip that it does not name.

    Raises
    ------
    TableError
        If ``runs.csv`` cannot be understood.
    """
    return _rows_of(session, TableFile.load(session.runs_path, RUN_COLUMNS))


@contextmanager
def _changing(session: Session) -> Iterator[TableFile]:
    """Give ``runs.csv`` to the block alone; what it made of it is written at the end."""
    with session.editing():
        table = TableFile.load(session.runs_path, RUN_COLUMNS)
        yield table
        table.save()


def _rows_of(session: Session, table: TableFile) -> list[RunRow]:
    drafts = drafted_rows(session)
    rows = [
        RunRow(_key(row, i), row, drafted=_is_as_drafted(row, drafts))
        for i, row in enumerate(table.rows)
    ]
    named = {clip for row in rows for clip in row.clips}
    new = [
        RunRow(f"clip:{clip}", {"run": session.stems[clip], "clip": clip}, stored=False)
        for clip in session.clips
        if clip not in named
    ]
    return [*rows, *new]


def _key(row: Mapping[str, str], index: int) -> str:
    clips = row.get("clip", "")
    return f"run:{row.get('run') or clips}" if clips else f"plan:{index}:{row.get('run', '')}"


def _set_span(table: TableFile, row: dict[str, str], **seconds: float | None) -> None:
    for column, value in seconds.items():
        table.set(row, column, "" if value is None else format_cell(round(value, 3)))


def _drafts_path(session: Session) -> Path:
    return session.state / "drafts.json"


def drafted_rows(session: Session) -> dict[str, dict[str, str]]:
    """Return the rows of ``runs.csv`` as they were drafted, by clip, those since removed too."""
    return read_json(_drafts_path(session))


def _is_as_drafted(row: Mapping[str, str], drafts: Mapping[str, Mapping[str, str]]) -> bool:
    return {k: v for k, v in row.items() if v} == drafts.get(row.get("clip", ""))


def is_draft(session: Session) -> bool:
    """Tell whether ``runs.csv`` holds drafted rows alone, none of which anybody changed."""
    stored = [row for row in run_rows(session) if row.stored]
    return bool(stored) and all(row.drafted for row in stored)


def draft_runs(session: Session, made: Mapping[str, Mapping[str, str]]) -> None:
    """Write drafted rows, in place of those that stand as they were drafted before.

    Parameters
    ----------
    session : Session
        The folder.
    made : mapping
        For each clip the filled cells of its row. Drafted rows of other clips are taken out; rows
        that a person changed stay as they are.

    Raises
    ------
    TableError, ChangedMeanwhileError, StorageError
        If ``runs.csv`` cannot be understood, has just been changed or cannot be written.
    """
    with session.editing():
        with _changing(session) as table:
            before = drafted_rows(session)
            gone = {r["clip"] for r in table.rows if _is_as_drafted(r, before)} - set(made)
            waiting = {clip: dict(cells) for clip, cells in made.items()}
            rows = []
            for row in table.rows:
                if not _is_as_drafted(row, before):
                    rows.append(row)
                elif row["clip"] in waiting:
                    rows.append(waiting.pop(row["clip"]))
            table.rows = [*rows, *waiting.values()]
            table.columns += [c for c in RUN_COLUMNS if c not in table.columns]
        # Afterwards: a row that is not remembered counts as a person's own, and is left alone.
        kept = {clip: cells for clip, cells in before.items() if clip not in gone}
        write_json(_drafts_path(session), kept | dict(made))


def confirm_drafts(session: Session) -> None:
    """Take the remark that they are drafts from all rows that name an antenna.

    Raises
    ------
    TableError, ChangedMeanwhileError, StorageError
        If ``runs.csv`` cannot be understood, has just been changed or cannot be written.
    """
    with _changing(session) as table:
        for row in table.rows:
            if row.get("antenna"):
                _make_own(table, row)


def _make_own(table: TableFile, row: dict[str, str]) -> None:
    """Take the remark that it is a draft from a row: a person has looked at it."""
    if row.get("notes", "").startswith(DRAFT):
        table.set(row, "notes", "")


def edit_run(session: Session, key: str, column: str, old: str, new: str) -> None:
    """Change one cell of ``runs.csv``; the file is made, with a row a clip, where there is none.

    Parameters
    ----------
    session : Session
        The folder.
    key : str
        `RunRow.key` of the row.
    column : str
        A column of the file or a standard one.
    old, new : str
        What the cell held when it was looked at, and what it shall hold.

    Raises
    ------
    ChangedMeanwhileError
        If the row is gone or the cell holds something else by now.
    UsageError, TableError
        If the new value cannot stand there; nothing is written.
    """
    new = one_line(new)
    with _changing(session) as table:
        if column not in {*table.columns, *RUN_COLUMNS, "use"}:
            raise UsageError(f"runs.csv has no column '{column}'")
        row = _stored_row(session, table, key)
        what = f"{column} of {row.get('run') or row.get('clip')}"
        check_seen("runs.csv", what, row.get(column, ""), old, f", not '{old}'")
        if column == "clip":
            _check_clips(session, new)
        if column in ("start_s", "end_s") and new and parse_number(new) is None:
            raise UsageError(f"{column} must be a number of seconds, not '{new}'")
        _make_own(table, row)
        table.set(row, column, new)


def set_port_role(session: Session, port: str, role: str) -> None:
    """Say of a port, in every run on it, whether it also transmits: rx, rxtx, or empty.

    Raises UsageError if the role is another, or no run is on that port; nothing is written.
    """
    if role not in ("", "rx", "rxtx"):
        raise UsageError(f"port_role is rx, rxtx or empty, not '{role}'")
    with _changing(session) as table:
        runs = [row for row in table.rows if row.get("port", "").strip() == port]
        if not runs:
            raise UsageError(f"runs.csv has no run on port '{port}'")
        for row in runs:
            table.set(row, "port_role", role)


def edit_runs(session: Session, values: Mapping[str, Mapping[str, str]]) -> None:
    """Fill cells of several rows at once, by key and column, where they are still empty.

    A drafted row of a clip that another row names by now is taken out; one that is filled is a
    draft no more.

    Raises
    ------
    ChangedMeanwhileError
        If a row is gone.
    TableError
        If the result cannot be understood; nothing is written.
    """
    with _changing(session) as table:
        for key, cells in values.items():
            row = _stored_row(session, table, key)
            _make_own(table, row)
            for column, value in cells.items():
                if column in (*RUN_COLUMNS, "use") and not row.get(column):
                    table.set(row, column, one_line(value))
        rows = [row for row in _rows_of(session, table) if row.stored]
        named = {clip for row in rows if not row.drafted for clip in row.clips}
        table.rows = [dict(row.cells) for row in rows if not (row.drafted and named & {*row.clips})]


def _check_clips(session: Session, text: str) -> None:
    for clip in clips_of(text):
        if clip not in session.clips:
            raise UsageError(f"{clip}: no such clip in {session.root.name}")


def _stored_row(session: Session, table: TableFile, key: str) -> dict[str, str]:
    """Return a row of the table, added first where it is that of a clip not yet named."""
    found = [row for i, row in enumerate(table.rows) if _key(row, i) == key]
    if len(found) == 1:
        return found[0]
    # A clip that another edit has given a row since.
    own = [row for row in table.rows if key == f"clip:{row.get('clip', '')}"]
    if len(own) == 1:
        return own[0]
    new = [r for r in _rows_of(session, table) if not r.stored and r.key == key]
    if not new:
        raise ChangedMeanwhileError("runs.csv was changed meanwhile: that row is gone")
    if table.digest:
        table.rows.append(dict(new[0].cells))
        return table.rows[-1]
    # No file yet: each clip is a run, and must stay one when a single cell is filled.
    made = {r.key: dict(r.cells) for r in _rows_of(session, table)}
    table.rows = list(made.values())
    return made[key]


def split_run(session: Session, key: str, at_s: float) -> None:
    """Cut a run in two at a time, seconds on the run's own time line.

    Raises
    ------
    UsageError
        If the time lies outside the run.
    ChangedMeanwhileError
        If the row is gone.
    """
    with _changing(session) as table:
        row = _stored_row(session, table, key)
        start, end = parse_number(row.get("start_s", "")), parse_number(row.get("end_s", ""))
        if at_s <= (start or 0.0) or (end is not None and at_s >= end):
            raise UsageError(f"{at_s:g} s lies outside the run '{row.get('run')}'")
        _make_own(table, row)
        second = dict(row)
        _set_span(table, row, end_s=at_s)
        _set_span(table, second, start_s=at_s)
        _rename(table, second)
        index = next(i for i, one in enumerate(table.rows) if one is row)
        table.rows.insert(index + 1, second)


def add_run(session: Session, clip: str, start_s: float, end_s: float) -> None:
    """Add a run that is a part of a clip.

    Antenna and the like are left empty: that it is the same as another run's is for the user
    to say.

    Raises
    ------
    UsageError
        If there is no such clip or the times are no span.
    """
    _check_clips(session, clip)
    if not 0 <= start_s < end_s:
        raise UsageError("a run must end after it starts")
    with _changing(session) as table:
        if not table.digest:
            table.rows = [dict(r.cells) for r in _rows_of(session, table)]
        whole = [r for r in table.rows if r.get("clip") == clip]
        untouched = [r for r in whole if not (r.get("start_s") or r.get("end_s"))]
        # The row that stands for the whole clip would count the same seconds twice.
        row = untouched[0] if len(whole) == 1 and untouched else {}
        if not row:
            row = {"run": session.stems[clip], "clip": clip}
            if whole:
                _rename(table, row)
            table.rows.append(row)
        _make_own(table, row)
        _set_span(table, row, start_s=start_s, end_s=end_s)


def add_planned(session: Session, rows: Sequence[Mapping[str, str]]) -> None:
    """Add rows without a clip yet.

    Raises
    ------
    UsageError
        If a run of one of their names is there already; nothing is written.
    """
    with _changing(session) as table:
        taken = {row.get("run") for row in table.rows} & {row["run"] for row in rows}
        if taken:
            raise UsageError(
                f"runs.csv: {min(map(str, taken))} is planned already; take it out first"
            )
        for cells in rows:
            table.rows.append({})
            for column, value in cells.items():
                table.set(table.rows[-1], column, value)


def remove_run(session: Session, key: str) -> None:
    """Take a row out of ``runs.csv``; the clip stays.

    Raises
    ------
    ChangedMeanwhileError
        If the row is gone.
    """
    with _changing(session) as table:
        row = _stored_row(session, table, key)
        table.rows = [one for one in table.rows if one is not row]


def _rename(table: TableFile, row: dict[str, str]) -> None:
    base = row.get("run") or row.get("clip", "").rpartition(".")[0]
    taken = {one.get("run", "") for one in table.rows}
    table.set(row, "run", numbered(f"{base}_", taken.__contains__))


def edit_span(
    session: Session, key: str, seen: tuple[str, str], span: tuple[float | None, float | None]
) -> None:
    """Set a run's start and end in one step.

    Parameters
    ----------
    session : Session
        The folder.
    key : str
        `RunRow.key` of the row.
    seen : (start, end)
        What the two cells held when they were looked at.
    span : (start, end)
        Seconds on the run's own time line; None: from the start, to the end.

    Raises
    ------
    ChangedMeanwhileError
        If the row is gone or its cells hold something else by now.
    TableError
        If the end is not after the start; nothing is written.
    """
    with _changing(session) as table:
        row = _stored_row(session, table, key)
        if (row.get("start_s", ""), row.get("end_s", "")) != seen:
            raise ChangedMeanwhileError(
                "runs.csv was changed meanwhile: the run has other times now"
            )
        _make_own(table, row)
        _set_span(table, row, start_s=span[0], end_s=span[1])
