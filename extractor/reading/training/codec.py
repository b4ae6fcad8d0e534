"""Sends frames through real video encoders and back."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

import av
import cv2
import numpy as np
import numpy.typing as npt

#: uint8, shape (height * 3 / 2, width): Y over the two quarter-size colour planes.
Planes = npt.NDArray[np.uint8]

#: One thread each, and no tree of macroblocks: x264 weighs it by values that differ from run to
#: run in clips as short as these, so that one seed gave several pictures.
_OPTIONS = {
    "libx264": {"threads": "1", "x264-params": "mbtree=0"},
    "libx265": {"x265-params": "log-level=none:pools=1:frame-threads=1"},
}
_STREAMS = {"libx264": "h264", "libx265": "hevc"}


def through_codec(
    frames: Sequence[Planes], severity: int, rng: np.random.Generator
) -> list[Planes]:
    """Encode and decode frames, 4:2:0, with a coder and quality drawn from `rng`.

    Two of three go through H.264, the others through HEVC, JPEG, or stay as they are.
    Quality runs from good (constant rate factor 18) to poor (41).
    """
    kind = rng.random()
    quality = int(rng.integers(*((17, 28), (22, 35), (28, 42))[severity]))
    if kind < 0.68:
        preset = str(rng.choice(["ultrafast", "superfast", "veryfast"]))
        return _video("libx264", frames, {"crf": str(quality), "preset": preset})
    if kind < 0.84:
        return _video("libx265", frames, {"crf": str(quality), "preset": "ultrafast"})
    if kind < 0.92:
        return [
            _jpeg(frame, int(rng.integers(75 - 30 * severity, 95 - 25 * severity)))
            for frame in frames
        ]
    return list(frames)


def _video(coder: str, frames: Sequence[Planes], options: dict[str, str]) -> list[Planes]:
    height, width = frames[0].shape[0] * 2 // 3, frames[0].shape[1]
    buffer = io.BytesIO()
    # An elementary stream: a container would refuse the order of so short a one.
    with av.open(buffer, "w", format=_STREAMS[coder]) as container:
        stream: Any = container.add_stream(coder, rate=30, options=_OPTIONS[coder] | options)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        for frame in frames:
            picture = av.VideoFrame.from_ndarray(frame, format="yuv420p")
            container.mux(stream.encode(picture))
        container.mux(stream.encode())
    buffer.seek(0)
    with av.open(buffer, "r", format=_STREAMS[coder]) as container:
        container.streams.video[0].codec_context.thread_count = 1
        decoded = container.decode(video=0)
        return [np.asarray(frame.to_ndarray(format="yuv420p"), np.uint8) for frame in decoded]


def _jpeg(frame: Planes, quality: int) -> Planes:
    picture = cv2.cvtColor(frame, cv2.COLOR_YUV2BGR_I420)
    _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])
    decoded = cv2.imdecode(data, cv2.IMREAD_COLOR)
    assert decoded is not None  # its own encoder's output
    return np.asarray(cv2.cvtColor(decoded, cv2.COLOR_BGR2YUV_I420), dtype=np.uint8)


def to_planes(picture: npt.NDArray[np.uint8]) -> Planes:
    """Return an RGB picture of even size as limited-range 4:2:0 planes."""
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_RGB2YUV_I420), dtype=np.uint8)


def full_resolution(planes: Planes, smooth: bool) -> npt.NDArray[np.uint8]:
    """Return Y, Cb, Cr of every pixel, shape (height, width, 3)."""
    height, width = planes.shape[0] * 2 // 3, planes.shape[1]
    colour = planes[height:].reshape(2, height // 2, width // 2)
    how = cv2.INTER_LINEAR if smooth else cv2.INTER_NEAREST
    full = [cv2.resize(plane, (width, height), interpolation=how) for plane in colour]
    return np.dstack([planes[:height], *full])
