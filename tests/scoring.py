"""Readings of the sample clips against their truth."""

from __future__ import annotations

import csv
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

#: Readings so near a change of the number are not judged.
MARGIN_S = 0.04


@dataclass(frozen=True)
class Score:
    """Counts over one clip and field."""

    right: int
    wrong: int
    """A number that was not shown, in a row that counts (flag ok)."""
    missing: int
    """A shown number, dash or absence that was not read as such."""

    @property
    def judged(self) -> int:
        return self.right + self.wrong + self.missing

    def __add__(self, other: Score) -> Score:
        return Score(
            self.right + other.right, self.wrong + other.wrong, self.missing + other.missing
        )


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def shown_at(truth: list[dict[str, str]], field: str, time_s: float) -> str | None:
    """Return what stood there, None near a change of this field or outside the truth."""
    texts = {
        row[field]
        for row in truth
        if float(row["start_s"]) - MARGIN_S < time_s < float(row["end_s"]) + MARGIN_S
    }
    return texts.pop() if len(texts) == 1 else None


def judge(row: dict[str, str], field: str, shown: str) -> str:
    flag, value = row[f"{field}_flag"], row[field]
    if shown == "":
        return "right" if flag == "hidden" else "wrong" if flag == "ok" else "missing"
    if shown == "--":
        return "right" if flag == "no_link" else "wrong" if flag == "ok" else "missing"
    if flag != "ok":
        return "missing"
    return "right" if float(value) == float(shown) else "wrong"


def score(readings: Path, truth: Path, field: str) -> Score:
    shown = rows_of(truth)
    counts: Counter[str] = Counter()
    for row in rows_of(readings):
        text = shown_at(shown, field, float(row["time_s"]))
        if text is not None:
            counts[judge(row, field, text)] += 1
    return Score(counts["right"], counts["wrong"], counts["missing"])
