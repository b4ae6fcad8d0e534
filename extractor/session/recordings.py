"""Which seconds of which recording a run covers: none may count twice.

The same seconds in two runs would pass for two measurements, and every interval would come out
too narrow. A copy of a clip under another name is the same recording.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from extractor.errors import ClipError, reading
from extractor.session import digests
from extractor.session.atomic import read_json
from extractor.session.csv_tables import read_table

if TYPE_CHECKING:
    from extractor.session.folder import Session

Clip = TypeVar("Clip", bound=Hashable)

#: What a pack says of itself, in the folder into which it is unpacked.
PACK_MANIFEST = ".pack.json"

#: What a clip is known by: so many blocks, spread evenly, and its size. Recordings of one length
#: may share their first block, never all of them.
BLOCKS = 16
#: Where a run begins in a later clip rests on a rounded length: so much is no overlap, seconds.
ROUNDING_S = 0.5
#: Nor is what times lose that are written to a thousandth.
WRITTEN_TO_S = 1e-3
#: The next clip of a run begins after the last reading, even where there is but one.
SHORTEST_S = 1e-3


@dataclass(frozen=True, slots=True)
class Span:
    """A part of one recording, or of several in a row."""

    label: str
    """What messages call it, such as ``line 3`` or ``run 'x'``."""
    clips: tuple[Hashable, ...]
    start_s: float = 0.0
    """Seconds from the start of the first clip; later clips append."""
    end_s: float = math.inf

    @classmethod
    def of(
        cls, label: str, clips: Iterable[Hashable], start_s: float | None, end_s: float | None
    ) -> Span:
        """Make one of cells, None where they are empty."""
        return cls(label, tuple(clips), start_s or 0.0, math.inf if end_s is None else end_s)


def counted_twice(
    spans: Sequence[Span], length_s: Mapping[Hashable, float]
) -> tuple[Span, Span] | None:
    """Return two spans that share seconds of a recording; None where there are none.

    Parameters
    ----------
    spans : sequence of Span
        Of all runs.
    length_s : mapping of clip to float
        Length of clips in seconds, as far as they are known. Where one is not, only what is
        certain without it is found.
    """
    parts: dict[Hashable, list[_Part]] = defaultdict(list)
    for span in spans:
        for part in _parts(span, length_s):
            parts[part.of].append(part)
    for own in parts.values():
        own.sort(key=lambda part: part.start_s)
        before = own[0]
        for part in own[1:]:
            shared_s = min(before.end_s, part.end_s) - part.start_s
            if shared_s > max(before.rounding_s, part.rounding_s):
                return before.span, part.span
            before = max(before, part, key=lambda part: part.end_s)
    return None


@dataclass(frozen=True, slots=True)
class _Part:
    """Which seconds of a clip, or of several in a row, a span covers."""

    span: Span
    of: Hashable
    start_s: float
    end_s: float
    rounding_s: float = WRITTEN_TO_S


def _parts(span: Span, length_s: Mapping[Hashable, float]) -> Iterator[_Part]:
    # Against runs of the very same clips no length is needed.
    yield _Part(span, span.clips, span.start_s, span.end_s)
    if span.start_s == 0 and span.end_s == math.inf:
        for clip in span.clips:
            yield _Part(span, clip, 0.0, math.inf)
        return
    offset_s = 0.0
    for clip in span.clips:
        last = clip == span.clips[-1]
        length = length_s.get(clip, math.inf if last else math.nan)
        if math.isnan(length):
            return
        start, end = max(0.0, span.start_s - offset_s), min(span.end_s - offset_s, length)
        if start < end:
            yield _Part(span, clip, start, end, ROUNDING_S if offset_s else WRITTEN_TO_S)
        offset_s += length


def content_digest(path: Path) -> str:
    """Return a text that copies of one file share, and other recordings do not; "" if empty.

    Raises
    ------
    ClipError
        If the file cannot be read.
    """
    with reading(ClipError, path.name):
        size = path.stat().st_size
        if not size or not path.is_file():
            return ""
        return digests.blocks_digest(path, str(size), BLOCKS)


def originals(digests: Mapping[Clip, str]) -> dict[Clip, Clip]:
    """Return for each clip the first of the same content: itself where there is no other."""
    first: dict[str, Clip] = {}
    return {clip: first.setdefault(d, clip) if d else clip for clip, d in digests.items()}


def digests_of(session: Session, clips: Iterable[str], *, alone: bool = True) -> dict[str, str]:
    """Return each clip's `content_digest`, of a pack as its manifest says.

    It is "" where that is not known and, where these clips are held against one another `alone`,
    where no other is as large: such a one has no copy among them.
    """
    entries = read_json(session.root / PACK_MANIFEST).get("clips", [])
    entries = [one for one in entries if isinstance(one, dict)] if isinstance(entries, list) else []
    told = {str(one.get("clip")): str(one.get("content_digest") or "") for one in entries}
    sizes = {clip: _size(session.path(clip)) for clip in clips}
    shared = {
        size for size, count in Counter(sizes.values()).items() if count > 1 or told or not alone
    }
    found = {}
    for clip, size in sizes.items():
        try:
            found[clip] = told.get(clip) or (
                content_digest(session.path(clip)) if size in shared else ""
            )
        except ClipError:
            found[clip] = ""
    return found


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:  # a broken link
        return -1


def lengths_of(session: Session, clips: Iterable[str]) -> dict[str, float]:
    """Return about how long clips are, in seconds, by their readings; those not read are left out.

    Raises
    ------
    TableError
        If readings cannot be understood.
    """
    found = {}
    for clip in clips:
        if clip in session.stems and session.readings_path(clip).exists():
            table = read_table(session.readings_path(clip))
            rows = len(table.rows)
            first_s, last_s = (table.number(i, "time_s") for i in (0, -1)) if rows else (0, 0)
            found[clip] = end_s(first_s or 0.0, last_s or 0.0, rows)
    return found


def end_s(first_s: float, last_s: float, rows: int) -> float:
    """Return where a clip ends, in seconds, by the times of its first and last reading.

    A reading stands for one sampling period; that is what is known of a clip wherever its table
    is, with the clip or without.
    """
    return last_s + max(SHORTEST_S, (last_s - first_s) / max(1, rows - 1))
