"""Judging readings against truth, and what may be concluded from the counts."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from extractor.reading.number_parsing import interpret
from extractor.statistics.flags import Flag

VERDICTS = ("right", "wrong", "state", "missing")


@dataclass(frozen=True, slots=True)
class Row:
    """One reading beside its truth."""

    reader: str
    boxes: str
    """"tight" or "loose"."""
    clip: str
    kind: str
    field: str
    time_s: float
    since_s: float
    """When the truth's text appeared: names the run of equal readings."""
    truth: str
    text: str
    confidence: float
    gate: float
    since_read_s: float = math.nan
    """When the reading says that its text appeared."""
    flag: str = ""
    """After cleaning; "" where single crops were read."""
    value: float = math.nan
    """After cleaning."""


def state_of(truth: str) -> tuple[Flag, float]:
    """Return the flag and number that a perfect reader gives for a truth text."""
    if truth == "":
        return Flag.HIDDEN, math.nan
    if not truth.strip("-"):
        return Flag.NO_LINK, math.nan
    return Flag.OK, float(truth)


def verdict(truth: str, text: str, confidence: float, gate: float) -> str:
    """Judge one reading.

    Returns
    -------
    str
        "right"; "wrong": a number that was not shown; "state": a number, a dash or nothing taken
        for a dash or nothing that was not shown; "missing": unreadable.
    """
    flag, value = state_of(truth)
    reading = interpret(text, confidence, gate)
    if reading.flag is Flag.UNREADABLE:
        return "missing"
    if reading.flag is Flag.OK:
        return "right" if flag is Flag.OK and abs(reading.value - value) < 1e-9 else "wrong"
    return "right" if reading.flag is flag else "state"


def cleaned_verdict(truth: str, flag: str, value: float) -> str:
    """Judge one row of a readings CSV; a number that cleaning set aside counts as missing."""
    expected, number = state_of(truth)
    if flag == Flag.OK:
        return "right" if expected is Flag.OK and abs(value - number) < 1e-9 else "wrong"
    if flag in (Flag.NO_LINK, Flag.HIDDEN):
        return "right" if flag == expected else "state"
    return "missing"


def table(rows: Iterable[Row]) -> pd.DataFrame:
    """Return the rows with two columns more: `verdict` and, without any gate, `ungated`."""
    judged = list(rows)
    frame = pd.DataFrame(judged)
    frame["verdict"] = [
        cleaned_verdict(r.truth, r.flag, r.value)
        if r.flag
        else verdict(r.truth, r.text, r.confidence, r.gate)
        for r in judged
    ]
    frame["ungated"] = [verdict(r.truth, r.text, r.confidence, 0.0) for r in judged]
    return frame


def counts(frame: pd.DataFrame, by: list[str], column: str = "verdict") -> pd.DataFrame:
    """Count verdicts in each group."""
    found = frame.groupby(by, sort=False)[column].value_counts().unstack(fill_value=0)
    found = found.reindex(columns=list(VERDICTS), fill_value=0)
    found.insert(0, "n", found.sum(axis=1))
    return found


def upper_limit(bad: int, of: int, level: float = 0.95) -> float:
    """Return the one-sided upper limit of a share (Clopper, Pearson, Biometrika 26 (1934) 404)."""
    from scipy.stats import beta

    return 1.0 if bad >= of else float(beta.ppf(level, bad + 1, of - bad))


def limits(frame: pd.DataFrame) -> tuple[int, int, float]:
    """Return runs with a wrong number, all runs, and the upper 95 % limit of that share.

    Readings of one number that stands are not independent, so a run of equal truth in one field
    of one clip counts once.
    """
    run = frame.groupby(["clip", "field", "since_s"])["verdict"]
    bad = int(run.apply(lambda v: (v == "wrong").any()).sum())
    return bad, run.ngroups, upper_limit(bad, run.ngroups)


def at_missing_rate(frame: pd.DataFrame, share: float) -> tuple[int, float]:
    """Return how many are wrong when the reader's own gate lets `share` be missing.

    The gate is moved to the confidence at which the share of missing readings comes nearest to
    `share` from above; a reader that misses more even without a gate keeps what it has.
    """
    readable = frame[frame["ungated"] != "missing"].sort_values("confidence")
    drop = max(0, math.ceil(share * len(frame)) - (len(frame) - len(readable)))
    kept = readable.iloc[drop:]
    return int((kept["ungated"] == "wrong").sum()), 1 - len(kept) / len(frame)


def change_instants(frame: pd.DataFrame, tolerance_s: float) -> pd.DataFrame:
    """Compare the instants at which right readings are said to have appeared with the truth.

    The first frame that shows a new text comes up to one frame after the text changed.

    Returns
    -------
    DataFrame
        By reader and boxes: `n` runs, `early`, `right` (0 to `tolerance_s` after), `late`.
    """
    known = frame[(frame["verdict"] == "right") & (frame["since_s"] > 0)]
    first = known.groupby(["reader", "boxes", "clip", "field", "since_s"], sort=False).first()
    first = first[first["since_read_s"].notna()].reset_index()
    error = first["since_read_s"] - first["since_s"]
    first["when"] = np.select([error < -2e-3, error > tolerance_s], ["early", "late"], "right")
    found = first.groupby(["reader", "boxes"])["when"].value_counts().unstack(fill_value=0)
    found = found.reindex(columns=["early", "right", "late"], fill_value=0)
    found.insert(0, "n", found.sum(axis=1))
    return found


def reliability(frame: pd.DataFrame) -> pd.DataFrame:
    """Compare confidence with the share that is right, by tenths of confidence.

    Returns
    -------
    DataFrame
        One row a bin: `n, confidence` (mean), `right` (share), `gap` (right minus confidence),
        `se` (of the gap; clips are the clusters), `holds` (gap within 0.02 or two `se`).
    """
    bins = frame["confidence"].clip(0, 1 - 1e-9).mul(10).astype(int)
    right = (frame["ungated"] == "right").astype(float)
    rows = []
    for number in range(10):
        inside = bins == number
        n = int(inside.sum())
        if not n:
            continue
        difference = right[inside] - frame.loc[inside, "confidence"]
        sums = difference.sub(difference.mean()).groupby(frame.loc[inside, "clip"]).sum()
        clips = len(sums)
        se = math.sqrt(clips / (clips - 1) * (sums**2).sum()) / n if clips > 1 else math.nan
        gap = float(difference.mean())
        holds = abs(gap) <= max(0.02, 0.0 if math.isnan(se) else 2 * se)
        rows.append(
            (f"{number / 10:.1f}-{(number + 1) / 10:.1f}", n, clips,
             float(frame.loc[inside, "confidence"].mean()), float(right[inside].mean()),
             gap, se, holds)
        )  # fmt: skip
    names = ["bin", "n", "clips", "confidence", "right", "gap", "se", "holds"]
    return pd.DataFrame(rows, columns=names)


def markdown(frame: pd.DataFrame, digits: int = 3) -> str:
    """Return a table in Markdown; shares with `digits` decimals."""
    flat = frame.reset_index() if frame.index.names != [None] else frame
    lines = ["| " + " | ".join(map(str, flat.columns)) + " |", "|" + " --- |" * len(flat.columns)]
    for row in flat.itertuples(index=False):
        cells = [f"{v:.{digits}f}" if isinstance(v, float) else str(v) for v in row]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)
