"""A first ``runs.csv`` for clips that are there already: a draft, to be checked and filled in.

Its rows say in their notes that they are a draft. A row that a person changed, in whatever cell,
is that person's and stays as it is; one that was taken out does not come back. A table that did
not begin as a draft, or no longer holds a drafted run, is left alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

from extractor.errors import TableError, UsageError
from extractor.session import file_names
from extractor.session.csv_tables import format_table, parse_table
from extractor.session.folder import Session
from extractor.session.runs_editing import RunRow, draft_runs, drafted_rows, run_rows
from extractor.session.user_tables import DRAFT, FROM_NAME
from extractor.video import recording_order

#: What a comparison goes by; a person fills in what the file names don't say.
ASKED = ("antenna", "port", "mounting")


def draft(session: Session) -> str:
    """Write a row of ``runs.csv`` for each clip that is new, and say so in a line.

    Antenna, port and mounting are proposed from the file names (`file_names.propose`), the order
    from the recorder's clock or counter; all of it only where that is sound, else the cell is
    empty. Rows drafted before that nobody changed are drafted anew, since later clips may tell
    more.

    Returns
    -------
    str
        What was drafted and what is left to fill; empty where nothing was.

    Raises
    ------
    TableError, ChangedMeanwhileError, StorageError
        If ``runs.csv`` cannot be understood, has just been changed or cannot be written.
    """
    rows, before = run_rows(session), drafted_rows(session)
    stored = [row for row in rows if row.stored]
    if session.runs_path.exists() and not any(_was_drafted(row, before) for row in stored):
        return ""
    again = {row.cells["clip"]: row.cells.get("order", "") for row in stored if row.drafted}
    removed = set(before) if stored else set()
    unnamed = [row.cells["clip"] for row in rows if not row.stored]
    new = [clip for clip in unnamed if clip not in removed and _can_be_named(clip)]
    # A clip that was still being recorded may have a place by now.
    waiting = "" in again.values() and any(again.values())
    if not new and not waiting and set(again) <= set(session.clips):
        return ""
    own = [row for row in stored if not row.drafted]
    made = _rows(session, [c for c in session.clips if c in again or c in new], own)
    if made != {clip: before[clip] for clip in again}:
        draft_runs(session, made)
    return _told(made, len(new)) if new else ""


def _was_drafted(row: RunRow, before: Mapping[str, Mapping[str, str]]) -> bool:
    drafted = before.get(row.cells.get("clip", ""), {})
    return bool(drafted) and drafted.get("run") == row.cells.get("run")


def _can_be_named(clip: str) -> bool:
    """Tell whether a cell of ``runs.csv`` can stand for the clip."""
    try:
        table = parse_table(format_table(("clip",), [{"clip": clip}]).encode(), "")
    except (UnicodeEncodeError, TableError):
        return False
    return ";" not in clip and [row["clip"] for row in table.rows] == [clip]


def _rows(
    session: Session, clips: Sequence[str], own: Sequence[RunRow]
) -> dict[str, dict[str, str]]:
    said = file_names.propose(session.clips, session.antenna_names())
    places = _places(session, own)
    return {
        clip: _filled(
            {
                "run": session.stems[clip],
                "clip": clip,
                **said.get(clip, {}),
                "order": places.get(clip, ""),
            }
        )
        for clip in clips
    }


def _filled(cells: dict[str, str]) -> dict[str, str]:
    there = [c for c in ASKED if cells.get(c)]
    missing = [c for c in (*ASKED, "order") if not cells.get(c)]
    hints = [f"{', '.join(there)} {FROM_NAME}, check"] if there else []
    hints += [f"fill {', '.join(missing)}"] if missing else []
    cells["notes"] = f"{DRAFT} {'; '.join(hints) or 'check'}"
    return {column: cell for column, cell in cells.items() if cell}


def _places(session: Session, own: Sequence[RunRow]) -> dict[str, str]:
    """Return each clip's place in the order of recording; none where that is not sure."""
    found = [recording_order.recording(session, clip) for clip in session.clips]
    readable = [r for r in found if r.kind]
    try:
        ordered, by, doubts = recording_order.in_order(readable)
    except UsageError:
        return {}
    if doubts or len(ordered) < 2 or (by == "created" and _overlap(ordered)):
        return {}
    if by == "name" and not file_names.are_counted([r.clips[0] for r in ordered]):
        return {}
    places = {r.clips[0]: str(i) for i, r in enumerate(ordered, 1)}
    # What a person numbered otherwise is another count: two of them would contradict each other.
    told = {row.cells["clip"]: row.cells["order"] for row in own if row.cells.get("order")}
    return {} if any(places.get(clip) != order for clip, order in told.items()) else places


def _overlap(recordings: Sequence[recording_order.Recording]) -> bool:
    """Tell whether a clip begins before the one before it ends: a clock that can't be right."""
    for before, after in pairwise(recordings):
        lengths = [r.length_s for r in (before, after) if r.length_s is not None]
        if before.created is None or after.created is None or not lengths:
            continue
        # Some clocks note the end of a recording: then the later one's length is what counts.
        gap_s = (after.created - before.created).total_seconds()
        if gap_s < min(lengths) - recording_order.SPLIT_GAP_S:
            return True
    return False


def _told(made: Mapping[str, Mapping[str, str]], new: int) -> str:
    there = [c for c in ASKED if any(cells.get(c) for cells in made.values())]
    missing = [c for c in ASKED if any(not cells.get(c) for cells in made.values())]
    parts = [f"runs.csv: drafted a row for {new} clip{'s' if new > 1 else ''}"]
    parts += [f"{', '.join(there)} are from the file names, check them"] if there else []
    parts += [f"fill {', '.join(missing)} before you compare"] if missing else []
    return "; ".join(parts)
