"""Whether a video file is whole, judged by its own structure and without decoding.

A recorder that loses power leaves a file whose container says more than it holds. MP4 and
Matroska state the size of their parts, AVI its own, MPEG-TS consists of packets of one size; the
rest cannot be judged this way.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Literal

#: "whole": the structure ends where the file ends. "cut": something declared is missing.
#: "unknown": this container cannot tell.
State = Literal["whole", "cut", "unknown"]
Span = tuple[int, int]
"""Where a part of a file begins and ends, bytes."""

TS_PACKET = 188
TS_SYNC = 0x47
_MP4_FIRST_BOXES = {b"ftyp", b"moov", b"mdat", b"free", b"skip", b"wide", b"styp", b"pnot"}
_MP4_PARENTS = {b"moov", b"trak", b"mdia", b"minf", b"stbl", b"moof", b"traf"}
#: Where in a box, after its header, the number of samples stands.
_MP4_COUNT_AT = {b"stsz": 8, b"stz2": 8, b"trun": 4}
_EBML_ID = 0x1A45DFA3
_SEGMENT_ID = 0x18538067


def state(path: Path) -> State:
    """Judge one file; see the module's text.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    size = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(12)
        if len(head) >= 8 and head[4:8] in _MP4_FIRST_BOXES:
            return _mp4_state(stream, size)
        if head[:4] == _EBML_ID.to_bytes(4, "big"):
            return _matroska_state(stream, size)
        # Some writers count the 8 bytes of this header too.
        if head[:4] == b"RIFF" and int.from_bytes(head[4:8], "little") > size:
            return "cut"
        if _looks_like_ts(stream):
            # A writer adds whole packets; a torn one means that the writing was torn.
            return "cut" if size % TS_PACKET else "unknown"
    return "unknown"


def lacks_index(path: Path) -> bool:
    """Tell whether this is an MP4 or MOV file whose index (``moov``) was never written.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    with _mp4(path) as (stream, whole):
        kinds = [kind for begin, end in whole for kind, *_ in _mp4_boxes(stream, begin, end)]
    return bool(kinds) and b"moov" not in kinds


def claims_too_much(path: Path) -> bool:
    """Tell whether an MP4 or MOV file claims more pictures and sounds than it has bytes.

    A decoder believes such a claim and makes room for billions of samples.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    with path.open("rb") as stream:
        if stream.read(8)[4:] not in _MP4_FIRST_BOXES | {b"moof", b"sidx"}:
            return False
        size = path.stat().st_size
        return any(count > size for count in _sample_counts(stream, 0, size, 0))


def recordings(path: Path) -> tuple[int, int]:
    """Return how many recordings a file holds, joined end to end, and how many can be read.

    Of those behind the first of an MP4 or MOV file nothing can be read: each needs the places
    counted from its start. Of Matroska libavformat reads two. Other files count as one.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    with _mp4(path) as (stream, whole):
        if whole:
            return max(1, len(_mp4_inside(stream, whole, b"moov"))), 1
        parts = _matroska_parts(stream, path.stat().st_size)
        return max(1, [element for element, _ in parts].count(_SEGMENT_ID)), 2


def hidden_start_s(path: Path) -> float:
    """Return how much of an MP4 or MOV file's beginning its edit lists hide, seconds.

    The longest of its tracks; 0 for other files and for those that are cut into several parts.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    with _mp4(path) as (stream, whole):
        tracks = _mp4_inside(stream, whole, b"moov", b"trak")
        return max((_hidden_start_s(stream, track) for track in tracks), default=0.0)


@contextmanager
def _mp4(path: Path) -> Iterator[tuple[IO[bytes], list[Span]]]:
    """Open a file; also give the span of all of it, none where it is no MP4 or MOV file."""
    with path.open("rb") as stream:
        found = stream.read(8)[4:] in _MP4_FIRST_BOXES
        yield stream, [(0, path.stat().st_size)] if found else []


def _hidden_start_s(stream: IO[bytes], track: Span) -> float:
    # ISO/IEC 14496-12, 8.6.6 (edit list) and 8.4.2 (media header): version 1 has long times.
    edits = _mp4_inside(stream, [track], b"edts", b"elst")
    headers = _mp4_inside(stream, [track], b"mdia", b"mdhd")
    if len(edits) != 1 or len(headers) != 1:
        return 0.0
    edit, header = (_bytes_at(stream, start, 36) for (start, _) in (edits[0], headers[0]))
    if len(edit) < 20 or len(header) < 24 or struct.unpack(">I", edit[4:8])[0] != 1:
        return 0.0
    start = struct.unpack(">q", edit[16:24])[0] if edit[0] else struct.unpack(">i", edit[12:16])[0]
    scale = struct.unpack(">I", header[20:24] if header[0] else header[12:16])[0]
    return float(start / scale) if scale and start > 0 else 0.0


def _mp4_inside(stream: IO[bytes], spans: list[Span], *kinds: bytes) -> list[Span]:
    # Begin and end of the content of all boxes of the last kind, inside those of the others.
    for wanted in kinds:
        spans = [
            (inside, min(end, box_end))
            for begin, end in spans
            for kind, inside, box_end in _mp4_boxes(stream, begin, end)
            if kind == wanted
        ]
    return spans


def _bytes_at(stream: IO[bytes], offset: int, count: int) -> bytes:
    stream.seek(offset)
    return stream.read(count)


def _sample_counts(stream: IO[bytes], start: int, end: int, depth: int) -> Iterator[int]:
    # Tables of sample sizes and runs of fragments: ISO/IEC 14496-12, 8.7.3.2, 8.8.8. Both have
    # the number of samples in the bytes that follow the version, flags and, in `stsz`, the size.
    for kind, inside, box_end in _mp4_boxes(stream, start, end):
        if kind in _MP4_PARENTS and depth < 8:
            yield from _sample_counts(stream, inside, min(end, box_end), depth + 1)
        elif kind in _MP4_COUNT_AT:
            count = _bytes_at(stream, inside + _MP4_COUNT_AT[kind], 4)
            yield from struct.unpack(">I", count) if len(count) == 4 else ()


def _mp4_boxes(stream: IO[bytes], offset: int, size: int) -> list[tuple[bytes, int, int]]:
    # Kind of each box from `offset` to `size`, where its content begins, where it ends: ISO/IEC
    # 14496-12, section 4.2. It may end behind the end of the file: that is the point.
    boxes: list[tuple[bytes, int, int]] = []
    while offset + 8 <= size and len(boxes) < 100_000:
        header = _bytes_at(stream, offset, 16)
        if len(header) < 8:
            break
        length, kind = struct.unpack(">I4s", header[:8])
        inside = offset + (16 if length == 1 else 8)
        if length == 1 and len(header) == 16:
            length = struct.unpack(">Q", header[8:])[0]
        elif length == 0:
            length = size - offset
        if length < 8:
            break
        offset += length
        boxes.append((kind, inside, offset))
    return boxes


def _mp4_state(stream: IO[bytes], size: int) -> State:
    boxes = _mp4_boxes(stream, 0, size)
    kinds = {kind for kind, *_ in boxes}
    if b"moov" not in kinds or boxes[-1][-1] != size:
        return "cut"
    if b"moof" in kinds and b"mfra" not in kinds:
        return "unknown"  # fragments may simply have stopped coming
    return "whole"


def _matroska_state(stream: IO[bytes], size: int) -> State:
    for element, end in _matroska_parts(stream, size):
        if end is None:
            return "unknown"  # written without knowing how long it would get
        if element == _SEGMENT_ID:
            return "whole" if end <= size else "cut"
    return "cut"


def _matroska_parts(stream: IO[bytes], size: int) -> Iterator[tuple[int, int | None]]:
    # ID and end of each part, None where it does not say: an element is an ID, a length of
    # variable size, and that many bytes (RFC 8794, section 4).
    end: int | None = 0
    while end is not None and end < size:
        header = _bytes_at(stream, end, 12)
        element, id_bytes = _ebml_number(header, keep_marker=True)
        length, length_bytes = _ebml_number(header[id_bytes:], keep_marker=False)
        if not id_bytes or not length_bytes:
            return
        known = length != (1 << (7 * length_bytes)) - 1
        end = end + id_bytes + length_bytes + length if known else None
        yield element, end


def _ebml_number(data: bytes, *, keep_marker: bool) -> tuple[int, int]:
    if not data or data[0] == 0:
        return 0, 0
    count = 9 - data[0].bit_length()
    if len(data) < count:
        return 0, 0
    number = int.from_bytes(data[:count], "big")
    return (number if keep_marker else number & ((1 << (7 * count)) - 1)), count


def _looks_like_ts(stream: IO[bytes]) -> bool:
    start = _bytes_at(stream, 0, TS_PACKET * 5)
    return len(start) == TS_PACKET * 5 and set(start[::TS_PACKET]) == {TS_SYNC}
