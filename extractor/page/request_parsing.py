"""Reading what the browser sent: every value checked before it is used."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from flask import request

from extractor.errors import UsageError
from extractor.session.overlay import Box

LONGEST_TEXT = 2000


def body() -> Mapping[str, Any]:
    """Return the request's JSON object.

    Raises
    ------
    UsageError
        If it is none.
    """
    try:
        content = request.get_json(silent=True)
    except RecursionError:  # brackets in brackets without end
        content = None
    if not isinstance(content, dict):
        raise UsageError("the page sent something that is not understood; reload it")
    return content


def text(values: Mapping[str, Any], key: str) -> str:
    """Return a text, "" where missing."""
    value = values.get(key, "")
    if not isinstance(value, str) or len(value) > LONGEST_TEXT:
        raise UsageError(f"{key} must be a text of at most {LONGEST_TEXT} characters")
    try:
        value.encode()
    except UnicodeEncodeError:  # half of a pair of surrogates
        raise UsageError(f"{key} holds a character that no file can hold") from None
    return value


def number(values: Mapping[str, Any], key: str, default: float | None = None) -> float:
    """Return a finite number; texts of an address count too."""
    value = values.get(key, default)
    try:
        result = float(value)
    except (TypeError, ValueError, OverflowError):
        raise UsageError(f"{key} must be a number") from None
    if not math.isfinite(result):
        raise UsageError(f"{key} must be a number")
    return result


def optional_number(values: Mapping[str, Any], key: str) -> float | None:
    """Return a finite number, None where it is missing or null."""
    return None if values.get(key) is None else number(values, key)


def box(values: Mapping[str, Any]) -> Box:
    """Return a rectangle."""
    value = values.get("box")
    if (
        not isinstance(value, list)
        or len(value) != 4
        or not all(isinstance(v, int) and not isinstance(v, bool) for v in value)
        or any(abs(v) > 100_000 for v in value)
    ):
        raise UsageError("box must be 4 whole numbers")
    return Box(*value)
