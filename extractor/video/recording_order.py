"""Which clip belongs to which planned run: by the order of recording, and never by guess."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import pairwise
from typing import Literal

from extractor.errors import ClipError, UsageError
from extractor.session.folder import Session
from extractor.session.numerals import parse_number
from extractor.session.runs_editing import RunRow, edit_runs, run_rows
from extractor.video.clips import probe
from extractor.video.pairing import Answers, Clip, other_mounting, proposed

By = Literal["created", "name", "modified"]
#: A recorder whose clock was reset begins at 1904, 1970, 1980 or the like.
EARLIEST_YEAR = 2015
#: A clip that begins so soon after the end of the one before is likely its continuation.
SPLIT_GAP_S = 3.0
#: Shorter than this share of the usual length: likely broken off and repeated.
SHORT_SHARE = 0.5


@dataclass(frozen=True)
class Recording:
    """One file, or several that belong together."""

    clips: tuple[str, ...]
    """Paths in the session, in order."""
    created: datetime | None = None
    """As the first file's container says it; a clock that may be wrong."""
    modified: float = 0.0
    """Of the first file, seconds since 1970."""
    length_s: float | None = None
    kind: str = ""
    """Size and codec: two kinds look like two recorders."""

    @property
    def name(self) -> str:
        """What it is called in messages and in ``runs.csv``."""
        return ";".join(self.clips)


@dataclass(frozen=True)
class Matching:
    """Planned runs and recordings, each in order, and what stands in the way of pairing them."""

    runs: tuple[RunRow, ...]
    recordings: tuple[Recording, ...]
    by: By
    notes: tuple[str, ...] = ()
    """Worth a look; they don't hinder."""
    questions: tuple[str, ...] = ()
    """To be answered first; while there is one, nothing is paired."""
    skipped: tuple[RunRow, ...] = ()
    """Clips that are no run; `fill` sets them aside."""
    missed: tuple[RunRow, ...] = ()
    """Runs that were not recorded."""
    marks: tuple[tuple[str, str], ...] = ()
    """Clips that look odd: ``short`` or ``goes on``."""
    proposal: Answers | None = None
    """What would likely settle the questions, for a person to look at."""

    @property
    def pairs(self) -> tuple[tuple[RunRow, Recording], ...]:
        """Return the pairing; empty while a question is open."""
        return () if self.questions else tuple(zip(self.runs, self.recordings, strict=True))


def match(
    session: Session,
    *,
    by: By | None = None,
    skip: Sequence[str] = (),
    missing: Sequence[str] = (),
    join: Sequence[str] = (),
) -> Matching:
    """Put planned runs and unnamed clips side by side.

    Parameters
    ----------
    session : Session
        With a ``runs.csv`` that holds runs without a clip.
    by : {"created", "name", "modified"}, optional
        Order of the clips: creation time in the container, numbered file names, or
        modification time. Left out: the first of these that is usable.
    skip : sequence of str
        Clips that are no run (a retake, a test).
    missing : sequence of str
        Planned runs that were not recorded.
    join : sequence of str
        Clips that go on where the clip before them broke off.

    Raises
    ------
    UsageError
        If there is nothing to pair or an option names nothing known.
    TableError
        If ``runs.csv`` can't be understood.
    """
    session.runs()  # an order that is no number would pair wrongly
    rows = run_rows(session)
    planned = [r for r in rows if r.stored and not r.clips]
    planned.sort(key=lambda r: parse_number(r.cells.get("order", "")) or 0.0)
    if not planned:
        raise UsageError(
            f"{session.runs_path}: holds no run without a clip; plan first (extractor plan)"
        )
    known_runs = [r.cells.get("run", "") for r in planned]
    # A row that was only drafted is no run that anybody gave the clip.
    free = {r.clips[0]: r for r in rows if not r.stored or r.drafted}
    unnamed = list(free)
    given = ("--missing", missing, known_runs), ("--skip", skip, unnamed), ("--join", join, unnamed)
    for option, asked, known in given:
        unknown = [name for name in asked if name not in known]
        if unknown:
            raise UsageError(f"{option} {unknown[0]}: not among {', '.join(known) or 'nothing'}")
    left = [name for name in unnamed if name not in skip]
    if not left:
        none = "no clips here yet; copy the recordings into it first"
        why = "every clip is named in runs.csv already" if session.clips else none
        raise UsageError(f"{session.root}: {why}")
    due = [r for r in planned if r.cells.get("run", "") not in missing]
    found = [recording(session, clip) for clip in left]
    ordered, used, doubts = in_order(found, by)
    joined = _joined(ordered, join)
    runs = _upto_look(due, len(joined))
    notes, questions = _look(runs, joined, used)
    goes_on = [name for name, _ in _continued(ordered)] if used == "created" else []
    passed = [recording(session, clip) for clip in skip]
    marks = dict.fromkeys((name for name, _ in _short([*ordered, *passed])), "short")
    marks |= dict.fromkeys(goes_on, "goes on")
    proposal = None
    if questions and not (skip or missing or join):
        by_clock = used == "created"
        proposal = proposed(
            runs,
            [
                Clip(
                    r.clips[0],
                    r.created.timestamp() if r.created and by_clock else None,
                    marks.get(r.clips[0]),
                )
                for r in ordered
            ],
        )
    return Matching(
        runs,
        tuple(joined),
        used,
        notes=tuple(notes),
        questions=(*doubts, *questions),
        skipped=tuple(free[name] for name in skip),
        missed=tuple(r for r in planned if r not in due),
        marks=tuple(marks.items()),
        proposal=proposal,
    )


def _upto_look(runs: Sequence[RunRow], clips: int) -> tuple[RunRow, ...]:
    """Return the runs of as many whole looks (`Plan.looks`) as there are clips for; all without."""
    ends = [parse_number(r.cells.get("look", "")) or 0.0 for r in runs]
    for look in sorted(set(ends)):
        chosen = tuple(r for r, end in zip(runs, ends, strict=True) if end <= look)
        if len(chosen) >= clips:
            return chosen
    return tuple(runs)


def recording(session: Session, clip: str) -> Recording:
    """Return what a clip's file says of when it was made; `kind` is empty if it can't be read."""
    path = session.path(clip)
    try:
        plain = Recording((clip,), None, path.stat().st_mtime)
    except OSError:  # a broken link
        return Recording((clip,))
    try:
        seen = probe(path)
    except ClipError:
        return plain
    kind = f"{seen.width}x{seen.height} {seen.codec}"
    return replace(plain, created=_moment(seen.created), length_s=seen.length_s, kind=kind)


def _moment(text: str) -> datetime | None:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def in_order(
    recordings: Sequence[Recording], by: By | None = None
) -> tuple[list[Recording], By, list[str]]:
    """Put recordings in the order in which they were made.

    Returns
    -------
    ordered : list of Recording
    by : str
        What the order rests on.
    doubts : list of str
        Why that order can't be trusted without an answer.
    """
    orders: dict[By, list[Recording]] = {}
    created = [r.created for r in recordings]
    told = all(c is not None and c.year >= EARLIEST_YEAR for c in created)
    if told and len(set(created)) == len(created):
        orders["created"] = sorted(recordings, key=lambda r: r.created or datetime.now(UTC))
    if _numbered([r.clips[0] for r in recordings]):
        orders["name"] = sorted(recordings, key=lambda r: _numbers(r.clips[0]))
    if len({r.modified for r in recordings}) == len(recordings):
        orders["modified"] = sorted(recordings, key=lambda r: r.modified)
    if by is not None:
        if by not in orders:
            raise UsageError(f"--by {by}: not usable here (missing, equal or reset clock)")
        return orders[by], by, []
    if not orders:
        raise UsageError(
            "the order of the clips is not known: no creation times, no numbered names, equal "
            "modification times; write the clips into runs.csv by hand"
        )
    used = next(iter(orders))
    doubts = []
    if "created" in orders and "name" in orders and orders["created"] != orders["name"]:
        both = zip(orders["created"], orders["name"], strict=True)
        first = next(created for created, named in both if created is not named)
        doubts.append(
            "creation times and numbered names give different orders, first at "
            f"{first.name} (a reset clock, or two recorders?): say --by created or --by name"
        )
    if used == "modified" and len(recordings) > 1:
        doubts.append(
            "only the modification times give an order, and copying may have changed them: say "
            "--by modified if they are right"
        )
    return orders[used], used, doubts


def _numbered(names: Sequence[str]) -> bool:
    """Tell whether names differ in their numbers alone."""
    patterns = {re.sub(r"\d+", "#", name) for name in names}
    return len(patterns) == 1 and len({_numbers(n) for n in names}) == len(names)


def _numbers(name: str) -> tuple[int, ...]:
    return tuple(int(n) for n in re.findall(r"\d+", name))


def _joined(recordings: Sequence[Recording], join: Sequence[str]) -> list[Recording]:
    result: list[Recording] = []
    for recording in recordings:
        if recording.clips[0] in join and result:
            before = result[-1]
            known = before.length_s is not None and recording.length_s is not None
            length = (before.length_s or 0) + (recording.length_s or 0) if known else None
            result[-1] = replace(before, clips=(*before.clips, *recording.clips), length_s=length)
        else:
            result.append(recording)
    return result


def _look(
    runs: Sequence[RunRow], recordings: Sequence[Recording], by: By
) -> tuple[list[str], list[str]]:
    """Return notes and questions about two ordered lists."""
    notes = []
    kinds = sorted({r.kind for r in recordings if r.kind})
    if len(kinds) > 1:
        notes.append(f"clips of more than one kind, as from two recorders: {', '.join(kinds)}")
    found = [*_short(recordings), *(_continued(recordings) if by == "created" else [])]
    hints = [sentence for _, sentence in found]
    if by == "created" and (misfit := _first_misfit(runs, recordings)):
        hints.append(misfit)
    if len(runs) == len(recordings):
        return notes + hints, []
    question = (
        f"{len(runs)} planned runs, {len(recordings)} recordings: say which clip is no run "
        "(--skip CLIP), which run was not recorded (--missing RUN), or which clip goes on where "
        "the one before broke off (--join CLIP)"
    )
    return notes, [question, *hints]


def _short(recordings: Sequence[Recording]) -> list[tuple[str, str]]:
    """Return clips that are likely broken off, each with a sentence."""
    lengths = sorted(r.length_s for r in recordings if r.length_s is not None)
    if len(lengths) < 3:
        return []
    usual = lengths[len(lengths) // 2]
    return [
        (
            r.clips[0],
            f"{r.name} lasts only {r.length_s:.0f} s (usually {usual:.0f} s): broken off and "
            "repeated?",
        )
        for r in recordings
        if r.length_s is not None and r.length_s < SHORT_SHARE * usual
    ]


def _continued(recordings: Sequence[Recording]) -> list[tuple[str, str]]:
    """Return clips that likely go on with the one before, each with a sentence."""
    found = []
    for before, after in pairwise(recordings):
        if before.created is None or after.created is None or before.length_s is None:
            continue
        gap = (after.created - before.created).total_seconds() - before.length_s
        if abs(gap) < SPLIT_GAP_S and len(before.clips) == 1:
            said = f"{after.name} begins where {before.name} ends: one recording in two files?"
            found.append((after.clips[0], said))
    return found


def _first_misfit(runs: Sequence[RunRow], recordings: Sequence[Recording]) -> str:
    """Say where long pauses and new mountings first stop to go together."""
    starts = [r.created.timestamp() for r in recordings if r.created is not None]
    pauses = [b - a for a, b in pairwise(starts)]
    new = [other_mounting(a, b) for a, b in pairwise(runs)]
    if not pauses or not any(new) or all(new):
        return ""
    # As many of the longest pauses as there are new mountings should be those.
    limit = sorted(pauses, reverse=True)[min(sum(new), len(pauses)) - 1]
    for i, (pause, remount) in enumerate(zip(pauses, new, strict=False)):
        if (pause >= limit) != remount:
            what = "a long pause" if pause >= limit else "no long pause"
            where = runs[i + 1].cells.get("run", "")
            return (
                f"the pauses stop fitting the plan after {recordings[i].name}: {what} before "
                f"{recordings[i + 1].name}, where run {where} "
                f"{'begins a new' if remount else 'belongs to the same'} mounting"
            )
    return ""


def fill(session: Session, matching: Matching) -> None:
    """Write the paired clips into the empty ``clip`` cells of ``runs.csv``; set aside the skipped.

    Raises
    ------
    UsageError
        If a question is open.
    ExtractorError
        If the file was changed meanwhile or cannot be written.
    """
    if matching.questions:
        raise UsageError(f"nothing is paired: {matching.questions[0]}")
    cells = {run.key: {"clip": clip.name} for run, clip in matching.pairs}
    edit_runs(session, cells | {row.key: {"use": "no"} for row in matching.skipped})
