"""``extractor match``: which clip is which planned run."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import typer

from extractor.commands.screen import note, say, table, warn
from extractor.errors import UsageError

if TYPE_CHECKING:
    from extractor.video.recording_order import Matching


def match(
    session: Path,
    by: Literal["created", "name", "modified"] | None = None,
    skip: list[str] | None = None,
    missing: list[str] | None = None,
    join: list[str] | None = None,
    yes: bool = False,
) -> None:
    """Pair clips with planned runs in the order of recording, and fill runs.csv after a yes."""
    from extractor.report.match_sheet import write_sheet
    from extractor.session.folder import Session
    from extractor.video import recording_order

    folder = Session(session)
    found = recording_order.match(
        folder, by=by, skip=skip or (), missing=missing or (), join=join or ()
    )
    _show(found)
    say(f"Pictures: {write_sheet(folder, found)}")
    for text in found.notes:
        warn(text)
    if found.questions:
        likely = found.proposal and shlex.join(
            ["extractor", "match", str(session), *found.proposal.options()]
        )
        raise UsageError(
            "nothing was paired: "
            + "; ".join(found.questions)
            + (f"; likely, if the pictures agree: {likely}" if likely else "")
        )
    if not yes:
        if not sys.stdin.isatty():
            raise UsageError("nothing was written; if the pairing is right, add --yes")
        if not typer.confirm("Fill runs.csv like this?"):
            note("nothing was written")
            return
    recording_order.fill(folder, found)
    say(f"{len(found.pairs)} runs filled in {folder.runs_path}")


def _show(found: Matching) -> None:
    from itertools import zip_longest

    rows = []
    for run, clip in zip_longest(found.runs, found.recordings):
        left = [run.cells.get(c, "") for c in ("run", "antenna", "port", "mounting")] if run else []
        made = f"{clip.created:%Y-%m-%d %H:%M:%S}" if clip and clip.created else ""
        length = f"{clip.length_s:.0f} s" if clip and clip.length_s else ""
        right = [clip.name, made, length] if clip else ["(none)", "", ""]
        rows.append([*(left or ["(none)", "", "", ""]), *right])
    table(["run", "antenna", "port", "mounting", "clip", "recorded", "length"], rows)
