"""The sentences of this room, kept in ``sentences.toml`` and filled with figures here."""

from __future__ import annotations

import functools
import tomllib
from pathlib import Path
from typing import Any

from extractor.comparison.findings import Finding, Part, Quantity


@functools.cache
def _written() -> dict[str, dict[str, str]]:
    return tomllib.loads(Path(__file__).with_name("sentences.toml").read_text("utf-8"))


def said(kind: str, which: str = "says", /, **figures: Any) -> str:
    """Return the text `which` of a kind, its places filled in by `str.format`."""
    return _written()[kind][which].format(**figures)


def finding(
    kind: str, which: str = "says", numbers: tuple[Quantity, ...] = (), part: Part = "verdict", /,
    **figures: Any,
) -> Finding:  # fmt: skip
    """Return a finding; how we know it is the kind's ``how``, or this text's own."""
    own = f"{which}_how"
    how = said(kind, own if own in _written()[kind] else "how", **figures)
    return Finding(kind, said(kind, which, **figures), how, numbers, part)
