"""Reading ``antennas.csv``: what the user knows about each antenna."""

from __future__ import annotations

import difflib
import math
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from extractor.errors import TableError
from extractor.session.csv_tables import Table, read_table
from extractor.session.spelling import folded, twins

FILE_NAME = "antennas.csv"

#: What an antenna may be drawn in, and by; a mark's value is Matplotlib's sign for it.
COLOURS = ("blue", "olive", "red", "teal", "violet", "brown")
MARKS = {
    **{"circle": "o", "square": "s", "triangle": "^", "diamond": "D", "wedge": "v", "plus": "P"},
    **{"cross": "X", "star": "*", "pentagon": "p", "hexagon": "h", "left": "<", "right": ">"},
}
#: Words for a polarisation, as people write them.
POLARISATIONS = {
    **dict.fromkeys(("rhcp", "rhc", "rh", "right", "right hand", "right-hand"), "rhcp"),
    **dict.fromkeys(("lhcp", "lhc", "lh", "left", "left hand", "left-hand"), "lhcp"),
    **dict.fromkeys(("circular", "cp"), "circular"),
    **{word: word for word in ("linear", "vertical", "horizontal")},
}
CIRCULAR = ("rhcp", "lhcp", "circular")
OMNIDIRECTIONAL_KINDS = frozenset(
    {"dipole", "monopole", "whip", "omni", "omnidirectional", "stub", "sleeve", "cloverleaf"}
)
BROADSIDE_KINDS = frozenset({"patch", "panel", "array", "flat panel", "patch array", "dish"})
#: Other words for one kind.
SAME_KINDS = {"helical": "helix", "parabolic": "dish", "parabolic dish": "dish"}


def _number(low: float, high: float) -> Any:
    """Return a number that may be unknown, with the lowest and highest believable value."""
    return field(default=None, metadata={"limits": (low, high)})


def _word(known: Mapping[str, str]) -> Any:
    """Return a word that may be missing, with what may be written for it."""
    return field(default="", metadata={"words": known})


@dataclass(frozen=True)
class Antenna:
    """One row of ``antennas.csv``; everything but the name may be unknown (None or empty).

    Attributes
    ----------
    antenna
        Name, as in ``runs.csv``.
    kind
        Lower-case word: helix, patch, panel, dish, dipole, omni …
    polarisation
        ``rhcp``, ``lhcp``, ``circular`` (hand unknown), ``linear`` (direction unknown),
        ``vertical``, ``horizontal`` or empty.
    gain_dbi
        Rated gain in dBi (dBic where circular).
    axial_ratio_db
        On the axis, in dB; 0 is perfectly circular.
    beamwidth_deg
        Full half-power width in degrees.
    turns, circumference_wl, pitch_deg
        Helix: turns, circumference in wavelengths, pitch angle in degrees.
    width_mm, height_mm
        Outer size across the beam (a helix: height along its axis; a dish: its width is its
        diameter), in millimetres.
    cable
        Type (``RG-316``) or a measured loss (``2.5 dB/m``, ``4.9 dB``).
    cable_m
        Cable length in metres.
    pointing_error_deg
        How far from the transmitter it may have been aimed, in degrees.
    vswr
        Standing wave ratio, 1 and more.
    connectors
        Mated pairs of connectors and adaptors between antenna and port.
    colour, mark
        One of `COLOURS` and of `MARKS`, in which pictures show it; empty until one was made.
    """

    antenna: str
    kind: str = ""
    polarisation: str = _word(POLARISATIONS)
    cable: str = ""
    gain_dbi: float | None = _number(-30.0, 60.0)
    axial_ratio_db: float | None = _number(0.0, 60.0)
    beamwidth_deg: float | None = _number(1.0, 360.0)
    turns: float | None = _number(0.25, 200.0)
    circumference_wl: float | None = _number(0.05, 10.0)
    pitch_deg: float | None = _number(0.5, 60.0)
    width_mm: float | None = _number(1.0, 10_000.0)
    height_mm: float | None = _number(1.0, 10_000.0)
    cable_m: float | None = _number(0.0, 200.0)
    pointing_error_deg: float | None = _number(0.0, 180.0)
    vswr: float | None = _number(1.0, 50.0)
    connectors: float | None = _number(0.0, 20.0)
    colour: str = _word({name: name for name in COLOURS})
    mark: str = _word({name: name for name in MARKS})

    @property
    def is_omnidirectional(self) -> bool:
        """Whether turning it about its axis changes nothing."""
        return self.kind in OMNIDIRECTIONAL_KINDS

    @property
    def is_broadside(self) -> bool:
        """Whether its area bounds its gain."""
        return self.kind in BROADSIDE_KINDS

    @property
    def size_m(self) -> float | None:
        """Largest dimension in metres: the diagonal of what is known."""
        sides = [side for side in (self.width_mm, self.height_mm) if side is not None]
        return math.hypot(*sides) / 1000 if sides else None


COLUMNS = tuple(item.name for item in fields(Antenna))


def read_antennas(path: Path) -> tuple[Antenna, ...]:
    """Read ``antennas.csv``, in any dialect that `csv_tables.read_table` takes.

    Columns may be missing; further ones are ignored, unless their name is nearly that of a
    known one.

    Raises
    ------
    TableError
        With the line and column at fault and what to write instead.
    """
    return parse_antennas(read_table(path))


def parse_antennas(table: Table) -> tuple[Antenna, ...]:
    """Check a table as ``antennas.csv`` must be; raises `TableError` as `read_antennas` does."""
    path = table.where
    table.require("antenna")
    _check_columns(table)
    antennas = tuple(_antenna(table, row) for row in range(len(table.rows)))
    if not antennas:
        raise TableError(f"{path}: no antenna in it; write one row for each")
    for group in twins(one.antenna for one in antennas):
        quoted = " and ".join(map(repr, group))
        raise TableError(f"{path}: {quoted} differ in spelling only; name each antenna once")
    for name, count in Counter(one.antenna for one in antennas).items():
        if count > 1:
            raise TableError(f"{path}: antenna {name!r} stands {count} times; name each once")
    return antennas


def find_antenna(antennas: Sequence[Antenna], name: str) -> Antenna | None:
    """Antenna of that name; what `spelling.folded` drops doesn't matter."""
    wanted = folded(name)
    return next((one for one in antennas if folded(one.antenna) == wanted), None)


def _check_columns(table: Table) -> None:
    for column in table.columns:
        if column in COLUMNS:
            continue
        near = difflib.get_close_matches(column, COLUMNS, n=1, cutoff=0.8)
        if near and near[0] not in table.columns:
            raise TableError(
                f"{table.where}: column {column!r} is unknown; did you mean {near[0]!r}?"
            )


def _antenna(table: Table, row: int) -> Antenna:
    where = f"{table.where}: line {row + 2}"
    if not table.rows[row]["antenna"]:
        raise TableError(f"{where}: the antenna has no name; fill the column 'antenna'")
    # Words before numbers: they tell of a row whose cells have moved.
    order = sorted(fields(Antenna), key=lambda one: "limits" in one.metadata)
    cells = {one.name: _cell(table, row, one.name, one.metadata) for one in order}
    kind = re.sub(r"[\s_-]+", " ", cells["kind"].casefold()).removesuffix(" antenna").strip()
    return Antenna(**cells | {"kind": SAME_KINDS.get(kind, kind)})


def _cell(table: Table, row: int, column: str, allowed: Mapping[str, Any]) -> Any:
    """Return what a column's cell says; raises `TableError` where that is not `allowed`."""
    where, text = f"{table.where}: line {row + 2}", table.rows[row].get(column, "")
    if "words" in allowed:
        word, known = text.casefold().strip(), allowed["words"]
        if word and word not in known:
            ways = ", ".join(dict.fromkeys(known.values()))
            raise TableError(f"{where}: {column} is {word!r}; write {ways}, or nothing")
        return known.get(word, "")
    if "limits" not in allowed:
        return text
    value, (low, high) = table.number(row, column), allowed["limits"]
    if value is not None and not low <= value <= high:
        raise TableError(
            f"{where}, column {column!r}: {value:g} must lie between {low:g} and {high:g}"
        )
    return value
