"""What the tool remembers of each clip, so that only what changed is done again.

One JSON file a clip under ``results/.state/`` holds everything that the reader saw, together
with two digests: of the clip's file and of what was asked (fields, rate, reader). Cleaning,
corrections and statistics start from it, so they never decode again.
"""

from __future__ import annotations

import json
import stat
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from extractor.errors import ClipError, reading
from extractor.session.atomic import write_json
from extractor.session.digests import blocks_digest, digest_of

if TYPE_CHECKING:
    from extractor.session.folder import Session
    from extractor.session.overlay import Field

#: Raised whenever the same clip and question would be read differently by newer code.
READING_VERSION = 9


@dataclass(slots=True)
class FieldState:
    """What one field showed at each sampled instant; lists of equal length."""

    text: list[str]
    since_s: list[float | None]
    confidence: list[float]
    crosscheck: list[tuple[int, str]] = field(default_factory=list)
    """Rows that the second reader saw too, and what it read."""


@dataclass(slots=True)
class ClipState:
    """Everything read in one clip, and what it was read from."""

    clip_digest: str
    asked_digest: str
    reader: str
    """Name and version."""
    gate: float
    frame: tuple[int, int]
    """Size of the displayed picture, pixels."""
    boxes: dict[str, list[int]]
    """Rectangle that was read, by field: x, y, width, height in this clip's pixels."""
    marks: dict[str, list[list[object]]]
    """Where the field was marked then, see `places_of`."""
    time_s: list[float]
    still: list[bool]
    fields: dict[str, FieldState]
    duration_s: float
    frame_s: float
    decoded: int
    undecodable: int
    out_of_order: int
    complete: str
    """Whether the clip was recorded to its end: yes, no, unknown."""
    note: str = ""
    """Why the container could not be read to its end."""
    stalled: bool = False
    """It was a slow disk or network: worth another try."""
    remarks: list[str] = field(default_factory=list)
    """What was odd about its time and pictures, in whole sentences."""


def clip_digest(path: Path) -> str:
    """Return a text that changes when a clip's file does: size, time, first and last blocks.

    Raises
    ------
    ClipError
        If the file cannot be read.
    """
    with reading(ClipError, path.name):
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):  # opening a pipe would wait for ever
            raise ClipError(f"{path.name}: is not a file, but a folder, pipe or device")
        return blocks_digest(path, f"{status.st_size} {status.st_mtime_ns}", 2)


def state_path(session: Session, clip: str) -> Path:
    """Return where a clip's state is kept."""
    # In a folder of their own: a clip may be called as one of the files beside it.
    return session.state / "clips" / f"{session.stems[clip]}.json"


def load(path: Path) -> ClipState | None:
    """Return what is remembered; None if nothing is, or not in a form that is understood."""
    try:
        content = json.loads(path.read_text("utf-8"))
        states = {name: FieldState(**values) for name, values in content.pop("fields").items()}
        content["frame"] = tuple(content["frame"])
        return ClipState(fields=states, **content)
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return None


def save(path: Path, state: ClipState) -> None:
    """Remember a clip.

    Raises
    ------
    StorageError
        If it cannot be written.
    """
    write_json(path, asdict(state))


def asked_digest(
    fields: Sequence[Field],
    tight: Mapping[str, Any],
    reader: str,
    rate_hz: float,
    crosscheck: int,
    exact: bool,
) -> str:
    """Return a text that changes with the question: where to look, with what, how often.

    Limits, units and names of the link are left out: they matter after the reading. Only
    whether the number can be negative is something the reading itself uses.
    """
    places = {f.name: [places_of(f), f.minimum is not None and f.minimum >= 0] for f in fields}
    return digest_of(READING_VERSION, places, tight, reader, rate_hz, crosscheck, exact)


def places_of(item: Field) -> list[list[object]]:
    """Return where a field stands, to compare: frame and box of each place."""
    return [[list(p.frame), p.box.as_list()] for p in item.places]
