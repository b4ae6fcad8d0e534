"""The sample session as it was drawn: the numbers that stand in its clips."""

from __future__ import annotations

import csv
from pathlib import Path

import pandas as pd

SAMPLE = Path(__file__).parents[1] / "sample_clips"


def truth_series(path: Path, column: str) -> pd.DataFrame:
    """The drawn numbers as ten samples a second."""
    with path.open() as stream:
        rows = list(csv.DictReader(stream))
    samples = []
    for row in rows:
        start, end = float(row["start_s"]), float(row["end_s"])
        first = -int(-start * 10 // 1)
        for tenth in range(first, int(end * 10 - 1e-9) + 1):
            text = row[column]
            flag = "hidden" if text == "" else "no_link" if text == "--" else "ok"
            value = float(text) if flag == "ok" else float("nan")
            samples.append({"time_s": tenth / 10, "value": value, "text": text, "flag": flag})
    return pd.DataFrame(samples).drop_duplicates("time_s").sort_values("time_s")
