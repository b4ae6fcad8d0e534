"""Frames -> a video file, with the timing and the container trap that the clip plans."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from .plan import FRAME_SIZE, Clip
from .series import frame_times

TICK = Fraction(1, 90000)
"""Time base of the encoder and, where the container allows it, of the file, seconds."""
KEYFRAME_S = 3
"""A keyframe stands at least this often, seconds."""


def write_clip(clip: Clip, frames: Iterable[np.ndarray], path: Path) -> None:
    """Encode the RGB frames of one clip to `path`, then cut it where the plan says so."""
    options = {"movflags": "frag_keyframe+empty_moov+default_base_moof"} if clip.keep_frames else {}
    kinds = {"mp4": "mp4", "mkv": "matroska", "ts": "mpegts"}
    with av.open(str(path), "w", format=kinds[clip.suffix], options=options) as container:
        stream = _stream(container, clip)
        for time, pixels in zip(frame_times(clip), frames, strict=True):
            frame = av.VideoFrame.from_ndarray(pixels, format="rgb24")
            frame = frame.reformat(format="yuv420p", dst_colorspace="ITU709")
            frame.pts = round((time + Fraction(clip.first_s)) / TICK)
            frame.time_base = TICK
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    if clip.keep_frames:
        _cut(path, clip.keep_frames)


def _stream(container, clip: Clip):
    """Add the video stream: one thread, so that every machine writes the same bytes."""
    if clip.codec == "libx265":
        options = {"preset": "medium", "x265-params": "log-level=none:pools=none:frame-threads=1"}
    else:
        options = {"preset": "slow", "x264-params": "psy=0"}
    options["crf"] = str(clip.quality)
    if clip.keep_frames:
        options["bf"] = "0"
    stream = container.add_stream(clip.codec, rate=clip.rate, options=options)
    stream.width, stream.height = FRAME_SIZE
    stream.pix_fmt = "yuv420p"
    stream.codec_context.thread_count = 1
    stream.codec_context.time_base = TICK
    stream.codec_context.gop_size = round(KEYFRAME_S * clip.rate)
    stream.codec_context.colorspace = 1
    stream.codec_context.color_primaries = 1
    stream.codec_context.color_trc = 1
    stream.codec_context.color_range = 1
    stream.time_base = TICK
    if clip.codec == "libx265":
        stream.codec_context.codec_tag = "hvc1"
    return stream


def _cut(path: Path, keep_frames: int) -> None:
    """Cut the file in the middle of the frame that follows the first `keep_frames`."""
    with av.open(str(path)) as container:
        packets = [p for p in container.demux(video=0) if p.size]
        next_one = packets[keep_frames]
        end = next_one.pos + next_one.size // 2
    path.write_bytes(path.read_bytes()[:end])
