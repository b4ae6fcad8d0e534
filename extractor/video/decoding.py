"""Opening a video file and decoding it, damage and malice included.

`clips` alone uses it; all else goes through `clips`.
"""

from __future__ import annotations

import contextlib
import functools
import math
import stat
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import av

from extractor.errors import ClipError
from extractor.video import heap, integrity
from extractor.video.continuity import BACK_S, MOST_HOLE_S, Clock, Damage, Losses, Timed

if TYPE_CHECKING:
    from extractor.video.intervals import Intervals

#: A header that asks for more is damage or malice, not a goggle's screen. The largest picture of
#: the highest levels: ITU-T H.264 table A-1, 139,264 macroblocks; H.265 table A.8, MaxLumaPs.
MAX_PIXELS = 8192 * 4352
#: One step of reading a file (opening it, one packet, one seek) may take so long, seconds.
STEP_S = 4.0
#: A clip that gives no picture in so many packets, or so many seconds of trying, gives none.
FIRST_FRAME_PACKETS = 3000
FIRST_FRAME_S = 8.0
#: Covers come in these; films too, where there is nothing else.
STILLS = {"mjpeg", "png", "bmp", "gif", "webp"}
#: A wanted time farther ahead than this is sought, not decoded up to: about a keyframe interval.
SEEK_BEYOND_S = 2.0
#: The clock of transport and program streams has 33 bits: ITU-T H.222.0, 2.4.3.7.
TS_CLOCK_S = 2**33 / 90_000
#: Frames that no other is made from are left out.
SPARING = "NONREF"
#: Opens clips whose title is no UTF-8. From 19 on av always does and knows no such argument.
ANY_TITLE: dict[str, Any] = (
    {"metadata_errors": "ignore"} if int(av.__version__.split(".")[0]) < 19 else {}
)


@dataclass(slots=True)
class Tally:
    """What happened while a clip was decoded; filled by `frames`."""

    decoded: int = 0
    undecodable: int = 0
    """Packets that could not be decoded and frames that the decoder calls corrupt."""
    out_of_order: int = 0
    """Frames whose time did not lie after the frame before; they are left out."""
    first_pts_s: float = math.nan
    end_s: float = 0.0
    """End of the last frame, seconds after the first."""
    read_error: str = ""
    """Why the container could not be read to its end; empty if it could."""
    stalled: bool = False
    """The file gave nothing for too long: a slow disk or network may give more the next time."""
    clock: Clock = field(default_factory=Clock)
    damage: Damage = field(default_factory=Damage)
    holes: list[tuple[float, float]] = field(default_factory=list)
    """Begin and end of what is missing, seconds after the first frame."""
    every: bool = False
    """From now on every frame is decoded; set between two frames only, by whoever takes them."""
    wanted: bool = False
    """Every frame is wanted as soon as may be, see `reading.stretches.ahead`."""
    spoilt: list[tuple[float, float]] = field(default_factory=list)
    """First and last frame of each stretch of pictures that cannot be believed, likewise."""


@contextlib.contextmanager
def opened(path: Path) -> Iterator[Any]:
    """Open a video file, closed when the block ends; raises `ClipError`."""
    try:
        # A pipe or a device never ends; a folder may be called clip.mp4.
        if not stat.S_ISREG(path.stat().st_mode):
            raise ClipError(f"{path.name}: is not a file, but a folder, pipe or device")
        if integrity.claims_too_much(path):
            raise ClipError(
                f"{path.name}: its index claims more pictures than it has bytes: damaged"
            )
        container = _open(path, **_edits(path))
    except (av.error.FFmpegError, OSError, ValueError, OverflowError) as error:
        raise ClipError(f"{path.name}: {_why_not_opened(path, error)}") from error
    with container:
        yield container


@contextlib.contextmanager
def opened_stream(path: Path, *, threaded: bool = False) -> Iterator[Any]:
    """Open a video file and give its `picture_stream`; raises `ClipError`."""
    with opened(path) as container:
        stream = picture_stream(container, path)
        stream.thread_type = "AUTO" if threaded else "NONE"
        yield stream


def _open(path: Path, **options: str) -> Any:
    heap.give_back()
    return av.open(
        str(path),
        **ANY_TITLE,
        timeout=STEP_S,
        options={"max_pixels": str(MAX_PIXELS), **options},
    )


def _edits(path: Path) -> dict[str, str]:
    """Return how to open a clip so that footage before the zero of its clock is not left out.

    An edit list hides what comes before its start. Up to one keyframe before it that is what
    cutting without encoding again leaves to decode from, and players leave it out. More than
    that is a recording whose clock began below zero.
    """
    if integrity.hidden_start_s(path) <= BACK_S:
        return {}
    whole = {"advanced_editlist": "0"}
    hidden = 0
    with _open(path, **whole) as container:
        packets = container.demux(picture_stream(container, path))
        for packet in islice(packets, FIRST_FRAME_PACKETS):
            if packet.pts is None or packet.pts >= 0:
                break
            hidden += packet.is_keyframe
    return whole if hidden > 1 else {}


def _why_not_opened(path: Path, error: Exception) -> str:
    try:
        if path.stat().st_size == 0:
            return "is empty; copy it again from the recorder"
        if integrity.lacks_index(path):
            return (
                "the index that a recorder writes last (moov) is missing: the recording was "
                "broken off or the copy is cut short; copy it again or let the recorder repair it"
            )
    except OSError as reason:
        return f"cannot be read ({reason.strerror})"
    detail = getattr(error, "strerror", None) or str(error)
    return f"is not a video that can be read ({detail})"


def picture_stream(container: Any, path: Path) -> Any:
    """Return the video stream that a player shows; raises `ClipError`.

    The one that is marked as default, else the first; never a cover picture, which is a video
    stream of one frame and not always marked as what it is.
    """
    kind = av.stream.Disposition
    covers = kind.attached_pic | kind.timed_thumbnails
    films = [s for s in container.streams.video if not s.disposition & covers]
    if not films:
        raise ClipError(f"{path.name}: has no picture stream (sound only?)")
    stream = min(films, key=lambda s: (_is_of_stills(s), not s.disposition & kind.default))
    if stream.codec_context is None:
        raise ClipError(
            f"{path.name}: its pictures are in no known format, or its header is damaged"
        )
    width, height = stream.codec_context.width, stream.codec_context.height
    if width * height > MAX_PIXELS:
        raise ClipError(f"{path.name}: claims a picture of {width}x{height}: a damaged header")
    # Also for sizes that turn up on the way.
    stream.codec_context.options = {"max_pixels": str(MAX_PIXELS)}
    return stream


def _is_of_stills(stream: Any) -> bool:
    return stream.codec_context is None or stream.codec_context.name in STILLS


def first_frame(path: Path, stream: Any) -> Any:
    """Return the first frame that can be decoded; raises `ClipError`."""
    deadline = time.monotonic() + FIRST_FRAME_S
    for frame in decoded(stream, Tally(), FIRST_FRAME_PACKETS, deadline):
        return frame
    raise ClipError(
        f"{path.name}: not one frame of it can be decoded ({stream.codec_context.name})"
    )


def first_time_s(path: Path, stream: Any) -> float:
    """Return the first frame's time on the clip's own clock; raises `ClipError`."""
    return time_s_of(first_frame(path, stream)) or 0.0


def decoded(
    stream: Any,
    tally: Tally,
    most_packets: float = math.inf,
    deadline: float = math.inf,
    *,
    first_packet: int = 0,
    needed: Callable[[float], bool] | None = None,
    several: Intervals | None = None,
) -> Iterator[Any]:
    """Decode packet by packet, so that a damaged one costs itself and not the rest.

    Frames have their times on the clock that runs on (`Clock`). Packets before `first_packet`
    only count for it. Frames that no other is made from are left out where `needed`, asked for
    the time at which one is shown, denies it, until `Tally.every` is set. With `several` what is
    left of the frames is given, see `intervals.Picture`.
    """
    packets = stream.container.demux(stream)
    base = float(stream.time_base or 0)
    timed, losses = Timed(stream, tally.clock), Losses(stream)
    # A decoder with several threads says only so much later what was wrong.
    behind = stream.codec_context.thread_count or 16 if stream.thread_type else 1
    recent: deque[float] = deque(maxlen=behind)
    taken = 0
    sparing = False
    tally.clock.step_s = _frame_step_s(stream)
    if stream.container.format.name in ("mpegts", "mpeg"):
        tally.clock.wrap_s = TS_CLOCK_S
    while taken < most_packets and (taken == 0 or time.monotonic() < deadline):
        taken += 1
        try:
            packet = next(packets)
        except StopIteration:
            return
        except (av.error.FFmpegError, OSError, IndexError) as error:
            # IndexError: damage makes streams appear that the binding does not know.
            tally.read_error = tally.read_error or _why_not_read_on(error)
            tally.stalled = tally.stalled or isinstance(error, av.error.ExitError)
            # The container cannot go on; what the decoder still holds is good.
            yield from timed.all(several.flush(tally) if several else _flush(stream, tally))
            return
        step_s = tally.clock.step_s
        steps = tally.clock.run(packet, base) if packet.size else 0.0
        if taken <= first_packet:
            continue
        if needed is not None:
            # Times that have to be counted need every frame.
            untimed = packet.pts is None or timed.decoding_only
            tally.every |= untimed and packet.size > 0
            if sparing == (tally.every or untimed or needed(packet.pts * base)):
                sparing = not sparing
                if several is None:
                    stream.codec_context.skip_frame = SPARING if sparing else "DEFAULT"
        recent.append(tally.clock.now_s)
        timed.starts(tally.clock.now_s)
        if losses.before(packet, steps, step_s) or packet.is_corrupt:
            tally.damage.begins(tally.clock.now_s)
        tally.undecodable += packet.is_corrupt
        try:
            if several is not None:
                skip = SPARING if sparing else "DEFAULT"
                pictures: Iterable[Any] = several.decode(packet, skip, tally.clock.now_s, tally)
            else:
                pictures = _alone(stream, packet) if timed.alone else packet.decode()
        except (av.error.FFmpegError, ValueError):
            tally.undecodable += 1
            tally.damage.begins(recent[0])
            continue
        for frame in timed.all(pictures):
            tally.undecodable += bool(frame.is_corrupt)
            yield frame


def _alone(stream: Any, packet: Any) -> list[Any]:
    """Decode a keyframe; a decoder that waits for what is left out mixes up their order."""
    if not packet.is_keyframe:
        return []
    stream.codec_context.flush_buffers()
    return [*packet.decode(), *stream.codec_context.decode(None)]


def _frame_step_s(stream: Any) -> float:
    rate = stream.average_rate or stream.guessed_rate
    return 1 / float(rate) if rate else 0.0


def _why_not_read_on(error: Exception) -> str:
    if isinstance(error, av.error.ExitError):
        return (
            f"nothing more came within {STEP_S:g} s: damage, or a slow disk or network "
            "(then the next run tries again)"
        )
    return getattr(error, "strerror", None) or str(error)


def _flush(stream: Any, tally: Tally) -> Iterator[Any]:
    try:
        yield from stream.codec_context.decode(None)
    except av.error.FFmpegError:
        tally.undecodable += 1


def _seek(stream: Any, seconds: float) -> None:
    # Where it cannot be done, reading goes on from where it is.
    if stream.time_base and abs(seconds / stream.time_base) < 1 << 62:
        with contextlib.suppress(av.error.FFmpegError):
            stream.container.seek(int(seconds / stream.time_base), stream=stream, backward=True)


def decoded_from(path: Path, stream: Any, seconds: float) -> Iterator[Any]:
    """Decode from a keyframe that is not later than a time of the clock that runs on."""
    if keyframes := _unsteady_keyframes(path, stream):
        yield from _counted_up_to(path, keyframes, seconds, threaded=bool(stream.thread_type))
        return
    back_s = 0.0
    start_s = min(0.0, float((stream.start_time or 0) * (stream.time_base or 0)))
    while True:
        _seek(stream, max(start_s, seconds - back_s))
        following = decoded(stream, Tally())
        first = next(following, None)
        time_s = None if first is None else time_s_of(first)
        # Transport streams have no index: there, seeking may end at the keyframe after.
        late = first is None or (time_s is not None and time_s > seconds + 1e-6)
        if not late or back_s >= seconds - start_s:
            break
        back_s = max(SEEK_BEYOND_S, 2 * back_s)
    if late:
        # Nor does it find what comes before the clock passes zero.
        yield from _counted_up_to(path, (), seconds, threaded=bool(stream.thread_type))
    elif first is not None:
        yield first
        yield from following


Keyframes = tuple[tuple[int, float], ...]
"""How many packets come before each keyframe, and its time on the clock that runs on."""


def _unsteady_keyframes(path: Path, stream: Any) -> Keyframes:
    """Return a clip's keyframes if the file's own clock cannot be used to find a time in it."""
    if stream.frames and stream.duration and stream.base_rate:
        # An index that counts its pictures: its times rise, and can only leap forward.
        length_s = float(stream.duration * (stream.time_base or 0))
        if length_s - float(stream.frames / stream.base_rate) <= MOST_HOLE_S:
            return ()
    try:
        status = path.stat()
    except OSError:
        return ()
    return _scanned(path, status.st_size, status.st_mtime_ns)


def unsteady_length_s(path: Path, stream: Any) -> float | None:
    """Return about how long a clip is whose header cannot know; None where it can."""
    keyframes = _unsteady_keyframes(path, stream)
    return keyframes[-1][1] - keyframes[0][1] if keyframes else None


@functools.lru_cache(maxsize=256)
def _scanned(path: Path, size: int, modified_ns: int) -> Keyframes:
    # One pass over the packets, without decoding; the size and time make a changed file another.
    clock, found = Clock(), []
    with opened_stream(path) as stream:
        clock.step_s = _frame_step_s(stream)
        with contextlib.suppress(av.error.FFmpegError, OSError, IndexError):
            for count, packet in enumerate(stream.container.demux(stream)):
                if packet.size:
                    clock.run(packet, float(stream.time_base or 0))
                    if packet.is_keyframe:
                        found.append((count, clock.now_s))
    return tuple(found) if clock.jumps or clock.unstamped else ()


def _counted_up_to(
    path: Path, keyframes: Keyframes, seconds: float, *, threaded: bool
) -> Iterator[Any]:
    """Decode from the last keyframe before a time, found by counting packets from the start."""
    before = [count for count, at_s in keyframes if at_s <= seconds + 1e-6]
    with opened_stream(path, threaded=threaded) as stream:
        yield from decoded(stream, Tally(), first_packet=max(before, default=0))


def time_s_of(frame: Any) -> float | None:
    """Return a frame's time on the file's own clock, seconds; None where it has none."""
    if frame.pts is None or frame.time_base is None:
        return None
    return float(frame.pts * frame.time_base)


def declared_duration_s(stream: Any) -> float | None:
    """Return the duration that the header declares, seconds; None where it proves nothing."""
    if stream.container.format.name in ("mpegts", "mpeg", "flv", "asf"):
        return None  # libavformat estimates it from the file's end, or from its longest stream
    if stream.duration and stream.time_base:
        return float(stream.duration * stream.time_base)
    return None  # the container's own is that of its longest stream: sound may run on


def length_s(container: Any) -> float | None:
    """Return how long a file says it is, or libavformat estimates, seconds; None if neither."""
    return float(container.duration) / float(av.time_base) if container.duration else None
