"""Editing ``session.toml`` key by key; comments stay."""

from __future__ import annotations

from extractor.errors import ChangedMeanwhileError, UsageError
from extractor.session import digests
from extractor.session.atomic import write_text
from extractor.session.csv_editing import check_seen, one_line
from extractor.session.folder import Session
from extractor.session.numerals import parse_number
from extractor.session.toml_files import editable_toml

#: Texts also where they look like numbers: firmware 1.10 is not 1.1.
_TEXTS = ("firmware", "place", "rate_mode", "transmitter_antenna", "notes")


def edit_condition(session: Session, key: str, old: str, new: str) -> None:
    """Change one key of ``session.toml``; an empty text removes it. Comments stay.

    Raises
    ------
    ChangedMeanwhileError
        If the key holds something else by now.
    SessionFileError
        If the file is not valid TOML.
    """
    import tomlkit

    key, new = key.strip(), one_line(new)
    if not key or len(key) > 60:
        raise UsageError("a condition needs a name of at most 60 characters")
    path = session.conditions_path
    with session.editing():
        check_seen(path.name, key, condition_text(session.conditions().get(key)), old)
        digest = digests.file_digest(path)
        document = editable_toml(path)
        value = parse_number(new)
        if value is not None and value.is_integer() and new.lstrip("+-").isdigit():
            value = int(value)
        if new:
            document[key] = new if key in _TEXTS or value is None else value
        elif key in document:
            del document[key]
        if digests.file_digest(path) != digest:
            raise ChangedMeanwhileError("session.toml was changed at this very moment; try again")
        write_text(path, tomlkit.dumps(document), keep_previous=True)


def condition_text(value: object) -> str:
    """Return a value of ``session.toml`` as a person types it; "" for None."""
    if value is None:
        return ""
    return f"{value:.12g}" if isinstance(value, float) else str(value)
