"""Words explained where they stand, and tables as people read them; both from one file."""

from __future__ import annotations

import functools
import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from extractor.comparison.findings import digits_for, p_text
from extractor.session.numerals import parse_number

#: Which table stands behind the answer to which question.
BEHIND = {"Which one?": ("ranking", "pairs"), "Does the port matter?": ("ports",)}


@functools.cache
def _written() -> dict[str, Any]:
    return tomllib.loads(Path(__file__).with_suffix(".toml").read_text("utf-8"))


def glossary() -> dict[str, str]:
    """Return each word with its explanation."""
    words: dict[str, str] = _written()["words"]
    return words


@functools.cache
def _known() -> tuple[re.Pattern[str], dict[str, str]]:
    known = {word.casefold(): text for word, text in glossary().items()}
    longest = sorted(known, key=len, reverse=True)
    return re.compile(
        rf"(?<![\w-])({'|'.join(map(re.escape, longest))})s?(?![\w-]|\.\w)", re.I
    ), known


def explained(text: str) -> list[tuple[str, str]]:
    """Return a text in pieces, each with its explanation or ""; a word is explained once."""
    pattern, known = _known()
    pieces, at, seen = [], 0, set()
    for match in pattern.finditer(text):
        word = match[1].casefold()
        if word in seen or (len(word) == 1 and match[0] != "p"):
            continue
        seen.add(word)
        pieces += [(text[at : match.start()], ""), (match[0], known[word])]
        at = match.end()
    return [piece for piece in (*pieces, (text[at:], "")) if piece[0]]


def plain_table(
    name: str, rows: Sequence[Mapping[str, Any]], unit: str = ""
) -> dict[str, Any] | None:
    """Return a table of the results as people read it; None where it has no rows.

    Units stand in the head, limits side by side; the row of two ports begins with the one that
    reads more, as the sentence does. Columns that say nothing in any row are left out.

    Parameters
    ----------
    name : str
        ranking, pairs, ports or summary.
    rows : sequence of mapping
        As in the file of that name: numbers, or texts as a CSV table holds them.
    unit : str
        Of the measured number.
    """
    asked = _written()["tables"][name]
    rows = [_turned(row) if name == "ports" else row for row in rows]
    columns, cells = [], []
    for column in asked["columns"]:
        of = [column["of"]] if isinstance(column["of"], str) else column["of"]
        values = [_number(row.get(one)) for row in rows for one in of]
        # One column, one number of digits: three figures of the largest.
        digits = digits_for([v for v in values if v is not None])
        how = column.get("as", "")
        cut = [[shown(row.get(one), how, digits) for one in of] for row in rows]
        texts = [" to ".join(ends) if all(ends) else "" for ends in cut]
        if any(texts):
            title = column["title"].format(unit=unit).rstrip(", ")
            numeric = all(re.match(r"[-+<]?\s?\d|$", text) for text in texts)
            columns.append({"title": explained(title), "numeric": numeric})
            cells.append(texts)
    if not rows:
        return None
    return {"name": name, "title": asked["title"], "columns": columns, "rows": list(zip(*cells))}  # noqa: B905


def _turned(row: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return a row of two ports with the one first that reads more."""
    difference = _number(row["difference"])
    if difference is None or difference >= 0:
        return row
    low, high = (_number(row[end]) for end in ("low", "high"))
    turned = {"port": row["against"], "against": row["port"], "difference": -difference}
    turned |= {"low": None if high is None else -high, "high": None if low is None else -low}
    return {**row, **turned}


def _number(value: object) -> float | None:
    if isinstance(value, str):
        value = parse_number(value)
    known = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if known and math.isfinite(value) else None  # type: ignore[arg-type]


def shown(value: object, how: str = "", digits: int | None = None) -> str:
    """Return a cell: two figures for a p, nothing for what is not known, texts as they stand.

    Numbers have `digits` after the point, four figures where it is not given.
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str) and not how:
        return ", ".join(value.split(";"))
    number = _number(value)
    if number is None:
        return "" if value is None or isinstance(value, float) else str(value)
    if how == "percent":
        return "< 1 %" if 0 < number < 0.01 else f"{100 * number:.0f} %"
    if how == "p":
        return p_text(number).removeprefix("p ").removeprefix("= ")
    if how == "count" or (digits is None and number.is_integer() and abs(number) < 1e15):
        return f"{number:.0f}"
    if how == "db":
        return f"{number:.1f}"
    return f"{number:.4g}" if digits is None else f"{number:.{digits}f}"
