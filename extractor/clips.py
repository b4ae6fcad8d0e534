"""Clips: probing, and frames with their own timestamps. The only video decoding."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import av
import numpy as np
import numpy.typing as npt

from extractor import containers, decoding
from extractor.decoding import Tally
from extractor.errors import ClipError
from extractor.overlay import Box
from extractor.planes import PLANAR, crop, rows_of
from extractor.readers.base import Crop

#: The declared duration and the last frame's end may differ by this without anything missing:
#: containers round, and sound may run on after the picture.
DURATION_SLACK_S = 0.5
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
    with decoding.opened(path) as container:
        stream = decoding.picture_stream(container, path)
        stream.thread_type = "NONE"
        first = decoding.first_frame(container, stream, path)
        rotation = decoding.rotation_of(first)
        turned = rotation in (90, 270)
        rate = stream.average_rate or stream.guessed_rate
        return Clip(
            path=path,
            width=first.height if turned else first.width,
            height=first.width if turned else first.height,
            rotation=rotation,
            codec=stream.codec_context.name,
            frame_rate_hz=float(rate) if rate else None,
            declared_duration_s=decoding.declared_duration_s(container, stream),
            length_s=float(container.duration) / float(av.time_base)
            if container.duration
            else None,
        )


def length_s(path: Path) -> float | None:
    """Return about how long a clip is, from its header alone; None if that says nothing."""
    try:
        with decoding.opened(path) as container:
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
    with decoding.opened(clip.path) as container:
        stream = decoding.picture_stream(container, clip.path)
        stream.thread_type = "AUTO" if threads > 1 else "NONE"
        stream.codec_context.thread_count = threads
        if keyframes_only:
            stream.codec_context.skip_frame = "NONKEY"
        cutter = _Cutter(clip, boxes, thumbs=thumbs)
        previous_s = -math.inf
        step_s = 1 / clip.frame_rate_hz if clip.frame_rate_hz else 0.0
        for decoded in decoding.decoded(container, stream, tally):
            tally.decoded += 1
            seconds = decoding.time_s_of(decoded)
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
    with decoding.opened(clip.path) as container:
        stream = decoding.picture_stream(container, clip.path)
        stream.thread_type = "AUTO"
        first = decoding.time_s_of(decoding.first_frame(container, stream, clip.path)) or 0.0
        best = decoding.shown_at(container, stream, first + at_s)
        if best is None:
            raise ClipError(f"{clip.path.name}: no frame can be decoded at {at_s:g} s")
        image = best.to_ndarray(format="bgr24")
        return (decoding.time_s_of(best) or 0.0) - first, np.rot90(image, clip.rotation // 90)


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
    with decoding.opened(clip.path) as container:
        stream = decoding.picture_stream(container, clip.path)
        stream.thread_type = "AUTO"
        first = decoding.time_s_of(decoding.first_frame(container, stream, clip.path)) or 0.0
        decoded: Iterator[Any] = iter(())
        best: Any = None
        ahead: Any = None
        for time_s in sorted(times_s):
            wanted = first + time_s + 1e-6  # times that went through a table are rounded
            reached = None if best is None else decoding.time_s_of(best)
            if reached is None or not reached <= wanted <= reached + decoding.SEEK_BEYOND_S:
                best = ahead = None
                decoded = decoding.decoded_from(container, stream, wanted)
            while (frame := ahead or next(decoded, None)) is not None:
                ahead = None
                if best is not None and (decoding.time_s_of(frame) or 0.0) > wanted:
                    ahead = frame
                    break
                best = frame
            if best is None:
                raise ClipError(f"{clip.path.name}: no frame can be decoded at {time_s:g} s")
            yield cutter.cut(best, (decoding.time_s_of(best) or first) - first)


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
    with decoding.opened(clip.path) as container:
        stream = decoding.picture_stream(container, clip.path)
        stream.thread_type = "AUTO" if exact else "NONE"
        first = decoding.time_s_of(decoding.first_frame(container, stream, clip.path)) or 0.0
        for i in range(count):
            wanted = first + (i + 0.5) / count * (clip.length_s or 0.0)
            decoded = decoding.shown_at(container, stream, wanted, exact=exact)
            if decoded is not None:
                frame = cutter.cut(decoded, (decoding.time_s_of(decoded) or first) - first)
                found.setdefault(frame.time_s, frame)
    if not found:
        raise ClipError(f"{clip.path.name}: not one frame of it can be decoded ({clip.codec})")
    return [found[t] for t in sorted(found)]


def frame_at(clip: Clip, boxes: Sequence[Box], at_s: float) -> Frame | None:
    """Return the crops of the frame shown at a time; past the end, of the last frame.

    Parameters and errors as in `frames`; `at_s` counts seconds from the first frame.
    """
    cutter = _Cutter(clip, boxes, thumbs=False)
    with decoding.opened(clip.path) as container:
        stream = decoding.picture_stream(container, clip.path)
        stream.thread_type = "AUTO"
        first = decoding.time_s_of(decoding.first_frame(container, stream, clip.path)) or 0.0
        decoded = decoding.shown_at(container, stream, first + at_s)
        return (
            cutter.cut(decoded, (decoding.time_s_of(decoded) or first) - first) if decoded else None
        )


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
        if form not in PLANAR:
            frame, form = frame.reformat(format="gray"), "gray"
        shift = PLANAR[form][2]
        rows = rows_of(frame.planes[0], np.uint16 if shift else np.uint8)
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
