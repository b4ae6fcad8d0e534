"""Writing H.264 films: the one place that encodes video."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt

from extractor.session.atomic import replacing_path

Picture = npt.NDArray[np.uint8]
#: Times are kept to this, seconds.
TICK = Fraction(1, 90_000)


Add = Callable[[Picture, float], None]
"""Adds one picture to a film: planes Y, then U and V at half resolution, as `yuv420` gives, array
of uint8, shape (height * 3 // 2, width); and when it is shown, seconds, which must rise."""


@contextmanager
def film(
    path: Path, width: int, height: int, rate_hz: float, *, quality: int = 20
) -> Iterator[Add]:
    """Write an MP4 with one H.264 stream and no sound; it replaces `path` when all went well.

    Parameters
    ----------
    path : Path
        Its folder is made when missing.
    width, height : int
        Pixels, even.
    rate_hz : float
        Said in the header; each picture has a time of its own.
    quality : int
        Constant rate factor of the encoder: lower is better and larger.

    Raises
    ------
    StorageError
        If it cannot be written; what stood there before still stands.
    """
    with replacing_path(path, suffix=".mp4") as temporary:
        options = {"movflags": "+faststart"}
        with av.open(str(temporary), "w", format="mp4", options=options) as container:
            stream = container.add_stream("libx264", rate=Fraction(rate_hz).limit_denominator(1001))
            stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
            stream.time_base = stream.codec_context.time_base = TICK
            stream.options = {"preset": "veryfast", "crf": str(quality)}
            last = -1

            def add(planes: Picture, time_s: float) -> None:
                nonlocal last
                last = max(round(time_s / TICK), last + 1)
                frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
                frame.pts, frame.time_base = last, TICK
                container.mux(stream.encode(frame))

            yield add
            container.mux(stream.encode(None))


def yuv420(rgb: Picture) -> Picture:
    """Return an RGB picture of even sides as planes Y, U, V (BT.601, limited range)."""
    import cv2

    return np.asarray(cv2.cvtColor(np.ascontiguousarray(rgb), cv2.COLOR_RGB2YUV_I420))


def even(value: float) -> int:
    """Return the nearest even number, at least 2."""
    return max(2, round(value / 2) * 2)
