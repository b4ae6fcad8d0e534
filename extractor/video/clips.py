"""Clips: probing, and frames with their own timestamps. The only video decoding."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import av
import numpy as np
import numpy.typing as npt

from extractor.errors import ClipError
from extractor.session.overlay import Box
from extractor.video import decoding, integrity, intervals
from extractor.video.continuity import BACK_S, HOLE_S, is_hole, usual_step_s
from extractor.video.crops import Colour, colour_of, rgb
from extractor.video.cutting import Cutter, Frame
from extractor.video.decoding import Tally

#: The declared duration and the last frame's end may differ by this without anything missing:
#: containers round, and sound may run on after the picture.
DURATION_SLACK_S = 0.5
#: So many jumps, holes and damaged places of a clip are named; the others are counted.
MOST_REMARKS = 3

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
    colour: Colour
    created: str = ""
    """When it was made, as the file says it, ISO 8601; from a clock that may be wrong."""


def probe(path: Path) -> Clip:
    """Open a clip and read its header and first frame.

    Raises
    ------
    ClipError
        If it is no video, has no picture stream, or not one frame can be decoded.
    """
    with decoding.opened_stream(path) as stream:
        first = decoding.first_frame(path, stream)
        rotation = round((first.rotation or 0) / 90) * 90 % 360
        turned = rotation in (90, 270)
        rate = stream.average_rate or stream.guessed_rate
        return Clip(
            path=path,
            width=first.height if turned else first.width,
            height=first.width if turned else first.height,
            rotation=rotation,
            codec=stream.codec_context.name,
            frame_rate_hz=float(rate) if rate else None,
            declared_duration_s=decoding.declared_duration_s(stream),
            length_s=decoding.length_s(stream.container),
            created=(stream.metadata | stream.container.metadata).get("creation_time", ""),
            colour=colour_of(first),
        )


def length_s(path: Path) -> float | None:
    """Return about how long a clip is, from its header alone; None if that says nothing."""
    try:
        with decoding.opened(path) as container:
            return decoding.length_s(container)
    except ClipError:
        return None


def frames(
    clip: Clip,
    boxes: Sequence[Box],
    tally: Tally,
    *,
    keyframes_only: bool = False,
    sampled_hz: float = math.inf,
    thumbs: bool = False,
    threads: int = 1,
) -> Iterator[Frame]:
    """Decode a clip and yield every decoded frame's time and crops, in order of display.

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
    sampled_hz : float
        Leave out frames that no other is made from and that are not the first at or after an
        instant of so many a second (see `sample_of`), until `tally.every` is set.
    thumbs : bool
        Fill `Frame.thumb` (not with `keyframes_only`).
    threads : int
        Threads of the decoder.

    Raises
    ------
    ClipError
        If the clip cannot be opened, or its frames change size so that the boxes no longer fit.
    """
    cutter = Cutter(clip, boxes, thumbs=thumbs)
    with (
        decoding.opened_stream(clip.path, threaded=threads > 1) as stream,
        # Where every frame is kept, as many would be kept of two intervals: too much memory.
        intervals.opened(
            clip.path, stream, threads if math.isfinite(sampled_hz) else 1, cutter.keep
        ) as several,
    ):
        stream.codec_context.thread_count = threads
        if keyframes_only:
            stream.codec_context.skip_frame = "NONKEY"
        step_s = 1 / clip.frame_rate_hz if clip.frame_rate_hz else 0.0
        line = Line(tally, step_s, keyframes_only=keyframes_only)
        # Where no more than this is left out it can't be taken for a hole in the recording.
        grid_hz = sampled_hz * max(1, math.ceil(2 / HOLE_S / sampled_hz))

        def needed(at_s: float) -> bool:
            first_s = tally.first_pts_s
            time_s = at_s - (tally.clock.first_s if math.isnan(first_s) else first_s)
            before_s = time_s - tally.clock.step_s
            return math.isinf(time_s) or sample_of(time_s, grid_hz) > sample_of(before_s, grid_hz)

        sparing = needed if math.isfinite(sampled_hz) else None
        for decoded in decoding.decoded(stream, tally, needed=sparing, several=several):
            tally.decoded += 1
            if not line.take(decoded):
                continue
            # Of an interlaced frame a field might be left out.
            tally.every |= bool(decoded.interlaced_frame)
            frame = cutter.cut(decoded, line.time_s)
            yield replace(frame, spoilt=line.spoilt, fresh=line.fresh)
        if keyframes_only and tally.decoded:
            # Where it ends, and where nothing is, only the packets say: keyframes are far apart.
            first_s = tally.first_pts_s
            tally.end_s = max(tally.end_s, tally.clock.end_s - first_s)
            tally.holes = [(a - first_s, b - first_s) for a, b in tally.clock.holes]


def sample_of(time_s: float, rate_hz: float) -> int:
    """Return the number of the last instant, of so many a second, that a time has reached."""
    # The tolerance keeps rounded timestamps (1/1000 s in Matroska) on their instant.
    return math.floor(time_s * rate_hz + 1e-2)


class Line:
    """Puts decoded frames in a line: their times from the first, what is missing in between."""

    def __init__(self, tally: Tally, step_s: float, *, keyframes_only: bool) -> None:
        self._tally = tally
        self._gaps_count = not keyframes_only
        self._step_s = step_s
        self._jumps = 0
        self.time_s = -math.inf
        self.spoilt = self.fresh = False

    def take(self, frame: av.VideoFrame) -> bool:
        """Take the next frame; False where it does not lie after the one before."""
        tally = self._tally
        seconds = decoding.time_s_of(frame) or 0.0
        if math.isnan(tally.first_pts_s):
            # What an edit leaves of a keyframe interval is shown, though its keyframe is not.
            shown_s = seconds if self._gaps_count else tally.clock.first_s
            tally.first_pts_s = min(seconds, shown_s)
        time_s = seconds - tally.first_pts_s
        gap_s = time_s - self.time_s
        if gap_s <= 0:
            tally.out_of_order += 1
            return False
        spoilt = tally.damage.spoils(frame, seconds)
        hole = self._gaps_count and math.isfinite(gap_s) and is_hole(gap_s, self._step_s)
        if hole:
            tally.holes.append((self.time_s + self._step_s, time_s))
        if spoilt:
            first_s = tally.spoilt.pop()[0] if self.spoilt else time_s
            tally.spoilt.append((first_s, time_s))
        jumps = sum(at_s <= seconds + 1e-6 for at_s, _ in tally.clock.jumps)
        self.fresh = hole or spoilt != self.spoilt or jumps > self._jumps
        duration_s = float((frame.duration or 0) * (frame.time_base or 0))
        self._step_s = usual_step_s(self._step_s, duration_s or gap_s)
        self.time_s, self.spoilt, self._jumps = time_s, spoilt, jumps
        tally.end_s = time_s + (duration_s or self._step_s)
        return True


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
        RGB, turned as displayed.

    Raises
    ------
    ClipError
        If no frame can be decoded, or it has another size than the first.
    """
    frame = next(at_times(clip, [Box(0, 0, clip.width, clip.height)], [at_s]))
    return frame.time_s, rgb(frame.crops[0], clip.colour)


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
    cutter = Cutter(clip, boxes, thumbs=False)
    with decoding.opened_stream(clip.path, threaded=True) as stream:
        first = decoding.first_time_s(clip.path, stream)
        wanted = [first + time_s for time_s in sorted(times_s)]
        for time_s, decoded in zip(wanted, _shown(clip.path, stream, wanted), strict=True):
            if decoded is None:
                at_s = time_s - first
                raise ClipError(f"{clip.path.name}: no frame can be decoded at {at_s:g} s")
            yield cutter.cut(decoded, (decoding.time_s_of(decoded) or first) - first)


def _shown(path: Path, stream: Any, times_s: Sequence[float]) -> Iterator[Any]:
    """Yield the decoded frame shown at each of some rising times of the clip's own clock."""
    decoded: Iterator[Any] = iter(())
    best: Any = None
    ahead: Any = None
    for time_s in times_s:
        wanted = time_s + 1e-6  # times that went through a table are rounded
        reached = None if best is None else decoding.time_s_of(best)
        if reached is None or not reached <= wanted <= reached + decoding.SEEK_BEYOND_S:
            best = ahead = None
            decoded = decoding.decoded_from(path, stream, wanted)
        while (frame := ahead or next(decoded, None)) is not None:
            ahead = None
            if best is not None and (decoding.time_s_of(frame) or 0.0) > wanted:
                ahead = frame
                break
            best = frame
        yield best


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
    cutter = Cutter(clip, boxes, thumbs=False)
    found: dict[float, Frame] = {}
    with decoding.opened_stream(clip.path, threaded=exact) as stream:
        first = decoding.first_time_s(clip.path, stream)
        length_s = decoding.unsteady_length_s(clip.path, stream)
        step_s = (length_s or clip.length_s or 0.0) / count
        wanted = [first + (i + 0.5) * step_s for i in range(count)]
        before = (next(decoding.decoded_from(clip.path, stream, at_s), None) for at_s in wanted)
        for decoded in _shown(clip.path, stream, wanted) if exact else before:
            if decoded is not None:
                frame = cutter.cut(decoded, (decoding.time_s_of(decoded) or first) - first)
                found.setdefault(frame.time_s, frame)
    if not found:
        raise ClipError(f"{clip.path.name}: not one frame of it can be decoded ({clip.codec})")
    return [found[t] for t in sorted(found)]


def completeness(clip: Clip, tally: Tally) -> Completeness:
    """Judge, after decoding, whether the clip was recorded to its end."""
    if tally.read_error:
        return "no"
    structure = integrity.state(clip.path)
    if structure == "cut":
        return "no"
    if clip.declared_duration_s is not None:
        # The header counts by the file's own clock.
        missing = clip.declared_duration_s - (tally.end_s - tally.clock.shift_s)
        return "no" if missing > DURATION_SLACK_S else "yes"
    return "yes" if structure == "whole" else "unknown"


def remarks(clip: Clip, tally: Tally) -> list[str]:
    """Say, after decoding, what was odd about a clip's time and pictures; whole sentences.

    Raises
    ------
    OSError
        If the file cannot be read any more.
    """
    found = [
        f"At {at_s - tally.first_pts_s:.1f} s the recording's own clock goes "
        f"{'back' if by_s < 0 else 'ahead'} by {abs(by_s):.1f} s (recordings joined, or a clock "
        "that was set); what follows is counted on from there."
        for at_s, by_s in tally.clock.jumps[:MOST_REMARKS]
    ]
    if more := len(tally.clock.jumps) - len(found):
        found.append(f"The recording's own clock jumps {more} more times.")
    if tally.first_pts_s < -BACK_S:
        found.append(
            f"It begins {-tally.first_pts_s:.1f} s before the zero of its own clock; players may "
            "skip that, here it is read and times count from its first picture."
        )
    if tally.holes:
        found.append(f"Nothing was recorded {_spans(tally.holes)}; that time counts as not read.")
    if tally.spoilt:
        found.append(
            f"Data are damaged or missing, so the picture cannot be believed "
            f"{_spans(tally.spoilt)}; nothing is read there."
        )
    if tally.out_of_order:
        found.append(
            f"{tally.out_of_order} pictures lie before the one ahead of them and are left out."
        )
    count, readable = integrity.recordings(clip.path)
    if count > readable:
        found.append(
            f"The file holds {count} recordings joined end to end; only the first "
            f"{f'{readable} ' if readable > 1 else ''}can be read. "
            "Split it, or join them with a program that knows the format."
        )
    return found


def _spans(spans: Sequence[tuple[float, float]]) -> str:
    named = [f"from {begin:.1f} to {end:.1f} s" for begin, end in spans[:MOST_REMARKS]]
    more = len(spans) - len(named)
    return ", ".join(named) + (f" and {more} more times" if more else "")
