"""Recordings with a creation time, as a recorder leaves them."""

from __future__ import annotations

import os
from datetime import UTC, datetime

import av
import numpy as np

START = datetime(2024, 5, 4, 10, 0, tzinfo=UTC)


def record(path, created=None, seconds=2.0, size=(64, 48), title="x"):
    """A grey clip of a few frames with a creation time, modified at that time."""
    with av.open(str(path), "w") as container:
        container.metadata["title"] = title
        if created is not None:
            container.metadata["creation_time"] = created.isoformat()
        stream = container.add_stream("libx264", rate=5)
        stream.width, stream.height = size
        stream.pix_fmt = "yuv420p"
        for i in range(round(seconds * 5)):
            picture = np.full((size[1], size[0], 3), 40 + i, np.uint8)
            for packet in stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
    if created is not None:
        os.utime(path, (created.timestamp(), created.timestamp()))
