"""The user's TOML files: parsed within bounds, and opened for edits that keep comments."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from extractor.errors import SessionFileError, reading

#: A TOML file beyond these bounds would be parsed for minutes.
_MOST_BYTES = 1 << 20
_DEEP_KEY = re.compile(r"""(?<![\w-])(?:("[^"\n]*"|'[^'\n]*'|[\w-]+)[ \t]*\.[ \t]*){64}""")


def read_toml(
    path: Path, kind: type[SessionFileError] = SessionFileError, missing: str = "not there"
) -> dict[str, Any]:
    """Return the content of a TOML file; an error of this `kind` if it is none or not there."""
    with reading(kind, path, missing=missing):
        raw, where = path.read_bytes(), str(path)
    try:
        text = raw.decode("utf-8-sig")
        if len(raw) > _MOST_BYTES or _DEEP_KEY.search(text):
            raise ValueError("far larger or deeper than any file of this program")
        document = tomllib.loads(text)
        if any(isinstance(v, int) and abs(v) >= 1 << 63 for v in _leaves(document)):
            raise ValueError("a whole number has more than 18 digits")
    except UnicodeDecodeError:
        raise kind(f"{where}: is not UTF-8 text; save it as UTF-8") from None
    except RecursionError:
        raise kind(f"{where}: is not valid TOML: brackets within brackets, too deep") from None
    except ValueError as error:
        raise kind(f"{where}: is not valid TOML: {error}") from None
    return document


def _leaves(value: object) -> Iterator[object]:
    """Yield every value that is neither a table nor a list."""
    if isinstance(value, dict | list):
        for one in value.values() if isinstance(value, dict) else value:
            yield from _leaves(one)
    else:
        yield value


def editable_toml(path: Path) -> Any:
    """Return a TOML file as a `tomlkit` document, which keeps comments; empty if not there.

    Raises
    ------
    SessionFileError
        If it is not valid TOML.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        return tomlkit.parse(path.read_text("utf-8-sig") if path.exists() else "")
    except (TOMLKitError, RecursionError, ValueError) as error:
        raise SessionFileError(f"{path}: is not valid TOML: {error}") from None
