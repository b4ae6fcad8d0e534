r"""CSV files that people edit: read in any common dialect, written in one.

Spreadsheets save with semicolons and decimal commas where the language wants it, with a byte
order mark, in the system's own encoding, with other line ends. All of that is read; what the
tool writes is UTF-8, commas between cells, a point in numbers and ``\n`` at line ends; results have
semicolons and decimal commas where ``session.toml`` says ``decimal = ","``.
"""

from __future__ import annotations

import contextlib
import csv
import functools
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from extractor.errors import SessionFileError, TableError, reading
from extractor.session.atomic import write_text
from extractor.session.numerals import is_numeral, parse_number
from extractor.session.toml_files import read_toml

if TYPE_CHECKING:
    import pandas as pd

DELIMITERS = (",", ";", "\t")
#: Folder of what the tool makes, in a session.
RESULTS = "results"
#: Of one table; looking for twins among far more would not end.
MOST_COLUMNS = 1000
#: A line of its own behind the last, unless a cell is still open there.
_END = "\x1f"
#: A cell that begins with one of these could run as a formula in a spreadsheet.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True, slots=True)
class Table:
    """A CSV file as text: every cell a string, stripped, "" where empty."""

    columns: tuple[str, ...]
    rows: tuple[dict[str, str], ...]
    where: str
    """The file's name, for messages."""
    delimiter: str = ","
    encoding: str = "utf-8-sig"

    def require(self, *columns: str) -> None:
        """Raise `TableError` if one of `columns` is missing."""
        for column in columns:
            if column not in self.columns:
                raise TableError(
                    f"{self.where}: has no column '{column}' (it has: {', '.join(self.columns)})"
                )

    def frame(self) -> pd.DataFrame:
        """Return it as a table of texts."""
        import pandas as pd

        return pd.DataFrame(list(self.rows), columns=list(self.columns), dtype=object)

    def number(self, row: int, column: str) -> float | None:
        """Return a cell as a number, None if empty or the column is missing.

        Parameters
        ----------
        row : int
            From 0.
        column : str
            Its name.

        Raises
        ------
        TableError
            If the cell holds something else; the message names line and column.
        """
        text = self.rows[row].get(column, "")
        if not text:
            return None
        value = parse_number(text)
        if value is None:
            raise TableError(
                f"{self.where}: line {row + 2}, column '{column}': '{text}' {_objection(text)}"
            )
        return value


def _objection(text: str) -> str:
    """Say what is wrong with a text that `parse_number` does not take."""
    return "is too large a number to be true" if is_numeral(text.strip()) else "is not a number"


def numbers(rows: pd.DataFrame, column: str) -> pd.Series:
    """Return a column as numbers, NaN where empty or where there is no such column.

    Raises
    ------
    TableError
        Where a cell holds something else; the message names column and, where known, run.
    """
    import pandas as pd

    values = []
    for i, cell in enumerate(rows.get(column, [math.nan] * len(rows))):
        text = "" if pd.isna(cell) else str(cell).strip()
        value = parse_number(text) if text else math.nan
        if value is None:
            run = f"run '{rows['run'].iloc[i]}', " if "run" in rows else ""
            raise TableError(
                f"{run}column '{column}': '{text}' {_objection(text)}; write one or nothing"
            )
        values.append(value)
    return pd.Series(values, index=rows.index, dtype=float)


def texts(rows: pd.DataFrame, column: str) -> pd.Series:
    """Return a column as texts without spaces around, "" where empty or without such a column."""
    import pandas as pd

    given = rows.get(column, [""] * len(rows))
    return pd.Series(
        ["" if pd.isna(cell) else str(cell).strip() for cell in given], index=rows.index, dtype=str
    )


def read_table(path: Path) -> Table:
    """Read a CSV file in any common dialect.

    Raises
    ------
    TableError
        If it is missing, empty, binary, has no header, or a column twice.
    """
    with reading(TableError, path, missing="not there"):
        raw = path.read_bytes()
    return parse_table(raw, str(path))


def parse_table(raw: bytes, where: str) -> Table:
    """Read a CSV file's content; see `read_table`."""
    text, encoding = _decode(raw, where)
    if "\0" in text:
        raise TableError(f"{where}: is not a text file; save it as CSV")
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(DELIMITERS, key=first.count)
    try:
        ended = io.StringIO(f"{text}\n{_END}", newline="")
        *lines, last = csv.reader(ended, delimiter=delimiter)
    except csv.Error as error:
        raise TableError(f"{where}: is not valid CSV ({error})") from None
    if last != [_END]:
        raise TableError(
            f"{where}: a quotation mark is opened and never closed, so that all lines behind it "
            "are one cell; close it or take it out"
        )
    filled = [[cell.strip() for cell in line] for line in lines if any(c.strip() for c in line)]
    if not filled:
        raise TableError(f"{where}: is empty; it needs a first line with the columns' names")
    columns = filled[0]
    while columns and not columns[-1]:
        columns.pop()
    _check_columns(columns, where)
    rows = [_row(columns, cells, i, where) for i, cells in enumerate(filled[1:], 2)]
    return Table(tuple(columns), tuple(rows), where, delimiter, encoding)


def _decode(raw: bytes, where: str) -> tuple[str, str]:
    """Return the text and its encoding."""
    wide = raw.startswith((b"\xff\xfe", b"\xfe\xff"))
    # Windows-1252 is what spreadsheets on that system save; it is tried last since it accepts
    # nearly anything.
    for encoding in ("utf-16",) if wide else ("utf-8-sig", "cp1252"):
        with contextlib.suppress(UnicodeDecodeError):
            return raw.decode(encoding), encoding
    raise TableError(f"{where}: its text encoding is not known; save it as CSV UTF-8")


def _check_columns(columns: Sequence[str], where: str) -> None:
    if len(columns) > MOST_COLUMNS:
        raise TableError(
            f"{where}: has {len(columns)} columns; at most {MOST_COLUMNS} are read, leave out "
            "those that are not needed"
        )
    for i, column in enumerate(columns, 1):
        if not column:
            raise TableError(f"{where}: column {i} has no name in the first line")
        if columns.count(column) > 1:
            raise TableError(f"{where}: has the column '{column}' twice")


def _row(columns: Sequence[str], cells: Sequence[str], line: int, where: str) -> dict[str, str]:
    if any(cells[len(columns) :]):
        raise TableError(
            f"{where}: line {line} has {len(cells)} cells, the first line names {len(columns)}; "
            "a cell that holds the separator itself needs quotes"
        )
    padded = [*cells, *[""] * (len(columns) - len(cells))]
    return {name: _unguarded(cell) for name, cell in zip(columns, padded, strict=False)}


@functools.lru_cache(maxsize=1 << 12)
def guarded(text: str) -> str:
    """Return a cell's text so that no spreadsheet runs it as a formula.

    An apostrophe is put before a text that begins like a formula and is no number.
    """
    # An apostrophe that is the user's own gets another one, so that it comes back as it was.
    bare = text.lstrip("'")
    if bare.startswith(_FORMULA_STARTS) and parse_number(text) is None and set(text) != {"-"}:
        return "'" + text
    return text


def _unguarded(text: str) -> str:
    quoted = text.startswith("'") and text.lstrip("'").startswith(_FORMULA_STARTS)
    return text[1:] if quoted else text


def format_cell(value: object) -> str:
    """Return a value as a cell: None and NaN empty, floats with at most 9 significant digits."""
    if isinstance(value, float):  # first: most cells are
        return "" if math.isnan(value) else f"{value:.9g}"
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return guarded(str(value))


def wants_commas(path: Path) -> bool:
    """Tell whether a result is to hold decimal commas: ``decimal`` of its ``session.toml`` says."""
    results = next((p for p in path.parents if p.name == RESULTS), None)
    if results is None:
        return False
    try:
        return read_toml(results.parent / "session.toml").get("decimal") == ","
    except SessionFileError:
        return False  # none, or a wrong one, which is named where it is read for its own sake


def format_table(
    columns: Sequence[str], rows: Iterable[Mapping[str, object]], *, commas: bool = False
) -> str:
    """Return a CSV text with these columns; a value that a row lacks is empty.

    With `commas` in numbers the cells are separated by semicolons, as spreadsheets of those
    languages have it.
    """
    rows = list(rows)
    return format_columns({c: [row.get(c) for row in rows] for c in columns}, commas=commas)


def format_columns(columns: Mapping[str, Sequence[object]], *, commas: bool = False) -> str:
    """Return what `format_table` returns, from columns of equal length."""
    stream = io.StringIO()
    delimiter = ";" if commas else ","
    plain = csv.writer(stream, lineterminator="\n", delimiter=delimiter)
    # A carriage return in a name ends a line for readers, but the plain writer leaves it bare.
    quoted = csv.writer(stream, lineterminator="\n", delimiter=delimiter, quoting=csv.QUOTE_ALL)
    plain.writerow([guarded(c) for c in columns])
    for cells in zip(*(_cells(c, commas) for c in columns.values()), strict=True):
        (quoted if "\r" in "".join(cells) else plain).writerow(cells)
    return stream.getvalue()


def _cells(column: Sequence[object], commas: bool) -> list[str]:
    if commas:
        return [
            format_cell(value).replace(".", ",") if isinstance(value, float) else format_cell(value)
            for value in column
        ]
    if all(type(value) is float for value in column):  # most are; a call a cell would show
        return [f"{value:.9g}" if value == value else "" for value in column]
    return [format_cell(value) for value in column]


def write_table(
    path: Path,
    columns: Sequence[str],
    rows: Iterable[Mapping[str, object]],
    *,
    keep_previous: bool = False,
) -> None:
    """Write a CSV file in one step, a result as `wants_commas` says.

    Raises
    ------
    StorageError
        If it cannot be written; what stood there before still stands.
    """
    text = format_table(columns, rows, commas=wants_commas(path))
    write_text(path, text, keep_previous=keep_previous)
