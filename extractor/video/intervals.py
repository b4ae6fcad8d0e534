"""Decoding two keyframe intervals at once: each stands by itself, so each has its own decoder.

A decoder with two threads keeps 1.4 of two cores busy, since each picture waits for rows of the
one before; two intervals wait for nothing of each other.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from itertools import islice
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import av

from extractor.video import decoding
from extractor.video.h264 import FrameNumbers

#: Intervals decoded at once: more take memory, and recognition does not keep up with them.
AT_ONCE = 2
#: Pictures and bytes of an interval that wait; a longer one is decoded as it comes. What the reader
#: asks for (`Tally.wanted`) is heeded so much later.
MOST_PACKETS, MOST_BYTES = 150, 8 << 20

Waiting = tuple[Any, str, float]
"""A packet, what the decoder may skip of it, and its time on the clock that runs on."""


class Picture(SimpleNamespace):
    """What is left of a decoded frame once it is cut: frames are too large to be kept.

    It has those attributes of a frame that are asked for, and `parts`, what `Intervals` was told
    to keep.
    """


_KEPT = (
    *("pts", "dts", "time_base", "duration", "width", "height", "pict_type"),
    *("is_corrupt", "key_frame", "interlaced_frame"),
)


class Intervals:
    """Takes packets in their order and gives pictures in theirs, some intervals later."""

    def __init__(
        self, own: Any, others: list[Any], numbers: FrameNumbers, keep: Callable[[Any], Any]
    ) -> None:
        # Each decoder keeps to its thread, and what it holds to that thread's part of the memory.
        self._own, self._others = own, deque((ThreadPoolExecutor(1), one) for one in others)
        self._numbers, self._keep = numbers, keep
        self._waiting: list[Waiting] = []
        self._bytes = 0
        self._coming: deque[Future[tuple[list[Picture], list[float]]]] = deque()
        self._long = False

    def decode(
        self, packet: Any, skip: str, at_s: float, tally: decoding.Tally
    ) -> Iterator[Picture]:
        """Take a packet, the empty one at the end too; return what is decoded by now, once.

        Packets that cannot be decoded are told to `tally`.
        """
        found: list[Picture] = []
        if not packet.size or self._numbers.alone(packet):
            if self._long:
                found += self._taken(self._decoded(self._own, [], ends=True), tally)
            elif self._waiting:
                thread, context = self._others[0]
                self._others.rotate()
                self._coming.append(thread.submit(self._decoded, context, self._waiting, ends=True))
            self._waiting, self._bytes, self._long = [], 0, False
            found += self._collected(AT_ONCE - 1 if packet.size else 0, tally)
        if packet.size:
            self._waiting.append((packet, skip, at_s))
            self._bytes += packet.size
        if self._long or len(self._waiting) > MOST_PACKETS or self._bytes > MOST_BYTES:
            found += self._collected(0, tally)
            found += self._taken(self._decoded(self._own, self._waiting, ends=False), tally)
            self._waiting, self._long = [], True
        found.reverse()
        return (found.pop() for _ in range(len(found)))  # what was taken is let go

    def flush(self, tally: decoding.Tally) -> Iterator[Picture]:
        """Return all that is left."""
        return self.decode(av.Packet(), "DEFAULT", 0.0, tally)

    def close(self) -> None:
        """Give up what is not decoded yet."""
        for thread, _ in self._others:
            thread.shutdown(cancel_futures=True)

    def _collected(self, most: int, tally: decoding.Tally) -> list[Picture]:
        found: list[Picture] = []
        while len(self._coming) > most:
            found += self._taken(self._coming.popleft().result(), tally)
        return found

    def _taken(
        self, outcome: tuple[list[Picture], list[float]], tally: decoding.Tally
    ) -> list[Picture]:
        for at_s in outcome[1]:
            tally.undecodable += 1
            tally.damage.begins(at_s)
        return outcome[0]

    def _decoded(
        self, context: Any, packets: list[Waiting], *, ends: bool
    ) -> tuple[list[Picture], list[float]]:
        """Decode packets; `ends` empties the decoder behind them."""
        found, bad = list[Picture](), list[float]()
        packets += [(None, "DEFAULT", 0.0)] if ends else []
        packets.reverse()
        while packets:
            packet, skip, at_s = packets.pop()  # which lets go of it
            context.skip_frame = skip
            try:
                found += [
                    Picture(**{name: getattr(f, name) for name in _KEPT}, parts=self._keep(f))
                    for f in context.decode(packet)
                ]
            except (av.error.FFmpegError, ValueError):
                bad.append(at_s)
        if ends:
            context.flush_buffers()
        return found, bad


@contextmanager
def opened(
    path: Path, stream: Any, threads: int, keep: Callable[[Any], Any]
) -> Iterator[Intervals | None]:
    """Give what decodes a stream's intervals at once; None where it would gain nothing or is wrong.

    H.264 alone: there a picture says that nothing behind it builds on anything before it. Not AVI,
    which has no display times (`continuity.Timed`), nor where the first interval is a long one.
    """
    with ExitStack() as stack:
        others: list[Any] = []
        numbers = None
        if threads >= AT_ONCE and stream.codec_context.name == "h264":
            with suppress(ValueError, IndexError):
                numbers = FrameNumbers(bytes(stream.codec_context.extradata or b""))
        while numbers and len(others) < AT_ONCE:
            other = stack.enter_context(
                decoding.opened_stream(path, threaded=threads >= 2 * AT_ONCE)
            )
            other.codec_context.thread_count = threads // AT_ONCE
            others.append(other)
        if numbers is None or not _begins_short(others[0], numbers):
            yield None
            return
        contexts = [other.codec_context for other in others]
        several = Intervals(stream.codec_context, contexts, numbers, keep)
        stack.callback(several.close)
        yield several


def _begins_short(stream: Any, numbers: FrameNumbers) -> bool:
    if stream.container.format.name == "avi":
        return False
    packets = islice(stream.container.demux(stream), MOST_PACKETS + 1)
    with suppress(av.error.FFmpegError, OSError, IndexError):
        return sum(numbers.alone(packet) for packet in packets if packet.size) > 1
    return False
