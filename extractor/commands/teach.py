"""``extractor teach``."""

from __future__ import annotations

from typing import Annotated

import typer

from extractor.commands.options import Debug, Quiet, SessionFolder


def teach(
    session: SessionFolder,
    field: Annotated[str, typer.Option("--field", metavar="NAME", help="Which number.")],
    text: Annotated[str, typer.Option("--text", help="What stands there, as 38.4.")],
    clip: Annotated[str, typer.Option("--clip", metavar="NAME", help="In which clip.")],
    at: Annotated[
        float, typer.Option("--at", metavar="SECONDS", min=0, help="At which moment, s.")
    ],
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Teach the digits of an overlay that the built-in reader cannot read.

    A handful of moments will do, so that every digit is seen at least once. The glyphs are kept
    in overlay_glyphs.npz and used together with the built-in reader from then on.
    """
    from extractor import teaching
    from extractor.screen import say
    from extractor.session import Session

    opened = Session(session)
    lesson = teaching.teach(opened, opened.overlay()[field], text, clip, at)
    say(f"Taught at {lesson.time_s:.2f} s; known now: {' '.join(lesson.known)}")
    if lesson.missing_digits:
        say(f"Not seen yet: {' '.join(lesson.missing_digits)}; teach moments that show them.")
    else:
        say(f"All digits are known. Read again: extractor read {session}")
