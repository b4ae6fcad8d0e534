"""Pictures of a clip as they are shown, scaled, without a way through RGB: for films."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from extractor.errors import ClipError
from extractor.video import decoding
from extractor.video.clips import Clip, Line
from extractor.video.crops import rows_of
from extractor.video.decoding import Tally

Planes = tuple[npt.NDArray[np.uint8], ...]
"""Y, and Cb and Cr at half resolution, limited range."""


def scaled(
    clip: Clip, width: int, height: int, times_s: Iterable[float], *, threads: int = 1
) -> Iterator[Planes]:
    """Yield the picture shown at each of some times, scaled, as it is displayed.

    Only what is shown is scaled, and nothing is converted to RGB: for films.

    Parameters
    ----------
    clip : Clip
        From `probe`.
    width, height : int
        Pixels, even.
    times_s : iterable of float
        Seconds after the first frame, rising; past the end the last picture is given again.
    threads : int
        Threads of the decoder.

    Raises
    ------
    ClipError
        If the clip cannot be opened or has no picture at all.
    """
    found: Planes | None = None
    shown: Any = None
    decoded = _frames(clip, threads)
    ahead_s, ahead = next(decoded, (0.0, None))
    for time_s in times_s:
        while ahead is not None and (shown is None or ahead_s <= time_s + 1e-6):
            shown, found = ahead, None
            ahead_s, ahead = next(decoded, (0.0, None))
        if shown is None:
            raise ClipError(f"{clip.path.name}: no frame can be decoded")
        found = found or _planes(shown, clip, width, height)
        yield found


def pictures(clip: Clip, width: int, height: int) -> Iterator[tuple[float, Planes]]:
    """Yield every picture with its time; see `scaled`."""
    for time_s, frame in _frames(clip, threads=0):
        yield time_s, _planes(frame, clip, width, height)


def _frames(clip: Clip, threads: int) -> Iterator[tuple[float, Any]]:
    with decoding.opened_stream(clip.path, threaded=threads != 1) as stream:
        stream.codec_context.thread_count = threads
        tally = Tally()
        line = Line(tally, 0.0, keyframes_only=False)
        for frame in filter(line.take, decoding.decoded(stream, tally)):
            yield line.time_s, frame


def _planes(frame: Any, clip: Clip, width: int, height: int) -> Planes:
    turns = clip.rotation // 90
    size = (height, width) if turns % 2 else (width, height)
    full = {"src_color_range": 2, "dst_color_range": 1} if clip.colour.full else {}
    if (frame.width, frame.height, frame.format.name) != (*size, "yuv420p") or full:
        frame = frame.reformat(*size, "yuv420p", interpolation="AREA", **full)
    parts = (
        rows_of(plane, np.uint8)[:, : size[0] // step]
        for plane, step in zip(frame.planes, (1, 2, 2), strict=True)
    )
    return tuple(np.rot90(part, turns) if turns else part for part in parts)
