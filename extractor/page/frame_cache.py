"""Pictures for the page: clips probed once, frames and crops kept decoded."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Hashable, Iterable, Sequence
from concurrent.futures import Future
from contextlib import nullcontext, suppress
from pathlib import Path
from typing import Generic, TypeVar

from extractor.errors import ClipError
from extractor.session.overlay import Box
from extractor.video import clips
from extractor.video.crops import Crop, rgb
from extractor.video.picture_files import png

Value = TypeVar("Value")

#: Whole frames kept for marking: forty of 1920x1080.
FRAME_BYTES = 256 << 20
#: Crops kept, as PNG: some thousands.
CROPS_BYTES = 64 << 20

Sign = tuple[str, int, int]
"""Path, size and modification time: stands for a file's content."""


def sign_of(path: Path) -> Sign:
    """Return what changes when the file does.

    Raises
    ------
    ClipError
        If it is not there.
    """
    try:
        stat = path.stat()
    except OSError as error:
        raise ClipError(f"{path.name}: cannot be read ({error.strerror})") from error
    return str(path), stat.st_size, stat.st_mtime_ns


class Recent(Generic[Value]):
    """Keeps the values asked for last; safe to use from several threads.

    Parameters
    ----------
    most : int
        Sum of `weigh` that is kept.
    """

    def __init__(self, most: int) -> None:
        self._most, self._sum = most, 0
        self._kept: OrderedDict[Hashable, tuple[Value, int]] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: Hashable) -> Value | None:
        """Return what is kept under `key`."""
        with self._lock:
            found = self._kept.get(key)
            if found is None:
                return None
            self._kept.move_to_end(key)
            return found[0]

    def put(self, key: Hashable, value: Value, weight: int = 1) -> None:
        """Keep a value; drop those not asked for longest where it gets too much."""
        with self._lock:
            self._sum -= self._kept.pop(key, (value, 0))[1]
            self._kept[key] = (value, weight)
            self._sum += weight
            while self._sum > self._most and len(self._kept) > 1:
                self._sum -= self._kept.popitem(last=False)[1][1]


class Probes:
    """What is known of each clip's header, found out in the background."""

    def __init__(self) -> None:
        self._known: dict[Sign, clips.Clip | str] = {}
        self._waiting: OrderedDict[Sign, Path] = OrderedDict()
        self._lock = threading.Lock()
        self._busy = False

    def now(self, path: Path) -> clips.Clip:
        """Return the clip, probing it if need be.

        Raises
        ------
        ClipError
            If it cannot be opened.
        """
        sign = sign_of(path)
        known = self._known.get(sign)
        if known is None:
            known = self._known[sign] = self._probed(path)
        if isinstance(known, str):
            raise ClipError(known)
        return known

    def soon(self, path: Path) -> clips.Clip | str | None:
        """Return the clip, why it cannot be opened, or None where that is not known yet."""
        try:
            sign = sign_of(path)
        except ClipError as error:
            return str(error)
        with self._lock:
            if sign not in self._known:
                self._waiting[sign] = path
                if not self._busy:
                    self._busy = True
                    threading.Thread(target=self._go, name="page-probe", daemon=True).start()
        return self._known.get(sign)

    def _go(self) -> None:
        while True:
            with self._lock:
                if not self._waiting:
                    self._busy = False
                    return
                sign, path = self._waiting.popitem(last=False)
            if sign not in self._known:
                self._known[sign] = self._probed(path)

    @staticmethod
    def _probed(path: Path) -> clips.Clip | str:
        try:
            return clips.probe(path)
        except ClipError as error:
            return str(error)


class Frames:
    """Whole frames as decoded (Y', Cb, Cr at full resolution), the last used kept."""

    def __init__(self) -> None:
        self._kept: Recent[tuple[float, Crop]] = Recent(FRAME_BYTES)
        # More decoders at once than cores would only make each slower.
        self._decoding = threading.BoundedSemaphore(2)

    def at_hand(self, clip: clips.Clip, time_s: float) -> bool:
        """Tell whether a frame can be had without decoding."""
        return self._kept.get((sign_of(clip.path), round(time_s, 3))) is not None

    def get(self, clip: clips.Clip, time_s: float) -> tuple[float, Crop]:
        """Return the frame shown at a time, with its own time.

        Raises
        ------
        ClipError
            If it cannot be decoded.
        """
        key = (sign_of(clip.path), round(time_s, 3))
        found = self._kept.get(key)
        if found is None:
            with self._decoding:
                found = self._kept.get(key)
                if found is None:
                    whole = Box(0, 0, clip.width, clip.height)
                    frame = next(clips.at_times(clip, [whole], [time_s]))
                    found = (frame.time_s, frame.crops[0])
                    self._kept.put(key, found, frame.crops[0].nbytes)
        return found


class Crops:
    """Small pictures of what was read, as PNG; those of a clip are decoded in one pass."""

    def __init__(self) -> None:
        self._kept: Recent[Future[bytes]] = Recent(CROPS_BYTES)
        self._lock, self._one = threading.Lock(), threading.Lock()

    @staticmethod
    def _key(clip: clips.Clip, box: Box, time_s: float) -> Hashable:
        return sign_of(clip.path), box, round(time_s, 4)

    def fetch(self, clip: clips.Clip, box: Box, times_s: Iterable[float]) -> None:
        """Have crops decoded in the background."""
        wanted: dict[float, Future[bytes]] = {}
        with self._lock:
            for time_s in sorted(times_s):
                key = self._key(clip, box, time_s)
                known = self._kept.get(key)
                if known is None or (known.done() and known.exception()):
                    wanted[time_s] = Future()
                    self._kept.put(key, wanted[time_s])
        if wanted:
            work = threading.Thread(target=self._decode, args=(clip, box, wanted), daemon=True)
            work.start()

    def get(self, clip: clips.Clip, box: Box, time_s: float) -> bytes:
        """Return a crop, waiting for it where it is on its way.

        Raises
        ------
        ClipError
            If it cannot be decoded.
        """
        coming = self._kept.get(self._key(clip, box, time_s))
        if coming is not None:
            with suppress(ClipError, TimeoutError):  # of another crop's place perhaps
                return coming.result(30)
        own: Future[bytes] = Future()
        self._decode(clip, box, {time_s: own}, alone=True)
        return own.result()

    def _decode(
        self, clip: clips.Clip, box: Box, wanted: dict[float, Future[bytes]], *, alone: bool = False
    ) -> None:
        """Decode crops, those for the background one clip after the other."""
        try:
            with nullcontext() if alone else self._one:
                frames = clips.at_times(clip, [box], list(wanted))
                for (time_s, coming), frame in zip(wanted.items(), frames, strict=False):
                    coming.set_result(png(rgb(frame.crops[0], clip.colour)))
                    self._kept.put(self._key(clip, box, time_s), coming, len(coming.result()))
        except ClipError as error:
            for coming in wanted.values():
                if not coming.done():
                    coming.set_exception(error)


def spread_times(lengths_s: Sequence[float], count: int) -> list[list[float]]:
    """Return for each clip the times at which to look, `count` in all, clips in turn."""
    each = [count // len(lengths_s) + (i < count % len(lengths_s)) for i in range(len(lengths_s))]
    return [
        [round((k + 0.5) / n * length, 3) for k in range(n)]
        for n, length in zip(each, lengths_s, strict=True)
    ]
