"""Reading what the browser sent: every value checked before it is used."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from flask import request

from extractor.errors import UsageError
from extractor.session.overlay import Box

LONGEST_TEXT = 2000


def values() -> Mapping[str, Any]:
    """Return what came with the request: what stands in a GET's address, else its JSON object.

    Raises
    ------
    UsageError
        If it is no object.
    """
    if request.method in ("GET", "HEAD"):
        return request.args
    try:
        content = request.get_json(silent=True)
    except RecursionError:  # brackets in brackets without end
        content = None
    if not isinstance(content, dict):
        raise UsageError("the page sent something that is not understood; reload it")
    return content


def text(key: str) -> str:
    """Return a text, "" where missing."""
    return as_text(values().get(key, ""), key)


def texts(*keys: str) -> tuple[str, ...]:
    """Return several texts."""
    return tuple(text(key) for key in keys)


def as_text(value: object, key: str) -> str:
    """Return a value that must be a text; `key` names it."""
    if not isinstance(value, str) or len(value) > LONGEST_TEXT:
        raise UsageError(f"{key} must be a text of at most {LONGEST_TEXT} characters")
    try:
        value.encode()
    except UnicodeEncodeError:  # half of a pair of surrogates
        raise UsageError(f"{key} holds a character that no file can hold") from None
    return value


def number(key: str, default: float | None = None) -> float:
    """Return a finite number; texts of an address count too."""
    return as_number(values().get(key, default), key)


def as_number(value: Any, key: str) -> float:
    """Return a value that must be a finite number; `key` names it."""
    try:
        result = float(value)
    except (TypeError, ValueError, OverflowError):
        result = math.nan
    if not math.isfinite(result):
        raise UsageError(f"{key} must be a number")
    return result


def optional_number(key: str) -> float | None:
    """Return a finite number, None where it is missing or null."""
    return None if values().get(key) is None else number(key)


def box() -> Box:
    """Return a rectangle."""
    value = values().get("box")
    if (
        not isinstance(value, list)
        or len(value) != 4
        or not all(isinstance(v, int) and not isinstance(v, bool) for v in value)
        or any(abs(v) > 100_000 for v in value)
    ):
        raise UsageError("box must be 4 whole numbers")
    return Box(*value)
