"""Opening a video file and decoding it, damage and malice included.

`clips` uses it, and `planning.matching` for a clip's tags; all else goes through `clips`.
"""

from __future__ import annotations

import contextlib
import math
import stat
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import av

from extractor import containers
from extractor.errors import ClipError

#: A header that asks for more is damage or malice, not a goggle's screen. The largest picture of
#: the highest levels: ITU-T H.264 table A-1, 139,264 macroblocks; H.265 table A.8, MaxLumaPs.
MAX_PIXELS = 8192 * 4352
#: One step of reading a file (opening it, one packet, one seek) may take so long, seconds.
STEP_S = 4.0
#: A clip that gives no picture in so many packets, or so many seconds of trying, gives none.
FIRST_FRAME_PACKETS = 3000
FIRST_FRAME_S = 8.0
#: A wanted time farther ahead than this is sought, not decoded up to: about a keyframe interval.
SEEK_BEYOND_S = 2.0
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


@contextlib.contextmanager
def opened(path: Path) -> Iterator[Any]:
    """Open a video file, closed when the block ends; raises `ClipError`."""
    try:
        # A pipe or a device never ends; a folder may be called clip.mp4.
        if not stat.S_ISREG(path.stat().st_mode):
            raise ClipError(f"{path.name}: is not a file, but a folder, pipe or device")
        if containers.claims_too_much(path):
            raise ClipError(
                f"{path.name}: its index claims more pictures than it has bytes: damaged"
            )
        container = av.open(
            str(path),
            timeout=STEP_S,
            **ANY_TITLE,
            options={"max_pixels": str(MAX_PIXELS)},
        )
    except (av.error.FFmpegError, OSError, ValueError, OverflowError) as error:
        raise ClipError(f"{path.name}: {_why_not_opened(path, error)}") from error
    with container:
        yield container


def _why_not_opened(path: Path, error: Exception) -> str:
    try:
        if path.stat().st_size == 0:
            return "is empty; copy it again from the recorder"
        if containers.lacks_index(path):
            return (
                "the index that a recorder writes last (moov) is missing: the recording was "
                "broken off or the copy is cut short; copy it again or let the recorder repair it"
            )
    except OSError as reason:
        return f"cannot be read ({reason.strerror})"
    detail = getattr(error, "strerror", None) or str(error)
    return f"is not a video that can be read ({detail})"


def picture_stream(container: Any, path: Path) -> Any:
    """Return the first video stream that is no cover picture; raises `ClipError`."""
    for stream in container.streams.video:
        # Cover pictures are video streams of one frame.
        if not stream.disposition & av.stream.Disposition.attached_pic:
            break
    else:
        raise ClipError(f"{path.name}: has no picture stream (sound only?)")
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


def first_frame(container: Any, stream: Any, path: Path) -> Any:
    """Return the first frame that can be decoded; raises `ClipError`."""
    deadline = time.monotonic() + FIRST_FRAME_S
    for frame in decoded(container, stream, Tally(), FIRST_FRAME_PACKETS, deadline):
        return frame
    raise ClipError(
        f"{path.name}: not one frame of it can be decoded ({stream.codec_context.name})"
    )


def decoded(
    container: Any,
    stream: Any,
    tally: Tally,
    most_packets: float = math.inf,
    deadline: float = math.inf,
) -> Iterator[Any]:
    """Decode packet by packet, so that a damaged one costs itself and not the rest."""
    packets = container.demux(stream)
    taken = 0
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
            yield from _flush(stream, tally)
            return
        if packet.is_corrupt:
            tally.undecodable += 1
        try:
            pictures = packet.decode()
        except (av.error.FFmpegError, ValueError):
            tally.undecodable += 1
            continue
        for frame in pictures:
            tally.undecodable += bool(frame.is_corrupt)
            yield frame


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


def _seek(container: Any, stream: Any, seconds: float) -> None:
    # Where it cannot be done, reading goes on from where it is.
    if stream.time_base and 0 <= seconds / stream.time_base < 1 << 62:
        with contextlib.suppress(av.error.FFmpegError):
            container.seek(int(seconds / stream.time_base), stream=stream, backward=True)


def decoded_from(container: Any, stream: Any, seconds: float) -> Iterator[Any]:
    """Decode from a keyframe that is not later than a time of the file's own clock."""
    back_s = 0.0
    while True:
        _seek(container, stream, max(0.0, seconds - back_s))
        following = decoded(container, stream, Tally())
        first = next(following, None)
        time_s = None if first is None else time_s_of(first)
        # Transport streams have no index: there, seeking may end at the keyframe after.
        late = first is None or (time_s is not None and time_s > seconds + 1e-6)
        if not late or back_s >= seconds:
            break
        back_s = max(SEEK_BEYOND_S, 2 * back_s)
    if first is not None:
        yield first
        yield from following


def shown_at(container: Any, stream: Any, seconds: float, *, exact: bool = True) -> Any:
    """Return the frame shown at a time of the file's own clock; not `exact`: a keyframe before."""
    # Seek to the keyframe before, then go on to the last frame that is not later.
    best = None
    for frame in decoded_from(container, stream, seconds):
        time_s = time_s_of(frame)
        if best is not None and time_s is not None and time_s > seconds + 1e-6:
            break
        best = frame
        if not exact:
            break
    return best


def time_s_of(frame: Any) -> float | None:
    """Return a frame's time on the file's own clock, seconds; None where it has none."""
    if frame.pts is None or frame.time_base is None:
        return None
    return float(frame.pts * frame.time_base)


def rotation_of(frame: Any) -> int:
    """Return by how much a frame is turned for display: 0, 90, 180, 270 counter-clockwise."""
    return round((frame.rotation or 0) / 90) * 90 % 360


def declared_duration_s(container: Any, stream: Any) -> float | None:
    """Return the duration that the header declares, seconds; None where it proves nothing."""
    if container.format.name in ("mpegts", "mpeg", "flv"):
        return None  # libavformat estimates it from the file's end: it proves nothing
    if stream.duration and stream.time_base:
        return float(stream.duration * stream.time_base)
    if container.duration:
        return float(container.duration) / float(av.time_base)
    return None
