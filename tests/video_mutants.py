"""Damaged and malicious video files, and one look at such a file by every way in.

Used by `benchmarks/fuzz_videos.py` (many) and `test_fuzz_videos.py` (those that once went wrong).
"""

from __future__ import annotations

import contextlib
import struct
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import av
import numpy as np
from clipmaker import BOX, SIZE, GreyReader, make_clip, stairs, steady

from extractor.errors import ClipError
from extractor.reading import clip_reading
from extractor.reading.number_parsing import interpret, is_spoilt
from extractor.session.overlay import Box, Field
from extractor.statistics.flags import Flag
from extractor.video import clips, integrity
from extractor.video.continuity import Clock
from extractor.video.decoding import ANY_TITLE

Mutant = tuple[str, bytes]
"""What was done to it, and the file's content."""

#: Suffix: codec and container options of the healthy clips.
BASES: dict[str, dict[str, Any]] = {
    "mp4": {},
    "fragmented.mp4": {"container_options": {"movflags": "frag_keyframe+empty_moov"}},
    "mkv": {},
    "ts": {},
    "avi": {"codec": "mpeg4", "options": {"g": "15"}},
}
#: Boxes that hold boxes: ISO/IEC 14496-12, table 1.
_PARENTS = {b"moov", b"trak", b"mdia", b"minf", b"stbl", b"moof", b"traf", b"edts", b"dinf"}


def healthy(folder: Path, kind: str, seconds: float = 1.0) -> bytes:
    path = folder / f"healthy.{kind}"
    make_clip(path, steady(seconds), stairs, **BASES[kind])
    return path.read_bytes()


def boxes(
    content: bytes, start: int = 0, end: int | None = None
) -> Iterator[tuple[bytes, int, int]]:
    """Yield kind, offset and length of every box of an MP4 file, parents before children."""
    end = len(content) if end is None else end
    while start + 8 <= end:
        length, kind = struct.unpack(">I4s", content[start : start + 8])
        if length < 8:
            return
        yield kind, start, length
        if kind in _PARENTS:
            yield from boxes(content, start + 8, min(end, start + length))
        start += length


def bit_flips(content: bytes, rng: np.random.Generator, count: int) -> Iterator[Mutant]:
    """Flip 1 to 100 bits, half of the time within the header or the index only."""
    for i in range(count):
        changed = bytearray(content)
        flips = int(rng.choice([1, 3, 10, 100]))
        places = rng.integers(0, len(content), flips)
        if i % 2:
            places = places % 1500
            places = np.where(rng.random(flips) < 0.5, places, len(content) - 1 - places)
        for at in places:
            changed[int(at)] ^= 1 << int(rng.integers(8))
        yield f"{flips} bits flipped ({i})", bytes(changed)


def truncated(content: bytes, count: int) -> Iterator[Mutant]:
    for at in np.linspace(0, len(content) - 1, count).astype(int):
        yield f"cut at {at}", content[:at]


def box_sizes(content: bytes) -> Iterator[Mutant]:
    """Give each box of an MP4 file impossible lengths."""
    for kind, at, length in boxes(content):
        for size in (0, 1, 7, length - 1, length + 1, 0x7FFFFFFF, 0xFFFFFFFF):
            changed = content[:at] + struct.pack(">I", size) + content[at + 4 :]
            yield f"{kind.decode('latin1')} of {size} bytes", changed


def box_counts(content: bytes) -> Iterator[Mutant]:
    """Let each table of samples claim no, many and billions of entries, and absurd values."""
    tables = {b"stts", b"stsc", b"stsz", b"stco", b"stss", b"ctts", b"stsd", b"elst", b"trun"}
    for kind, at, length in boxes(content):
        name = kind.decode("latin1")
        if kind in tables:
            for count in (0, 1 << 20, 0x7FFFFFFF, 0xFFFFFFFF):
                for offset in (12, 16):
                    if offset + 4 <= length:
                        changed = bytearray(content)
                        changed[at + offset : at + offset + 4] = struct.pack(">I", count)
                        yield f"{name} claims {count} at {offset}", bytes(changed)
        if kind == b"stsz":
            for size, count in ((1, 0x7FFFFFFF), (1, 100_000_000), (0, 100_000_000)):
                claim = struct.pack(">II", size, count)
                yield (
                    f"{count} samples of {size} bytes",
                    content[: at + 12] + claim + content[at + 20 :],
                )
        if kind in (b"mvhd", b"mdhd"):
            for offset in (20, 24):  # time scale and duration
                for value in (0, 1, 0xFFFFFFFF):
                    changed = bytearray(content)
                    changed[at + offset : at + offset + 4] = struct.pack(">I", value)
                    yield f"{name} says {value} at {offset}", bytes(changed)
        if kind == b"stts" and length >= 24:
            for value in (0, 0x7FFFFFFF, 0xFFFFFFFF):
                changed = bytearray(content)
                changed[at + 20 : at + 24] = struct.pack(">I", value)
                yield f"stts steps of {value}", bytes(changed)


def swapped_boxes(content: bytes, rng: np.random.Generator, count: int) -> Iterator[Mutant]:
    """Exchange two boxes, or their names alone."""
    known = list(boxes(content))
    for i in range(count):
        first, second = sorted(rng.choice(len(known), 2, replace=False))
        (kind_a, a, length_a), (kind_b, b, length_b) = known[first], known[second]
        name = f"{kind_a.decode('latin1')} and {kind_b.decode('latin1')}"
        if i % 2 or a + length_a > b:
            changed = bytearray(content)
            changed[a + 4 : a + 8], changed[b + 4 : b + 8] = kind_b, kind_a
            yield f"names of {name} swapped", bytes(changed)
        else:
            parts = (content[:a], content[b : b + length_b], content[a + length_a : b])
            rest = content[a : a + length_a] + content[b + length_b :]
            yield f"{name} swapped", b"".join(parts) + rest


def absurd_mp4_sizes(content: bytes) -> Iterator[Mutant]:
    """Let the headers claim a picture of up to 65,535 x 65,535."""
    at = content.index(b"avc1") + 4 + 24
    for width, height in ((0, 0), (65535, 65535), (16384, 16384), (1, 1), (8000, 4000)):
        changed = content[:at] + struct.pack(">HH", width, height) + content[at + 4 :]
        yield f"sample entry of {width}x{height}", changed


class _Bits:
    """Writes the bit strings of an H.264 parameter set."""

    def __init__(self) -> None:
        self.text = ""

    def fixed(self, value: int, bits: int) -> None:
        self.text += f"{value:0{bits}b}"

    def golomb(self, value: int) -> None:
        code = f"{value + 1:b}"
        self.text += "0" * (len(code) - 1) + code

    def to_bytes(self) -> bytes:
        text = self.text + "1"
        text += "0" * (-len(text) % 8)
        raw = int(text, 2).to_bytes(len(text) // 8, "big")
        out, zeros = bytearray(), 0
        for byte in raw:
            if zeros >= 2 and byte <= 3:
                out.append(3)
                zeros = 0
            out.append(byte)
            zeros = zeros + 1 if byte == 0 else 0
        return bytes(out)


def parameter_set(width: int, height: int, references: int = 1) -> bytes:
    """Return an H.264 sequence parameter set (ITU-T H.264, 7.3.2.1.1) for a picture size."""
    bits = _Bits()
    bits.fixed(66, 8)
    bits.fixed(0, 8)
    bits.fixed(62, 8)
    # Numbers and kinds: set 0, frame_num of 4 bits, order of output = order of decoding.
    for value in (0, 0, 2, references):
        bits.golomb(value)
    bits.fixed(0, 1)
    bits.golomb(width // 16 - 1)
    bits.golomb(height // 16 - 1)
    bits.fixed(0b1100, 4)
    return b"\0\0\0\1\x67" + bits.to_bytes()


def absurd_streams(folder: Path) -> Iterator[Mutant]:
    """Raw H.264 whose parameter sets ask for huge pictures, at the start or on the way."""
    path = folder / "raw.h264"
    with av.open(str(path), "w", format="h264") as out:
        stream = out.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        stream.options = {"preset": "ultrafast", "profile": "baseline", "g": "10"}
        for _ in range(30):
            planes = np.full((SIZE[1] * 3 // 2, SIZE[0]), 128, np.uint8)
            frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    raw = path.read_bytes()
    for width, height in ((100_000, 100_000), (16_384, 16_384), (16_384, 8_192), (8_192, 4_352)):
        for references in (1, 16):
            own = parameter_set(width, height, references)
            name = f"stream of {width}x{height}, {references} references"
            yield f"{name} from the start", _sets_replaced(raw, own, 0)
            yield f"{name} on the way", _sets_replaced(raw, own, len(raw) // 2)


def _sets_replaced(raw: bytes, own: bytes, start: int) -> bytes:
    parts = raw[start:].split(b"\0\0\0\1\x67")
    return raw[:start] + parts[0] + b"".join(own + p[p.index(b"\0\0\0\1") :] for p in parts[1:])


def uncompressed_header(width: int, height: int) -> bytes:
    """Return an AVI file of raw pictures that claims a size and holds one small frame."""
    info = struct.pack("<IiiHH4sIiiII", 40, width, height, 1, 24, b"DIB ", 0, 0, 0, 0, 0)
    stream = struct.pack(
        "<4s4sIHHIIIIIIII4H", b"vids", b"DIB ", 0, 0, 0, 0, 1, 30, 0, 30, 0, 0, 0, 0, 0, 0, 0
    )
    main = struct.pack("<8I2i4I", 33333, 0, 0, 16, 30, 0, 1, 0, width, height, 0, 0, 0, 0)
    strl = _chunk(b"LIST", b"strl" + _chunk(b"strh", stream) + _chunk(b"strf", info))
    hdrl = _chunk(b"LIST", b"hdrl" + _chunk(b"avih", main) + strl)
    movi = _chunk(b"LIST", b"movi" + _chunk(b"00db", bytes(3000)) * 10)
    return _chunk(b"RIFF", b"AVI " + hdrl + movi)


def _chunk(name: bytes, content: bytes) -> bytes:
    return name + struct.pack("<I", len(content)) + content + bytes(len(content) % 2)


FIELD = Field("bitrate", SIZE, Box(*BOX))


def look_at(
    path: Path,
    step: Callable[[], None] = lambda: None,
    count: Callable[[int, int], None] = lambda shown, missing: None,
) -> str:
    """Use a file in every way that the tool does; return what came of it in a few words.

    `step` is called before each, `count` with the instants whose pictures show a number and how
    many of them were not read.

    Raises
    ------
    AssertionError
        If a reading is not what the decoded picture shows, or one is missing.
    """
    if path.is_file():
        integrity.state(path)
        integrity.lacks_index(path)
    clips.length_s(path)
    step()
    try:
        clip = clips.probe(path)
        box = FIELD.box_for(clip.width, clip.height)
    except ClipError as error:
        _check_line(error)
        return "refused"
    outcomes = []
    for way in (
        lambda: clips.glances(clip, [box], 5),
        lambda: clips.glances(clip, [box], 5, exact=True),
        lambda: clips.picture(clip, (clip.length_s or 0) / 2),
        lambda: next(clips.at_times(clip, [box], [0.4])),
        lambda: list(clips.at_times(clip, [box], [0.1, 0.5, 3.0])),
        lambda: clip_reading.read_fields(clip, [FIELD], [box], GreyReader(), keyframes_only=True),
    ):
        step()
        try:
            way()
        except ClipError as error:
            _check_line(error)
            outcomes.append("refused in part")
    step()
    try:
        result = clip_reading.read_fields(clip, [FIELD], [box], GreyReader())
    except ClipError as error:
        _check_line(error)
        return "refused when read"
    step()
    check_readings(path, box, result)
    step()
    count(*check_nothing_missing(path, box, result))
    damaged = result.tally.undecodable or result.tally.out_of_order or result.tally.read_error
    outcomes += ["damage counted"] if damaged else []
    outcomes += [f"complete {result.complete}"]
    return "read, " + ", ".join(dict.fromkeys(outcomes))


def _check_line(error: ClipError) -> None:
    assert 10 < len(str(error)) < 500
    assert "\n" not in str(error)


def check_readings(path: Path, box: Box, result: clip_reading.ClipReadings) -> None:
    """Hold every number, and when it appeared, against pictures decoded by themselves."""
    shown = shown_texts(path, box)
    seen = result.fields["bitrate"]
    for time_s, text, since, sure in zip(
        result.time_s, seen.text, seen.since_s, seen.confidence, strict=True
    ):
        if interpret(text, sure, GreyReader.gate).flag is not Flag.OK:
            continue
        first = result.tally.first_pts_s
        for at in (time_s, since):
            if at == at:
                key = round((at + first) * 1e4)
                keys = (*range(key - 10, key + 11), None)  # to a millisecond: clocks are joined
                near = set[str]().union(*(shown.get(k, set()) for k in keys))
                assert text in near, f"{text} at {at} s, the picture shows {near or 'nothing'}"


def check_nothing_missing(
    path: Path, box: Box, result: clip_reading.ClipReadings | None
) -> tuple[int, int]:
    """Hold what was read against all pictures; return how many instants show a number, and misses.

    Only where the file's clock runs as in the undamaged clip is it clear which picture belongs to
    which instant: 0, 0 for others.

    Raises
    ------
    AssertionError
        If a number that a picture shows was not read.
    """
    shown = {key: texts for key, texts in shown_texts(path, box).items() if key is not None}
    times_s = [key / 1e4 for key in shown]
    steps = np.diff(times_s) * 30
    if len(times_s) < 2 or np.any(steps < 0.5) or np.any(np.abs(steps - steps.round()) > 0.1):
        return 0, 0
    instants: dict[int, set[str]] = {}
    for time_s, texts in zip(times_s, shown.values(), strict=True):
        instants.setdefault(int((time_s - times_s[0]) * 10 + 1e-2), set()).update(texts)
    numbers = {i for i, texts in instants.items() if all(t.isdigit() for t in texts)}
    seen = [] if result is None else _rows(result)
    # What was made up after damage is given up on purpose, and nothing else is.
    given_up = {row for row, text, sure in seen if is_spoilt(text, sure)}
    assert not given_up or result is None or result.tally.spoilt
    missing = numbers - given_up - {row for row, text, _ in seen if text}
    assert not missing, f"{len(missing)} of {len(numbers)} instants missing: {sorted(missing)[:5]}"
    return len(numbers), len(missing)


def _rows(result: clip_reading.ClipReadings) -> list[tuple[int, str, float]]:
    """Return tenth of a second, text and confidence of each row."""
    field = result.fields["bitrate"]
    rows = zip(result.time_s, field.text, field.confidence, strict=True)
    return [(int(time_s * 10 + 1e-2), text, sure) for time_s, text, sure in rows]


def shown_texts(path: Path, box: Box) -> dict[int | None, set[str]]:
    """Return what the grey patch says in every picture, by time in 1/10,000 s (None: no time)."""
    reader, found = GreyReader(), {}
    with av.open(str(path), timeout=4, **ANY_TITLE) as container:
        stream = next(s for s in container.streams.video)
        stream.thread_type = "NONE"
        stream.codec_context.options = {"max_pixels": str(1 << 24)}
        for frame in _pictures(container, stream, Clock()):
            key = None if frame.pts is None else round(float(frame.pts * frame.time_base) * 1e4)
            plane = np.frombuffer(frame.planes[0], np.uint8).reshape(frame.planes[0].height, -1)
            part = plane[box.y : box.y + box.height, box.x : box.x + box.width]
            if part.size:
                found.setdefault(key, set()).add(reader.read([part[..., None]])[0].text)
    return found


def _pictures(container: Any, stream: Any, clock: Clock) -> Iterator[Any]:
    try:
        for packet in container.demux(stream):
            # What the clock does is tested elsewhere; here it only says which picture is meant.
            if packet.size:
                clock.run(packet, float(stream.time_base or 0))
            try:
                yield from packet.decode()
            except (av.error.FFmpegError, ValueError):
                continue
    except (av.error.FFmpegError, OSError, IndexError):
        with contextlib.suppress(av.error.FFmpegError):
            yield from stream.codec_context.decode(None)
