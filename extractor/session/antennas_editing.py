"""Editing ``antennas.csv`` cell by cell; a row is made for an antenna that has none."""

from __future__ import annotations

from extractor.errors import UsageError
from extractor.session.antennas import COLUMNS, FILE_NAME
from extractor.session.csv_editing import TableFile, check_seen, one_line
from extractor.session.folder import Session


def antenna_cells(session: Session) -> dict[str, dict[str, str]]:
    """Return what stands in ``antennas.csv``, as typed, by name; nothing where it is missing."""
    rows = TableFile.load(session.root / FILE_NAME, COLUMNS).rows
    return {row.get("antenna", ""): row for row in rows}


def edit_antenna(session: Session, name: str, column: str, old: str, new: str) -> None:
    """Change what is known of an antenna; an empty text makes it unknown again.

    Raises
    ------
    UsageError
        If there is no such column, or the antenna has no name.
    ChangedMeanwhileError
        If the cell holds something else by now.
    TableError
        If the table would not be valid with it; nothing is written.
    """
    name, new = one_line(name), one_line(new)
    if column not in COLUMNS[1:]:
        raise UsageError(f"antennas.csv has no column '{column}'")
    if not name:
        raise UsageError("the antenna needs a name")
    with session.editing():
        table = TableFile.load(session.root / FILE_NAME, COLUMNS)
        row = next((row for row in table.rows if row.get("antenna") == name), None)
        if row is None:
            row = {"antenna": name}
            table.rows.append(row)
        check_seen(FILE_NAME, f"{column} of {name}", row.get(column, ""), old)
        table.set(row, column, new)
        table.save()
