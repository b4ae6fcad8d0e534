"""Clips: probing, and frames with their own timestamps. The only video decoding."""

from __future__ import annotations

import contextlib
import math
import stat
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import av
import numpy as np
import numpy.typing as npt

from extractor import containers
from extractor.errors import ClipError
from extractor.overlay import Box
from extractor.readers.base import Crop

#: A header that asks for more is damage or malice, not a goggle's screen. The largest picture of
#: the highest levels: ITU-T H.264 table A-1, 139,264 macroblocks; H.265 table A.8, MaxLumaPs.
MAX_PIXELS = 8192 * 4352
#: One step of reading a file (opening it, one packet, one seek) may take so long, seconds.
STEP_S = 4.0
#: A clip that gives no picture in so many packets, or so many seconds of trying, gives none.
FIRST_FRAME_PACKETS = 3000
FIRST_FRAME_S = 8.0
#: The declared duration and the last frame's end may differ by this without anything missing:
#: containers round, and sound may run on after the picture.
DURATION_SLACK_S = 0.5
#: A wanted time farther ahead than this is sought, not decoded up to: about a keyframe interval.
SEEK_BEYOND_S = 2.0
#: Every n-th pixel in both directions is looked at to judge whether the picture moves.
MOTION_STRIDE = 16

Completeness = Literal["yes", "no", "unknown"]


@dataclass(frozen=True, slots=True)
class Clip:
    """What is known of a clip before its frames are decoded."""

    path: Path
    width: int
    """Pixels, as displayed: after the rotation flag."""
    height: int
    rotation: int
    """Degrees counter-clockwise by which a decoded frame is turned for display: 0, 90, 180, 270."""
    codec: str
    frame_rate_hz: float | None
    """As the file says it, which may be wrong; for a progress bar, not for times."""
    declared_duration_s: float | None
    """As the container's header says it; None where it says nothing."""
    length_s: float | None
    """About how long it is, for progress and for looking here and there; may be estimated."""


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


@dataclass(frozen=True, slots=True)
class Frame:
    """One decoded frame, reduced to what the reading needs."""

    time_s: float
    """From the file's own presentation timestamps; the first frame is 0."""
    crops: tuple[Crop, ...]
    """One per box asked for, in that order."""
    thumb: npt.NDArray[np.uint8] | None = field(default=None, repr=False)
    """Sparse luma samples of the picture outside the boxes, shape (n,); None unless asked for."""


def probe(path: Path) -> Clip:
    """Open a clip and read its header and first frame.

    Raises
    ------
    ClipError
        If it is no video, has no picture stream, or not one frame can be decoded.
    """
    with _opened(path) as container:
        stream = _picture_stream(container, path)
        stream.thread_type = "NONE"
        first = _first_frame(container, stream, path)
        rotation = _rotation(first)
        turned = rotation in (90, 270)
        rate = stream.average_rate or stream.guessed_rate
        return Clip(
            path=path,
            width=first.height if turned else first.width,
            height=first.width if turned else first.height,
            rotation=rotation,
            codec=stream.codec_context.name,
            frame_rate_hz=float(rate) if rate else None,
            declared_duration_s=_declared_duration_s(container, stream),
            length_s=float(container.duration) / float(av.time_base)
            if container.duration
            else None,
        )


def length_s(path: Path) -> float | None:
    """Return about how long a clip is, from its header alone; None if that says nothing."""
    try:
        with _opened(path) as container:
            return float(container.duration) / float(av.time_base) if container.duration else None
    except ClipError:
        return None


def frames(
    clip: Clip,
    boxes: Sequence[Box],
    tally: Tally,
    *,
    keyframes_only: bool = False,
    thumbs: bool = False,
    threads: int = 1,
) -> Iterator[Frame]:
    """Decode a clip and yield every frame's time and crops, in order of display.

    A clip that was cut off is read to where it ends. Damage is counted in `tally`.

    Parameters
    ----------
    clip : Clip
        From `probe`.
    boxes : sequence of Box
        Rectangles in pixels of the displayed picture (after rotation); each must lie inside.
    tally : Tally
        Filled while the frames are taken.
    keyframes_only : bool
        Let the decoder skip everything else.
    thumbs : bool
        Fill `Frame.thumb` (not with `keyframes_only`).
    threads : int
        Threads of the decoder.

    Raises
    ------
    ClipError
        If the clip cannot be opened, or its frames change size so that the boxes no longer fit.
    """
    with _opened(clip.path) as container:
        stream = _picture_stream(container, clip.path)
        stream.thread_type = "AUTO" if threads > 1 else "NONE"
        stream.codec_context.thread_count = threads
        if keyframes_only:
            stream.codec_context.skip_frame = "NONKEY"
        cutter = _Cutter(clip, boxes, thumbs=thumbs)
        previous_s = -math.inf
        step_s = 1 / clip.frame_rate_hz if clip.frame_rate_hz else 0.0
        for decoded in _decoded(container, stream, tally):
            tally.decoded += 1
            seconds = _time_s(decoded)
            if seconds is None:
                seconds = previous_s + step_s if tally.decoded > 1 else 0.0
            if math.isnan(tally.first_pts_s):
                tally.first_pts_s = seconds
            if seconds <= previous_s:
                tally.out_of_order += 1
                continue
            if decoded.duration and decoded.time_base:
                step_s = float(decoded.duration * decoded.time_base)
            previous_s = seconds
            time_s = seconds - tally.first_pts_s
            tally.end_s = time_s + step_s
            yield cutter.cut(decoded, time_s)


def picture(clip: Clip, at_s: float) -> tuple[float, npt.NDArray[np.uint8]]:
    """Return the frame shown at a time, with its exact time.

    Parameters
    ----------
    clip : Clip
        From `probe`.
    at_s : float
        Seconds after the first frame; past the end, the last frame is given.

    Returns
    -------
    time_s : float
        The frame's own time, seconds after the first frame.
    image : array of uint8, shape (height, width, 3)
        BGR, turned as displayed.

    Raises
    ------
    ClipError
        If no frame can be decoded.
    """
    with _opened(clip.path) as container:
        stream = _picture_stream(container, clip.path)
        stream.thread_type = "AUTO"
        first = _time_s(_first_frame(container, stream, clip.path)) or 0.0
        best = _frame_at(container, stream, first + at_s)
        if best is None:
            raise ClipError(f"{clip.path.name}: no frame can be decoded at {at_s:g} s")
        image = best.to_ndarray(format="bgr24")
        return (_time_s(best) or 0.0) - first, np.rot90(image, clip.rotation // 90)


def at_times(clip: Clip, boxes: Sequence[Box], times_s: Sequence[float]) -> Iterator[Frame]:
    """Yield the frame shown at each of some times, in ascending order of time.

    Goes on decoding where the next time is near and seeks where it is far.

    Parameters
    ----------
    clip, boxes
        As in `frames`.
    times_s : sequence of float
        Seconds after the first frame; past the end, the last frame is given.

    Raises
    ------
    ClipError
        If the clip cannot be opened or no frame can be decoded there.
    """
    cutter = _Cutter(clip, boxes, thumbs=False)
    with _opened(clip.path) as container:
        stream = _picture_stream(container, clip.path)
        stream.thread_type = "AUTO"
        first = _time_s(_first_frame(container, stream, clip.path)) or 0.0
        decoded: Iterator[Any] = iter(())
        best: Any = None
        ahead: Any = None
        for time_s in sorted(times_s):
            wanted = first + time_s + 1e-6  # times that went through a table are rounded
            reached = None if best is None else _time_s(best)
            if reached is None or not reached <= wanted <= reached + SEEK_BEYOND_S:
                best = ahead = None
                decoded = _decoded_from(container, stream, wanted)
            while (frame := ahead or next(decoded, None)) is not None:
                ahead = None
                if best is not None and (_time_s(frame) or 0.0) > wanted:
                    ahead = frame
                    break
                best = frame
            if best is None:
                raise ClipError(f"{clip.path.name}: no frame can be decoded at {time_s:g} s")
            yield cutter.cut(best, (_time_s(best) or first) - first)


def glances(clip: Clip, boxes: Sequence[Box], count: int, *, exact: bool = False) -> list[Frame]:
    """Return the crops of a few frames spread evenly over a clip, without decoding it all.

    Parameters
    ----------
    clip, boxes
        As in `frames`.
    count : int
        How many instants; fewer frames come back where keyframes are rare.
    exact : bool
        Decode on from the keyframe to the very instant; slower where keyframes are rare.

    Raises
    ------
    ClipError
        If the clip cannot be opened or no frame can be decoded.
    """
    cutter = _Cutter(clip, boxes, thumbs=False)
    found: dict[float, Frame] = {}
    with _opened(clip.path) as container:
        stream = _picture_stream(container, clip.path)
        stream.thread_type = "AUTO" if exact else "NONE"
        first = _time_s(_first_frame(container, stream, clip.path)) or 0.0
        for i in range(count):
            wanted = first + (i + 0.5) / count * (clip.length_s or 0.0)
            decoded = _frame_at(container, stream, wanted, exact=exact)
            if decoded is not None:
                frame = cutter.cut(decoded, (_time_s(decoded) or first) - first)
                found.setdefault(frame.time_s, frame)
    if not found:
        raise ClipError(f"{clip.path.name}: not one frame of it can be decoded ({clip.codec})")
    return [found[t] for t in sorted(found)]


def frame_at(clip: Clip, boxes: Sequence[Box], at_s: float) -> Frame | None:
    """Return the crops of the frame shown at a time; past the end, of the last frame.

    Parameters and errors as in `frames`; `at_s` counts seconds from the first frame.
    """
    cutter = _Cutter(clip, boxes, thumbs=False)
    with _opened(clip.path) as container:
        stream = _picture_stream(container, clip.path)
        stream.thread_type = "AUTO"
        first = _time_s(_first_frame(container, stream, clip.path)) or 0.0
        decoded = _frame_at(container, stream, first + at_s)
        return cutter.cut(decoded, (_time_s(decoded) or first) - first) if decoded else None


def completeness(clip: Clip, tally: Tally) -> Completeness:
    """Judge, after decoding, whether the clip was recorded to its end."""
    if tally.read_error:
        return "no"
    structure = containers.state(clip.path)
    if structure == "cut":
        return "no"
    if clip.declared_duration_s is not None:
        missing = clip.declared_duration_s - tally.end_s
        return "no" if missing > DURATION_SLACK_S else "yes"
    return "yes" if structure == "whole" else "unknown"


def crop(frame: av.VideoFrame, box: Box) -> Crop:
    """Cut a rectangle out of the decoded planes, without converting the whole picture.

    Returns
    -------
    array of uint8, shape (box.height, box.width, 3)
        Y, Cb, Cr; the chroma of subsampled formats is repeated to full resolution.
    """
    form = frame.format.name
    if form not in _PLANAR:
        frame, form = frame.reformat(format="yuv444p"), "yuv444p"
    step_x, step_y, shift = _PLANAR[form]
    out = np.empty((box.height, box.width, 3), np.uint8)
    out[..., 0] = _cut(frame.planes[0], box, 1, 1, shift)
    if step_x == 0:
        out[..., 1:] = 128
    elif form == "nv12":
        pairs = _rows(frame.planes[1], np.uint8)
        pairs = pairs[:, : pairs.shape[1] // 2 * 2].reshape(pairs.shape[0], -1, 2)
        for channel in (0, 1):
            out[..., 1 + channel] = _sub(pairs[..., channel], box, 2, 2)
    else:
        for channel in (1, 2):
            out[..., channel] = _cut(frame.planes[channel], box, step_x, step_y, shift)
    return out


#: Pixel format: chroma step in x and y (0: no chroma), bits to drop to come to 8.
_PLANAR: dict[str, tuple[int, int, int]] = {
    **{f"yuv{j}420p": (2, 2, 0) for j in ("", "j")},
    **{f"yuv{j}422p": (2, 1, 0) for j in ("", "j")},
    **{f"yuv{j}444p": (1, 1, 0) for j in ("", "j")},
    **{f"yuv420p{bits}le": (2, 2, bits - 8) for bits in (10, 12)},
    **{f"yuv422p{bits}le": (2, 1, bits - 8) for bits in (10, 12)},
    "yuv411p": (4, 1, 0),
    "yuv410p": (4, 4, 0),
    "nv12": (2, 2, 0),
    "gray": (0, 0, 0),
}


def _rows(plane: Any, kind: Any) -> npt.NDArray[Any]:
    return np.frombuffer(plane, kind).reshape(plane.height, -1)


def _cut(plane: Any, box: Box, step_x: int, step_y: int, shift: int) -> npt.NDArray[np.uint8]:
    rows = _rows(plane, np.uint16 if shift else np.uint8)
    part = _sub(rows, box, step_x, step_y)
    return (part >> shift).astype(np.uint8) if shift else part


def _sub(rows: npt.NDArray[Any], box: Box, step_x: int, step_y: int) -> npt.NDArray[Any]:
    right, bottom = box.x + box.width, box.y + box.height
    if step_x == step_y == 1:
        return rows[box.y : bottom, box.x : right]
    left_c, top_c = box.x // step_x, box.y // step_y
    part = rows[top_c : -(-bottom // step_y), left_c : -(-right // step_x)]
    part = part.repeat(step_y, axis=0).repeat(step_x, axis=1)
    top, left = box.y - top_c * step_y, box.x - left_c * step_x
    return part[top : top + box.height, left : left + box.width]


class _Cutter:
    """Cuts the same rectangles out of every frame of one clip."""

    def __init__(self, clip: Clip, boxes: Sequence[Box], *, thumbs: bool) -> None:
        self._clip = clip
        turned = clip.rotation in (90, 270)
        self._stored = (clip.height, clip.width) if turned else (clip.width, clip.height)
        self._turns = clip.rotation // 90
        self._boxes = [_to_stored(b, clip) for b in boxes]
        self._outside = self._mask(self._boxes) if thumbs else None

    def cut(self, frame: av.VideoFrame, time_s: float) -> Frame:
        if (frame.width, frame.height) != self._stored:
            raise ClipError(
                f"{self._clip.path.name}: the picture changes from {self._stored[0]}x"
                f"{self._stored[1]} to {frame.width}x{frame.height} at {time_s:.2f} s; "
                "cut the recording there and mark the parts"
            )
        crops = tuple(
            np.ascontiguousarray(np.rot90(crop(frame, b), self._turns)) for b in self._boxes
        )
        return Frame(time_s, crops, self._thumb(frame) if self._outside is not None else None)

    def _mask(self, boxes: Sequence[Box]) -> npt.NDArray[np.bool_]:
        width, height = self._stored
        outside = np.ones((height, width), bool)
        for b in boxes:
            # Grown: loose or tight, what changes with the number is no movement of the scene.
            grown = Box(
                b.x - b.height, b.y - b.height, b.width + 2 * b.height, 3 * b.height
            ).clipped(width, height)
            outside[grown.y : grown.y + grown.height, grown.x : grown.x + grown.width] = False
        return outside[::MOTION_STRIDE, ::MOTION_STRIDE]

    def _thumb(self, frame: av.VideoFrame) -> npt.NDArray[np.uint8]:
        form = frame.format.name
        if form not in _PLANAR:
            frame, form = frame.reformat(format="gray"), "gray"
        shift = _PLANAR[form][2]
        rows = _rows(frame.planes[0], np.uint16 if shift else np.uint8)
        sparse = rows[: frame.height : MOTION_STRIDE, : frame.width : MOTION_STRIDE]
        values = sparse[self._outside]
        return (values >> shift).astype(np.uint8) if shift else values


def _to_stored(box: Box, clip: Clip) -> Box:
    # np.rot90 turns counter-clockwise; this is the way back for a rectangle.
    if clip.rotation == 90:
        return Box(clip.height - box.y - box.height, box.x, box.height, box.width)
    if clip.rotation == 180:
        return Box(
            clip.width - box.x - box.width, clip.height - box.y - box.height, box.width, box.height
        )
    if clip.rotation == 270:
        return Box(box.y, clip.width - box.x - box.width, box.height, box.width)
    return box


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[Any]:
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
            metadata_errors="ignore",
            timeout=STEP_S,
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


def _picture_stream(container: Any, path: Path) -> Any:
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


def _first_frame(container: Any, stream: Any, path: Path) -> Any:
    deadline = time.monotonic() + FIRST_FRAME_S
    for frame in _decoded(container, stream, Tally(), FIRST_FRAME_PACKETS, deadline):
        return frame
    raise ClipError(
        f"{path.name}: not one frame of it can be decoded ({stream.codec_context.name})"
    )


def _decoded(
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
            # The container cannot go on; what the decoder still holds is good.
            yield from _flush(stream, tally)
            return
        if packet.is_corrupt:
            tally.undecodable += 1
        try:
            decoded = packet.decode()
        except (av.error.FFmpegError, ValueError):
            tally.undecodable += 1
            continue
        for frame in decoded:
            tally.undecodable += bool(frame.is_corrupt)
            yield frame


def _why_not_read_on(error: Exception) -> str:
    if isinstance(error, av.error.ExitError):
        return (
            f"nothing more came within {STEP_S:g} s: damage, or a slow disk or network (then read "
            "it again with --again)"
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


def _decoded_from(container: Any, stream: Any, seconds: float) -> Iterator[Any]:
    """Decode from a keyframe that is not later than a time of the file's own clock."""
    back_s = 0.0
    while True:
        _seek(container, stream, max(0.0, seconds - back_s))
        decoded = _decoded(container, stream, Tally())
        first = next(decoded, None)
        time_s = None if first is None else _time_s(first)
        # Transport streams have no index: there, seeking may end at the keyframe after.
        late = first is None or (time_s is not None and time_s > seconds + 1e-6)
        if not late or back_s >= seconds:
            break
        back_s = max(SEEK_BEYOND_S, 2 * back_s)
    if first is not None:
        yield first
        yield from decoded


def _frame_at(container: Any, stream: Any, seconds: float, *, exact: bool = True) -> Any:
    # Seek to the keyframe before, then go on to the last frame that is not later.
    best = None
    for frame in _decoded_from(container, stream, seconds):
        time_s = _time_s(frame)
        if best is not None and time_s is not None and time_s > seconds + 1e-6:
            break
        best = frame
        if not exact:
            break
    return best


def _time_s(frame: Any) -> float | None:
    if frame.pts is None or frame.time_base is None:
        return None
    return float(frame.pts * frame.time_base)


def _rotation(frame: Any) -> int:
    return round((frame.rotation or 0) / 90) * 90 % 360


def _declared_duration_s(container: Any, stream: Any) -> float | None:
    if container.format.name in ("mpegts", "mpeg", "flv"):
        return None  # libavformat estimates it from the file's end: it proves nothing
    if stream.duration and stream.time_base:
        return float(stream.duration * stream.time_base)
    if container.duration:
        return float(container.duration) / float(av.time_base)
    return None
