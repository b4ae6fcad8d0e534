"""Editing ``corrections.csv``, in the way of `runs_editing`: if it still holds what was seen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from extractor.errors import ChangedMeanwhileError, UsageError
from extractor.session.csv_editing import TableFile
from extractor.session.csv_tables import format_cell
from extractor.session.folder import Session
from extractor.session.numerals import parse_number
from extractor.session.overlay_file import check_name, save
from extractor.session.user_tables import CORRECTION_COLUMNS, CORRECTION_WORDS, Correction

#: Two corrections this close, in seconds, are about the same reading.
SAME_TIME_S = 5e-4


def correct(
    session: Session, clip: str, name: str, changes: Sequence[tuple[float, str | None, str | None]]
) -> list[Correction]:
    """Write corrections of one field in one clip into ``corrections.csv``, at once.

    Parameters
    ----------
    session : Session
        The folder.
    clip, name : str
        Clip and field.
    changes : sequence of (time in seconds, value before, value now)
        A value is a text as in the file; None: no correction.

    Returns
    -------
    list of Correction
        All that hold for this clip and field afterwards.

    Raises
    ------
    ChangedMeanwhileError
        If another correction stands there by now.
    UsageError
        If a value is neither a number nor one of `CORRECTION_WORDS`.
    """
    with session.editing():
        table = TableFile.load(session.corrections_path, CORRECTION_COLUMNS)
        for time_s, before, now in changes:
            if now is not None and now not in CORRECTION_WORDS and parse_number(now) is None:
                raise UsageError(f"'{now}' is no number; leave it empty where none can be read")
            own = [r for r in table.rows if _is_about(r, clip, name, time_s)]
            stands = own[-1]["value"] if own else None
            if stands != before:
                raise ChangedMeanwhileError(
                    f"corrections.csv was changed meanwhile: {clip} at {time_s:g} s is "
                    f"{'not corrected' if stands is None else repr(stands)} by now"
                )
            table.rows = [r for r in table.rows if not any(r is one for one in own)]
            if now is not None:
                cells = (clip, format_cell(round(time_s, 6)), name, now)
                table.rows.append(dict(zip(CORRECTION_COLUMNS, cells, strict=True)))
        table.save()
        return [c for c in session.corrections() if (c.clip, c.field) == (clip, name)]


def _is_about(row: Mapping[str, str], clip: str, name: str, time_s: float) -> bool:
    at_s = parse_number(row["time_s"])
    near = at_s is not None and abs(at_s - time_s) < SAME_TIME_S
    return near and (row["clip"], row["field"]) == (clip, name)


def rename_field(session: Session, old: str, new: str) -> None:
    """Call a field by another name in ``overlay.toml`` and in ``corrections.csv``.

    Raises
    ------
    SessionFileError
        If the name cannot be used.
    """
    with session.editing():
        known = session.overlay()
        item = known[old]
        check_name(new, f"field '{old}'")
        fields = [replace(f, name=new) if f is item else f for f in known.fields]
        save(session.overlay_path, fields)
        if session.corrections_path.exists():
            table = TableFile.load(session.corrections_path, CORRECTION_COLUMNS)
            for row in table.rows:
                if row["field"] == old:
                    row["field"] = new
            table.save()
