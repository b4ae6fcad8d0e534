"""What a burnt-in overlay shows, and when: made before the clip is, kept beside it as CSV."""

from __future__ import annotations

import csv
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

DASH = "--"
ABSENT = ""


@dataclass(frozen=True, slots=True)
class Shown:
    """One text that stood from `start_s` (included) to `end_s` (excluded); "" is nothing."""

    start_s: float
    end_s: float
    text: str


@dataclass(frozen=True)
class Series:
    """Everything that one field showed, without gaps, in order of time."""

    shown: tuple[Shown, ...]

    def at(self, time_s: float) -> Shown | None:
        """Return what stood at `time_s`, None outside the series."""
        index = bisect_right([one.start_s for one in self.shown], time_s) - 1
        if index < 0 or time_s >= self.shown[index].end_s:
            return None
        return self.shown[index]

    def settled(self, time_s: float, margin_s: float) -> Shown | None:
        """Return what stood at `time_s`, None within `margin_s` of a change of the text."""
        before, now, after = (self.at(time_s + d) for d in (-margin_s, 0.0, margin_s))
        if now is None:
            return None
        changed = any(other is not None and other.text != now.text for other in (before, after))
        return None if changed else now


def number_walk(
    rng: np.random.Generator,
    duration_s: float,
    *,
    low: float,
    high: float,
    step: float,
    decimals: int,
    hold_s: tuple[float, float] = (0.2, 0.5),
    dashes: float = 0.0,
    absences: float = 0.0,
    width: int = 0,
) -> Series:
    """Return a random walk between `low` and `high`, each value held for `hold_s` (uniform).

    One change in twenty drops to the lowest tenth, as a link does. `dashes` and `absences` are
    the probabilities that a change starts a dash or an empty stretch of 0.4 to 1.6 s. Times lie
    on the 10 ms grid of ASS scripts. `width` > 0 pads with leading zeros.
    """
    shown: list[Shown] = []
    time_s, value = 0.0, float(rng.uniform(low, high))
    while time_s < duration_s:
        text, hold = f"{value:0{width}.{decimals}f}", float(rng.uniform(*hold_s))
        chance = rng.random()
        if shown and chance < dashes:
            text, hold = DASH, float(rng.uniform(0.4, 1.6))
        elif shown and chance < dashes + absences:
            text, hold = ABSENT, float(rng.uniform(0.4, 1.6))
        end_s = round(time_s + hold, 2)
        shown.append(Shown(time_s, end_s, text))
        time_s = end_s
        if rng.random() < 0.05:
            value = low + (high - low) * float(rng.uniform(0.0, 0.1))
        else:
            value = float(np.clip(value + rng.normal(0.0, step), low, high))
    return Series(tuple(shown))


def write_truth(path: Path, fields: dict[str, Series]) -> None:
    """Write ``start_s,end_s,<field>,...``: one row for each stretch in which nothing changes."""
    edges = sorted({one.start_s for series in fields.values() for one in series.shown})
    end_s = min(series.shown[-1].end_s for series in fields.values())
    edges = [edge for edge in edges if edge < end_s] + [end_s]
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["start_s", "end_s", *fields])
        for start, end in pairwise(edges):
            texts = [shown.text for s in fields.values() if (shown := s.at(start)) is not None]
            writer.writerow([f"{start:.2f}", f"{end:.2f}", *texts])


def read_truth(path: Path) -> dict[str, Series]:
    """Read a truth file; neighbouring rows with the same text become one stretch."""
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    names = [name for name in rows[0] if name not in ("start_s", "end_s")]
    return {name: Series(_merged(rows, name)) for name in names}


def _merged(rows: Sequence[dict[str, str]], name: str) -> tuple[Shown, ...]:
    shown: list[Shown] = []
    for row in rows:
        start, end, text = float(row["start_s"]), float(row["end_s"]), row[name]
        if shown and shown[-1].text == text and abs(shown[-1].end_s - start) < 1e-9:
            shown[-1] = Shown(shown[-1].start_s, end, text)
        else:
            shown.append(Shown(start, end, text))
    return tuple(shown)
