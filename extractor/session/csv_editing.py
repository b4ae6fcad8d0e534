"""A CSV file of the user's that is written back as it was found, but for the edit."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from extractor.errors import ChangedMeanwhileError, UsageError
from extractor.session import antennas, digests
from extractor.session.atomic import write_bytes
from extractor.session.csv_tables import Table, guarded, parse_table
from extractor.session.user_tables import parse_corrections, parse_runs

LONGEST_CELL = 2000
#: What checks a table before it is written.
_PARSERS: dict[str, Callable[[Table], object]] = {
    "runs.csv": parse_runs,
    "corrections.csv": parse_corrections,
    antennas.FILE_NAME: antennas.parse_antennas,
}


@dataclass(slots=True)
class TableFile:
    """A CSV file that is going to be written back as it was found, but for the edit."""

    path: Path
    columns: list[str]
    rows: list[dict[str, str]]
    digest: str
    """Of the file as it was read; "" where there was none."""
    delimiter: str = ","
    newline: str = "\n"
    marked: bool = False
    """Begins with a byte order mark, which tells spreadsheets that it is UTF-8."""

    @classmethod
    def load(cls, path: Path, columns: Sequence[str]) -> TableFile:
        """Read a table; one that is not there is empty with these columns.

        Raises
        ------
        TableError
            If it cannot be understood.
        """
        if not path.exists():
            return cls(path, list(columns), [], "")
        raw = path.read_bytes()
        table = parse_table(raw, str(path))
        first = raw.split(b"\n", 1)[0].replace(b"\0", b"")
        return cls(
            path,
            list(table.columns),
            [dict(row) for row in table.rows],
            digests.bytes_digest(raw),
            table.delimiter,
            "\r\n" if b"\r" in first or raw.count(b"\r\0\n") else "\n",
            table.encoding != "utf-8-sig" or raw.startswith(codecs.BOM_UTF8),
        )

    def save(self) -> None:
        """Write the table back in one step.

        Raises
        ------
        ChangedMeanwhileError
            If the file is no longer the one that was read.
        TableError
            If what would be written cannot be understood afterwards.
        StorageError
            If it cannot be written.
        """
        raw = self.as_text().encode("utf-8-sig" if self.marked else "utf-8")
        _PARSERS[self.path.name](parse_table(raw, self.path.name))
        if digests.file_digest(self.path) != self.digest:
            raise ChangedMeanwhileError(
                f"{self.path.name} was changed by someone else at this very moment; try again"
            )
        write_bytes(self.path, raw, keep_previous=True)

    def as_text(self) -> str:
        """Return the content in the file's own separator and line ends."""
        stream = io.StringIO()
        writer = csv.writer(stream, delimiter=self.delimiter, lineterminator=self.newline)
        for row in ({c: c for c in self.columns}, *self.rows):
            writer.writerow([guarded(row.get(c, "")) for c in self.columns])
        return stream.getvalue()

    def set(self, row: dict[str, str], column: str, value: str) -> None:
        """Change a cell, adding the column where the table has none of that name."""
        if column not in self.columns:
            self.columns.append(column)
        row[column] = value


def check_seen(file: str, what: str, stands: str, seen: str, more: str = "") -> None:
    """Raise `ChangedMeanwhileError` unless a cell or key still holds what was seen."""
    if stands != seen.strip():
        raise ChangedMeanwhileError(
            f"{file} was changed meanwhile: {what} is '{stands}' by now{more}"
        )


def one_line(text: str) -> str:
    """Return a text as it may stand in a cell: one line, no spaces around.

    Raises
    ------
    UsageError
        If it is longer than `LONGEST_CELL`.
    """
    text = " ".join(text.split())
    if len(text) > LONGEST_CELL:
        raise UsageError(f"a cell may hold {LONGEST_CELL} characters, not {len(text)}")
    return text
