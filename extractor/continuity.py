"""A clock that runs on, and which pictures can be believed: one rule each, packet by packet.

Used by `decoding` alone. A file's own clock may start again (recordings joined), be set back, or
leap; and a picture that builds on lost data shows what stood there before, not what stands there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

#: Nothing for longer than this, and for more than so many frames, is a hole in the recording.
HOLE_S = 0.5
HOLE_FRAMES = 4.0
#: Nobody's recorder waits longer than this inside one recording: the clock leapt.
MOST_HOLE_S = 600.0
#: Going back by more than this is a jump; by less, it is a picture out of its order.
BACK_S = 0.5
#: In streams that give display times only, these lie so many frames out of order at most.
REORDERED = 16.0
#: A picture that is to be shown so long before or after its decoding has a wrong display time.
REACH_S = 10.0


def is_hole(gap_s: float, step_s: float) -> bool:
    """Tell whether a gap between two pictures is a hole in the recording."""
    return gap_s > max(HOLE_S, HOLE_FRAMES * step_s)


def usual_step_s(before_s: float, duration_s: float, gap_s: float) -> float:
    """Return the time between two pictures, from the last one's duration or the gap before it."""
    # Before a hole some files let a picture last through it.
    if duration_s > 0 and not (before_s and is_hole(duration_s, before_s)):
        return duration_s
    return gap_s if 0 < gap_s < math.inf and not duration_s else before_s


@dataclass(slots=True)
class Clock:
    """Turns a file's own timestamps into times that only rise, by shifting what follows a jump.

    After a step back, or forward by more than `MOST_HOLE_S`, time goes on one frame behind the
    last packet. A smaller hole stays a hole.
    """

    step_s: float = 0.0
    """Usual time between two packets; 0 where not known yet."""
    shift_s: float = 0.0
    """The running time of the last packet minus the file's own."""
    now_s: float = math.nan
    """Running time of the last packet; NaN before the first."""
    jumps: list[tuple[float, float]] = field(default_factory=list)
    """Running time of the first packet behind each jump; by how much the clock jumped."""
    unstamped: bool = False
    """Packets without any time were met."""

    def run(self, packet: Any, time_base: Any) -> bool:
        """Shift a packet's times, in units of a time base; tell whether a hole is before it."""
        base = float(packet.time_base or time_base or 0)
        stamp = packet.pts if packet.dts is None else packet.dts
        due_s = 0.0 if math.isnan(self.now_s) else self.now_s + self.step_s
        if stamp is None or not base:
            self.unstamped = True
            self.now_s = due_s
            return False
        before_s, self.now_s = self.now_s, stamp * base + self.shift_s
        gap_s = self.now_s - before_s
        back_s = BACK_S if packet.dts is not None else max(BACK_S, REORDERED * self.step_s)
        if gap_s < -back_s or gap_s > MOST_HOLE_S:
            ahead_s = round((self.now_s - due_s) / base) * base
            self.jumps.append((due_s, ahead_s))
            self.shift_s -= ahead_s
            self.now_s -= ahead_s
            gap_s = self.now_s - before_s
        if shift := round(self.shift_s / base):
            packet.pts = None if packet.pts is None else packet.pts + shift
            packet.dts = None if packet.dts is None else packet.dts + shift
        if None not in (packet.pts, packet.dts) and abs(packet.pts - packet.dts) * base > REACH_S:
            packet.pts = packet.dts
        hole = is_hole(gap_s, self.step_s)
        self.step_s = usual_step_s(self.step_s, (packet.duration or 0) * base, gap_s)
        self.now_s = max(self.now_s, before_s) if before_s == before_s else self.now_s
        return hole

    @property
    def end_s(self) -> float:
        """Running time at which the last packet's picture ends."""
        return self.now_s + self.step_s


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
