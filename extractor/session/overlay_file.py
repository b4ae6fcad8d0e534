"""``overlay.toml`` read, checked and written; comments in it stay."""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

from extractor.errors import OverlayError
from extractor.session import atomic
from extractor.session.overlay import FILE_NAME, SUFFIXES, Box, Field, Overlay, Place
from extractor.session.toml_files import editable_toml, read_toml

VERSION = 1
#: A field's name becomes part of column names; these would collide with others.
RESERVED_NAMES = frozenset({"time_s", "run", "clip", "field"})
_FIELD_KEYS = tuple(f.name for f in fields(Field))
_PLACE_KEYS = ("frame", "box")
_LIMITS = ("minimum", "maximum", "ceiling", "low")


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _is_number(value: Any) -> bool:
    return _is_whole(value) or (isinstance(value, float) and math.isfinite(value))


def _are_whole(values: Any, count: int) -> bool:
    return isinstance(values, list) and len(values) == count and all(map(_is_whole, values))


#: What the value of a key has to be, to test and in words.
_VALUES: Mapping[str, tuple[Callable[[Any], bool], str]] = {
    "frame": (lambda value: _are_whole(value, 2), "2 whole numbers [width, height]"),
    "box": (lambda value: _are_whole(value, 4), "4 whole numbers [x, y, width, height]"),
    "unit": (lambda value: isinstance(value, str), "a text in quotes"),
    "decimals": (lambda v: v == "auto" or (_is_whole(v) and 0 <= v <= 6), '"auto" or 0 to 6'),
    "better": (lambda value: value in ("higher", "lower"), '"higher" or "lower"'),
    **dict.fromkeys(_LIMITS, (_is_number, "a number")),
}


def load(path: Path) -> Overlay:
    """Read and check ``overlay.toml``.

    Raises
    ------
    OverlayError
        If it is missing, not TOML, or anything in it is wrong; the message names the place.
    """
    what_to_do = "not there; mark the number first: extractor mark SESSION --suggest"
    return parse(read_toml(path, OverlayError, what_to_do), str(path))


def parse(document: Mapping[str, Any], where: str = FILE_NAME) -> Overlay:
    """Check a parsed ``overlay.toml``; `where` names it in messages.

    Raises
    ------
    OverlayError
        If anything in it is wrong.
    """
    _check_table(document, ("version", "field"), where)
    if document.get("version", VERSION) != VERSION:
        raise OverlayError(
            f"{where}: version {document['version']} is not known to this program "
            f"(it knows {VERSION}); use a newer one"
        )
    tables = document.get("field", [])
    if not isinstance(tables, list) or not all(isinstance(t, Mapping) for t in tables):
        raise OverlayError(f"{where}: write each number under its own [[field]] heading")
    if not tables:
        raise OverlayError(f"{where}: has no [[field]]; mark one: extractor mark SESSION")
    parsed = [_parse_field(t, f"{where}: field {i}") for i, t in enumerate(tables, 1)]
    check_names([f.name for f in parsed], where)
    return Overlay(tuple(parsed))


def checked(overlay: Overlay) -> Overlay:
    """Check an overlay that was made in Python as if it were written in a file.

    Raises
    ------
    OverlayError
        If anything in it is wrong.
    """
    return parse({"field": [_as_toml(item) for item in overlay.fields]}, "overlay")


def _check_table(
    table: Mapping[str, Any], known: Sequence[str], where: str, required: Sequence[str] = ()
) -> None:
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1, cutoff=0.0)
            raise OverlayError(f"{where}: unknown key '{key}'; did you mean '{near[0]}'?")
    for key in required:
        if key not in table:
            raise OverlayError(f"{where}: '{key}' is missing")
    for key, (fits, form) in _VALUES.items():
        if key in table and not fits(table[key]):
            raise OverlayError(f"{where}: {key} must be {form}, not {table[key]!r}")


def check_names(names: Sequence[str], where: str) -> None:
    """Raise `OverlayError` where two fields' columns would bear the same name."""
    columns: dict[str, str] = {}
    for name in names:
        if names.count(name) > 1:
            raise OverlayError(f"{where}: two fields are called '{name}'; rename one")
        for column in (name, *(name + suffix for suffix in SUFFIXES)):
            if column in columns or column in RESERVED_NAMES:
                other = columns.get(column, "the table itself")
                raise OverlayError(
                    f"{where}: field '{name}' would need the column '{column}', which "
                    f"belongs to '{other}'; rename it"
                )
            columns[column] = name


def _parse_field(table: Mapping[str, Any], where: str) -> Field:
    name = table.get("name")
    if isinstance(name, str) and name:
        where = f"{where} '{name}'"
    _check_table(table, _FIELD_KEYS, where, ("name", *_PLACE_KEYS))
    check_name(name, where)
    place = _parse_place({key: table[key] for key in _PLACE_KEYS}, where)
    decimals = table.get("decimals", "auto")
    also = table.get("also", [])
    if not isinstance(also, list) or not all(isinstance(t, Mapping) for t in also):
        raise OverlayError(f"{where}: write each further place under its own [[field.also]]")
    parsed = Field(
        name=str(name),
        frame=place.frame,
        box=place.box,
        unit=table.get("unit", ""),
        decimals=None if decimals == "auto" else decimals,
        better=table.get("better"),
        also=tuple(_parse_place(t, f"{where}, also {i}") for i, t in enumerate(also, 1)),
        **{key: float(table[key]) for key in _LIMITS if key in table},
    )
    check_limits(parsed, where)
    return parsed


def check_name(name: object, where: str) -> None:
    """Raise `OverlayError` unless `name` can be a field's name and so a column's."""
    if not isinstance(name, str) or not name:
        raise OverlayError(f"{where}: the name must be a text, not {name!r}")
    if not name.isidentifier():
        raise OverlayError(
            f"{where}: the name '{name}' must be letters, digits and _ only, "
            "not beginning with a digit: it becomes a column's name"
        )


def check_limits(field_: Field, where: str) -> None:
    """Raise `OverlayError` where the limits of a field contradict each other."""
    low, high = field_.minimum, field_.maximum
    if low is not None and high is not None and low >= high:
        raise OverlayError(f"{where}: minimum {low:g} is not below maximum {high:g}")
    if field_.low is not None and field_.direction == "lower":
        raise OverlayError(f"{where}: low has no meaning where lower is better; remove it")
    if field_.low is not None and field_.ceiling is not None and field_.low >= field_.ceiling:
        raise OverlayError(
            f"{where}: low {field_.low:g} is not below the ceiling {field_.ceiling:g}"
        )


def _parse_place(table: Mapping[str, Any], where: str) -> Place:
    _check_table(table, _PLACE_KEYS, where, _PLACE_KEYS)
    (width, height), box = table["frame"], Box(*table["box"])
    if min(width, height) < 1:
        raise OverlayError(f"{where}: frame {[width, height]} has no size")
    check_box(box, (width, height), where)
    return Place((width, height), box)


def check_box(box: Box, frame: tuple[int, int], where: str) -> None:
    """Raise `OverlayError` unless `box` has a size and lies inside `frame`."""
    if box.width < 1 or box.height < 1:
        raise OverlayError(f"{where}: box {box.as_list()} has no size")
    if not box.within(*frame):
        raise OverlayError(
            f"{where}: box {box.as_list()} (x, y, width, height) reaches outside its frame "
            f"of {frame[0]}x{frame[1]}"
        )


def save(path: Path, fields: Sequence[Field]) -> None:
    """Write ``overlay.toml`` with these fields, comments kept; without any it is removed.

    Raises
    ------
    StorageError
        If it cannot be written; the old file then still stands.
    """
    import tomlkit

    if not fields:
        path.unlink()
        return
    check_names([f.name for f in fields], FILE_NAME)
    document = editable_toml(path)
    document["version"] = VERSION
    # A table written in one line cannot stand under a heading; it is written anew.
    old = {
        str(t["name"]): t for t in document.pop("field", []) if isinstance(t, tomlkit.items.Table)
    }
    tables = tomlkit.aot()
    for item in fields:
        table = old.get(item.name, tomlkit.table())
        _update_table(table, item)
        tables.append(table)
    document["field"] = tables
    atomic.write_text(path, tomlkit.dumps(document), keep_previous=True)


def _update_table(table: Any, item: Field) -> None:
    import tomlkit

    wanted = _as_toml(item)
    for key in [k for k in table if k not in wanted]:
        del table[key]
    for key, value in wanted.items():
        if table.get(key) != value:
            table[key] = value
            if key == "also":
                table[key] = tomlkit.aot()
                table[key].extend(tomlkit.item(place) for place in value)


def _as_toml(item: Field) -> dict[str, Any]:
    also = [{"frame": list(p.frame), "box": p.box.as_list()} for p in item.also]
    values = {
        **{"name": item.name, "unit": item.unit},
        **{"frame": list(item.frame), "box": item.box.as_list()},
        **{key: getattr(item, key) for key in ("decimals", "better", *_LIMITS)},
        "also": also,
    }
    return {key: value for key, value in values.items() if value not in (None, "", [])}
