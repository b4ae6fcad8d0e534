"""A clock that runs on, and which pictures can be believed: one rule each, packet by packet.

Used by `decoding` alone. A file's own clock may start again (recordings joined), be set back, or
leap; and a picture that builds on lost data shows what stood there before, not what stands there.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from extractor.video.h264 import FrameNumbers, Number

#: Nothing for longer than this, and for more than so many frames, is a hole in the recording.
HOLE_S = 0.5
HOLE_FRAMES = 4.0
STEP_GROWTH = 1.5
#: Nobody's recorder waits longer than this inside one recording: the clock leapt.
MOST_HOLE_S = 600.0
#: Going back by more than this is a jump; by less, it is a picture out of its order.
BACK_S = 0.5
#: In streams that give display times only, these lie so many frames out of order at most.
REORDERED = 16.0
#: Numbers of pictures are believed where this many are right for each that is not.
NUMBERED_RIGHTLY = 8
#: A picture that is to be shown so long before or after its decoding has a wrong display time.
REACH_S = 10.0


def is_hole(gap_s: float, step_s: float) -> bool:
    """Tell whether a gap between two pictures is a hole in the recording."""
    return gap_s > max(HOLE_S, HOLE_FRAMES * step_s)


def usual_step_s(before_s: float, step_s: float) -> float:
    """Return the usual time between two pictures, from that so far and the latest.

    It follows a change, but a single longer one, which may be a hole, not all the way.
    """
    if not 0 < step_s < math.inf:
        return before_s
    return min(step_s, STEP_GROWTH * before_s) if before_s else step_s


@dataclass(slots=True)
class Clock:
    """Turns a file's own timestamps into times that only rise, by shifting what follows a jump.

    After a step back, or forward by more than `MOST_HOLE_S`, time goes on one frame behind the
    last packet. A smaller hole stays a hole.
    """

    step_s: float = 0.0
    """Usual time between two packets; 0 where not known yet."""
    wrap_s: float = math.inf
    """After so long the file's own clock begins again; libavformat takes some jumps for that."""
    shift_s: float = 0.0
    """The running time of the last packet minus the file's own."""
    now_s: float = math.nan
    """Running time of the last packet; NaN before the first."""
    last_s: float = -math.inf
    """Latest running time at which a packet's picture is shown."""
    jumps: list[tuple[float, float]] = field(default_factory=list)
    """Running time of the first packet behind each jump; by how much the clock jumped."""
    holes: list[tuple[float, float]] = field(default_factory=list)
    """Running times between which no packet lies."""
    unstamped: bool = False
    """Packets without any time were met."""
    first_s: float = math.inf
    """Earliest running time at which a picture is shown, from the first keyframe on."""
    _keyed: bool = False
    _displayed: bool = False
    """The last packet gave a display time only."""

    def run(self, packet: Any, base: float) -> float:
        """Shift a packet's times, which are in units of `base` seconds.

        Returns
        -------
        float
            How many steps after the packet before it stands; inf behind a jump, NaN where that
            is not known.
        """
        stamp = packet.pts if packet.dts is None else packet.dts
        due_s = 0.0 if math.isnan(self.now_s) else self.now_s + self.step_s
        if stamp is None or not base:
            self.unstamped = True
            self.now_s = due_s
            return math.nan
        before_s, self.now_s = self.now_s, stamp * base + self.shift_s
        gap_s = self.now_s - before_s
        back_s = BACK_S if packet.dts is not None else max(BACK_S, REORDERED * self.step_s)
        # Some demuxers know decoding times from the third packet on: those lie farther back.
        began, self._displayed = self._displayed and packet.dts is not None, packet.dts is None
        if (gap_s < -back_s and not began) or gap_s > MOST_HOLE_S:
            ahead_s = round((self.now_s - due_s) / base) * base
            half_s = self.wrap_s / 2
            told_s = (ahead_s + half_s) % self.wrap_s - half_s if half_s < math.inf else ahead_s
            self.jumps.append((due_s, told_s))
            self.shift_s -= ahead_s
            self.now_s -= ahead_s
            gap_s = math.inf
        if shift := round(self.shift_s / base):
            packet.pts = None if packet.pts is None else packet.pts + shift
            packet.dts = None if packet.dts is None else packet.dts + shift
        if None not in (packet.pts, packet.dts) and abs(packet.pts - packet.dts) * base > REACH_S:
            packet.pts = packet.dts
        if math.isfinite(gap_s) and is_hole(gap_s, self.step_s):
            self.holes.append((before_s + self.step_s, self.now_s))
        if packet.pts is not None:
            self.last_s = max(self.last_s, packet.pts * base)
            self._keyed = self._keyed or packet.is_keyframe
            if self._keyed and not packet.is_discard:
                self.first_s = min(self.first_s, packet.pts * base)
        steps = gap_s / self.step_s if self.step_s else math.nan
        self.step_s = usual_step_s(self.step_s, gap_s)
        self.now_s = max(self.now_s, before_s) if before_s == before_s else self.now_s
        return steps

    @property
    def end_s(self) -> float:
        """Running time at which the last picture ends."""
        return max(self.last_s, self.now_s) + self.step_s


class Timed:
    """Gives frames without a time the one that follows from the frame before."""

    def __init__(self, stream: Any, clock: Clock) -> None:
        self.alone = str(stream.codec_context.skip_frame) == "NONKEY"
        """Keyframes alone are wanted."""
        self._base = stream.time_base or Fraction(1, 90_000)
        self._clock = clock
        # It has no display times, and those that libavformat makes up are wrong with B-frames.
        self.decoding_only = stream.container.format.name == "avi" and not self.alone
        self._begun = False
        self._next_s: float | None = None

    def starts(self, at_s: float) -> None:
        """Hear when the first packet that is decoded stands."""
        if self._next_s is None:
            self._next_s = at_s

    def all(self, pictures: Iterable[Any]) -> Iterator[Any]:
        """Yield frames, each with its time."""
        for frame in pictures:
            frame.time_base = self._base  # unset where a decoder is emptied
            if self.decoding_only and (self._begun or frame.dts is not None):
                frame.pts = frame.dts
            self._begun = True
            time_s = self._next_s or 0.0
            if frame.pts is None:
                frame.pts = round(time_s / self._base)
            else:
                time_s = float(frame.pts * self._base)
            self._next_s = time_s + self._clock.step_s
            yield frame


class Losses:
    """Tells where packets are missing between two."""

    def __init__(self, stream: Any) -> None:
        self._numbers: FrameNumbers | None = None
        self._last: Number | None = None
        self._right = self._wrong = 0
        if stream.codec_context.name == "h264":
            with contextlib.suppress(ValueError, IndexError):
                self._numbers = FrameNumbers(bytes(stream.codec_context.extradata or b""))

    def before(self, packet: Any, steps: float, step_s: float) -> bool:
        """Tell whether a picture builds on one that is missing.

        Parameters
        ----------
        packet : Packet
            The next one, in the order of decoding.
        steps, step_s : float
            What `Clock.run` said, and the usual time between two packets, seconds.
        """
        last, self._last = self._last, self._numbers.of(packet) if self._numbers else None
        if packet.is_keyframe:
            return False
        if self._numbers is None or last is None or self._last is None:
            # Without numbers a pause of the recorder looks like a loss.
            return is_hole(steps * step_s, step_s)
        follows = self._numbers.follows(last, self._last)
        self._right += follows
        self._wrong += not follows
        # An encoder that does not number as it should is not believed.
        return not follows and self._wrong * NUMBERED_RIGHTLY <= self._right + NUMBERED_RIGHTLY


@dataclass(slots=True)
class Damage:
    """Which pictures are not what the screen showed.

    From a damaged or missing packet on, until a picture that stands by itself, a decoder repeats
    or makes up what it lacks, mostly without saying so.
    """

    starts_s: list[float] = field(default_factory=list)
    """Running times from which pictures cannot be believed."""

    def begins(self, at_s: float) -> None:
        """Hear of damage; everything decoded later is shown no earlier than this time."""
        self.starts_s.append(-math.inf if math.isnan(at_s) else at_s)

    def spoils(self, frame: Any, at_s: float) -> bool:
        """Tell whether a picture, shown at a running time, cannot be believed."""
        if frame.is_corrupt:
            self.begins(at_s)
        behind = [start for start in self.starts_s if start <= at_s + 1e-6]
        if not behind:
            return False
        # Type 1 is I: not a keyframe perhaps, but made from nothing else.
        if frame.is_corrupt or not (frame.key_frame or int(frame.pict_type) == 1):
            return True
        self.starts_s = [start for start in self.starts_s if start > at_s + 1e-6]
        return False
