"""The frames of a clip in stretches that are decoded and read as a whole, one behind the other."""

from __future__ import annotations

import math
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

from extractor.reading.temporal_evidence import Stretch
from extractor.video import clips

#: Bytes of the crops of one stretch, while as many are decoded: bounds the memory whatever the
#: length of the clip.
CHUNK_BYTES = 6 << 20


def stretches(stream: Iterator[clips.Frame], rate_hz: float, batch: int) -> Iterator[Stretch]:
    """Cut the stream into stretches; each begins with the last sampled frame of the one before.

    That first frame is not a sample of the new stretch; it is there to search from. Where a
    frame does not follow the one before (`Frame.fresh`) there is nothing to search from, and a
    stretch begins with a sample.
    """
    stretch = Stretch()
    due = 0
    for frame in stream:
        sampled = math.isinf(rate_hz) or clips.sample_of(frame.time_s, rate_hz) >= due
        if sampled and not math.isinf(rate_hz):
            due = clips.sample_of(frame.time_s, rate_hz) + 1
        if frame.fresh:
            if stretch.samples:
                yield stretch
            stretch = Stretch()
        if stretch.frames or sampled:
            stretch.add(frame, sampled=sampled)
        if sampled and (len(stretch.samples) >= batch or stretch.bytes >= CHUNK_BYTES):
            yield stretch
            stretch = Stretch()
            stretch.add(frame, sampled=False)
    if stretch.samples:
        yield stretch


def ahead(coming_up: Iterator[Stretch], tally: clips.Tally) -> Iterator[Stretch]:
    """Let a thread decode the next stretch while one is read; neither holds Python's lock."""
    with ThreadPoolExecutor(1) as decoder:
        coming = decoder.submit(next, coming_up, None)
        while (stretch := coming.result()) is not None:
            # Here and nowhere else: what is decoded must not depend on which of both is faster.
            tally.every |= tally.wanted
            coming = decoder.submit(next, coming_up, None)
            yield stretch
