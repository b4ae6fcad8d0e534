"""``extractor teach``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from extractor.commands.screen import number, say, table
from extractor.errors import UsageError

if TYPE_CHECKING:
    from extractor.session.folder import Session


def teach(
    session: Path,
    field: str | None = None,
    text: str | None = None,
    clip: str | None = None,
    at: float | None = None,
    show: bool = False,
    undo: bool = False,
    insist: bool = False,
) -> None:
    """Teach the digits of an overlay that the built-in reader cannot read.

    A handful of moments will do, so that every digit is seen at least once. The glyphs are kept
    in overlay_glyphs.npz; they read what the built-in reader is not sure of, and never change
    what it surely reads.
    """
    from extractor.reading import teaching
    from extractor.session.folder import Session

    opened = Session(session)
    if show:
        _list(opened)
        return
    if undo:
        last = teaching.undo(opened, field)
        say(f"Forgotten: '{last.text}' of {last.field}. Read again: extractor read {session}")
        return
    if field is None or text is None or clip is None or at is None:
        raise UsageError("give --field, --text, --clip and --at together, or --list, or --undo")
    lesson = teaching.teach(opened, opened.overlay()[field], text, clip, at, insist=insist)
    say(f"Taught at {lesson.time_s:.2f} s; known now: {' '.join(lesson.known)}")
    if lesson.missing_digits:
        say(f"Not seen yet: {' '.join(lesson.missing_digits)}; teach moments that show them.")
    else:
        say(f"All digits are known. Read again: extractor read {session}")


def _list(opened: Session) -> None:
    from extractor.reading.readers.glyphs import Glyphs

    lessons = Glyphs.load(opened.glyphs_path).lessons
    if not lessons:
        say("Nothing was taught yet.")
        return
    rows = [
        [
            *(str(i), one.field, one.text or one.characters(), one.clip),
            "" if one.time_s is None else number(one.time_s, 2),
            "insisted on" if one.insisted else "",
        ]
        for i, one in enumerate(lessons, 1)
    ]
    table(["no.", "field", "taught", "clip", "time s", ""], rows)
