"""Clip plan -> what the overlay shows on each frame, and the truth table.

The link is an Ornstein-Uhlenbeck process (mean-reverting noise) under a ceiling. The overlay
takes a value from it four to five times a second, at irregular instants, and holds it.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from .plan import CEILING_MBIT_S, Clip

GRID_S = 0.01
SPREAD_MBIT_S = 1.4
MEMORY_S = 0.3
"""Time constant of the process: 13 s hold about 20 independent values."""
QUIET_S = 0.18
"""No update falls nearer than this to the start or end of a dash or a vanished overlay."""

DASH = "--"


@dataclass(frozen=True)
class Shown:
    """What the overlay shows on one frame: texts, empty where nothing is drawn."""

    bitrate: str
    latency: str


def random_source(clip: Clip, purpose: str) -> np.random.Generator:
    """Return a generator that depends on the clip's name and the purpose alone."""
    return np.random.default_rng(zlib.crc32(f"{clip.stem}/{purpose}".encode()))


def frame_times(clip: Clip) -> list[Fraction]:
    """Return the presentation time of each frame, seconds, first frame = 0, exact.

    A variable-rate clip mixes frames of 1/30 s with held ones of 1/15 and 1/20 s, in bursts.
    """
    if not clip.variable:
        return [n / clip.rate for n in range(round(clip.seconds * clip.rate))]
    random = random_source(clip, "frames")
    times, slow = [Fraction(0)], False
    while times[-1] < clip.seconds:
        if random.random() < 0.04:
            slow = not slow
        steps = (Fraction(1, 15), Fraction(1, 20)) if slow else (Fraction(1, 30),)
        times.append(times[-1] + steps[int(random.integers(len(steps)))])
    return times


def file_times_s(clip: Clip) -> np.ndarray:
    """Return the frame times as the container can store them, seconds, first frame = 0.

    Matroska keeps whole milliseconds, the others keep these times exactly.
    """
    times = frame_times(clip)
    if clip.suffix == "mkv":
        return np.array([round(t * 1000) / 1000 for t in times])
    return np.array([float(t) for t in times])


def shown_frames(clip: Clip) -> list[Shown]:
    """Return what the overlay shows on each frame of the whole clip, before any cut."""
    times = np.array([float(t) for t in frame_times(clip)])
    noise = _noise(clip)
    rate_at = _update_times(clip, "bitrate", 0.2, 0.3)
    delay_at = _update_times(clip, "latency", 0.16, 0.26)
    drops = [_snapped(event.start_s, event.end_s, rate_at) for event in _events(clip, "dropout")]
    visible = ~_inside(times, _events(clip, "dash")) & ~_inside(times, _events(clip, "vanish"))
    level = _level(clip, times[visible], rate_at, noise, drops)
    rates = _bitrates(clip, rate_at, noise, level, drops)
    delays = _latencies(clip, delay_at, noise, level, drops)
    texts = [
        Shown(f"{rates[i]:.1f}", f"{delays[j]:.0f}")
        for i, j in zip(_held(rate_at, times), _held(delay_at, times), strict=True)
    ]
    for kind, mark in (("dash", DASH), ("vanish", "")):
        for n in np.flatnonzero(_inside(times, _events(clip, kind))):
            texts[n] = Shown(mark, mark)
    return texts


def truth_rows(clip: Clip) -> list[tuple[str, str, str, str]]:
    """Return the rows `start_s,end_s,bitrate,latency` of the clip as it lies on disk.

    A row is an interval in which nothing changes. The last one ends one frame after the
    start of the last frame that can be decoded.
    """
    shown, times = shown_frames(clip), file_times_s(clip)
    count = clip.keep_frames or len(shown)
    last_frame_s = 1 / 30 if clip.variable else float(1 / clip.rate)
    starts = [n for n in range(count) if n == 0 or shown[n] != shown[n - 1]]
    ends = [times[n] for n in starts[1:]] + [times[count - 1] + last_frame_s]
    return [
        (f"{times[n]:.6f}", f"{end:.6f}", shown[n].bitrate, shown[n].latency)
        for n, end in zip(starts, ends, strict=True)
    ]


def _noise(clip: Clip) -> np.ndarray:
    """Return the unit process on the grid of `GRID_S`, a little longer than the clip."""
    steps = int((clip.seconds + 2) / GRID_S)
    kicks = random_source(clip, "link").standard_normal(steps)
    keep = float(np.exp(-GRID_S / MEMORY_S))
    noise = np.empty(steps)
    noise[0] = kicks[0]
    for n in range(1, steps):
        noise[n] = keep * noise[n - 1] + np.sqrt(1 - keep**2) * kicks[n]
    return noise


def _update_times(clip: Clip, purpose: str, shortest_s: float, longest_s: float) -> np.ndarray:
    random = random_source(clip, purpose)
    gaps = random.uniform(shortest_s, longest_s, int(clip.seconds / shortest_s) + 2)
    at = np.concatenate([[0.0], np.cumsum(gaps) - gaps[0] * random.random()])
    edges = [
        edge
        for event in clip.events
        if event.kind != "dropout"
        for edge in (event.start_s, event.end_s)
    ]
    for edge in edges:
        at = at[np.abs(at - edge) >= QUIET_S]
    fresh = [event.end_s for event in clip.events if event.kind != "dropout"]
    return np.sort(np.concatenate([at, fresh]))


def _events(clip: Clip, kind: str) -> list:
    return [event for event in clip.events if event.kind == kind]


def _inside(times: np.ndarray, events: list) -> np.ndarray:
    inside = np.zeros(len(times), dtype=bool)
    for event in events:
        inside |= (times >= event.start_s - 1e-9) & (times < event.end_s - 1e-9)
    return inside


def _snapped(start_s: float, end_s: float, at: np.ndarray) -> tuple[float, float]:
    return (at[np.argmin(np.abs(at - start_s))], at[np.argmin(np.abs(at - end_s))])


def _held(at: np.ndarray, times: np.ndarray) -> np.ndarray:
    """Return for each frame the number of the update it still shows."""
    return np.searchsorted(at, times + 1e-9, side="right") - 1


def _at(noise: np.ndarray, at: np.ndarray) -> np.ndarray:
    return noise[np.minimum((at / GRID_S).astype(int), len(noise) - 1)]


def _bitrates(clip: Clip, at: np.ndarray, noise: np.ndarray, level: float, drops) -> np.ndarray:
    """Return the value of each update, Mbit/s, whole tenths, never above the ceiling.

    On the way into a dropout and out of it the overlay shows one value in between.
    """
    values = np.minimum(level + SPREAD_MBIT_S * _at(noise, at), CEILING_MBIT_S)
    low = random_source(clip, "dropout").uniform(1.0, 2.0, len(at))
    for start, end in drops:
        first, stop = np.searchsorted(at, [start - 1e-9, end - 1e-9])
        values[first:stop] = low[first:stop]
        values[[first - 1, stop]] *= (0.45, 0.6)
    return np.round(values, 1)


def _latencies(clip: Clip, at: np.ndarray, noise: np.ndarray, level: float, drops) -> np.ndarray:
    """Return the delay of each update, whole ms: it grows as the bitrate falls."""
    random = random_source(clip, "delay")
    link = level + SPREAD_MBIT_S * _at(noise, at)
    values = 24.0 + 0.9 * (CEILING_MBIT_S - link) + random.normal(0, 0.9, len(at))
    high = random.uniform(75, 128, len(at))
    for start, end in drops:
        during = (at >= start - 1e-9) & (at < end - 1e-9)
        values[during] = high[during]
    return np.maximum(np.round(values), 18)


def _level(clip: Clip, times: np.ndarray, at: np.ndarray, noise: np.ndarray, drops) -> float:
    """Return the level of the process at which the clip's shown mean is the planted one."""
    low, high = clip.mean_mbit_s - 6, clip.mean_mbit_s + 8
    held = _held(at, times)
    weights = np.diff(times, append=times[-1] + 1 / 30)
    # A step over a vanished stretch belongs to no number.
    weights = np.minimum(weights, 0.1)
    for _ in range(40):
        level = (low + high) / 2
        mean = np.average(_bitrates(clip, at, noise, level, drops)[held], weights=weights)
        low, high = (level, high) if mean < clip.mean_mbit_s else (low, level)
    return level
