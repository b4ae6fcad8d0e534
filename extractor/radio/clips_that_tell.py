"""Clips that tell one cause from another: rows of ``runs.csv`` whose column ``tells`` names it."""

from __future__ import annotations

import math

import pandas as pd
from scipy.stats import t

from extractor.radio.calibration import Calibration
from extractor.radio.causes import Measured
from extractor.session.csv_tables import numbers
from extractor.session.spelling import folded

COLUMN = "tells"
#: Told by two antennas in the same changed place, not by one changed and unchanged.
PAIRED = ("rating", "ceiling")

ClipSpread = tuple[float, int]
"""Standard deviation from clip to clip in the field's unit, and its degrees of freedom."""


def clips_that_tell(runs: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the ordinary runs, and those that were changed to tell a cause."""
    if COLUMN not in runs.columns:
        return runs, runs.iloc[:0]
    told = runs[COLUMN].fillna("").astype(str).str.strip() != ""
    return runs[~told].reset_index(drop=True), runs[told].reset_index(drop=True)


def told_results(
    told: pd.DataFrame,
    runs: pd.DataFrame,
    spread: ClipSpread,
    unit: str,
    calibration: Calibration | None,
) -> dict[tuple[str, str], Measured]:
    """Return what each clip that tells showed, against the same antenna left as it was.

    Compared inside the mounting where that has an unchanged clip. The 95 % interval carries the
    spread from clip to clip; with a calibration both levels are read off its curve.

    Returns
    -------
    dict
        By the antenna's folded name and the cause.
    """
    sd, dof = spread
    if told.empty or dof == 0:
        return {}
    found = {}
    for (name, cause), changed in told.groupby(["antenna", COLUMN]):
        own = runs[runs["antenna"] == name]
        same = own[own["mounting"].isin(changed["mounting"])]
        base = own if same.empty else same
        if cause in PAIRED:
            base = told[(told[COLUMN] == cause) & (told["antenna"] != name)]
        if base.empty:
            continue
        half = float(t.ppf(0.975, dof)) * sd * math.sqrt(1 / len(changed) + 1 / len(base))
        found[folded(str(name)), str(cause)] = _difference(changed, base, half, unit, calibration)
    return found


def _difference(
    changed: pd.DataFrame, base: pd.DataFrame, half: float, unit: str, known: Calibration | None
) -> Measured:
    level, left = float(changed["value"].mean()), float(base["value"].mean())
    if known is None:
        return Measured(level - left, level - left - half, level - left + half, unit)
    padded = [
        float(numbers(one, "attenuation_db").fillna(0.0).mean()) if "attenuation_db" in one else 0.0
        for one in (changed, base)
    ]
    read = known.curve.attenuation_at
    shift, before = padded[0] - padded[1], read(left)
    low = shift + before.low_db - read(level - half).high_db
    high = shift + before.high_db - read(level + half).low_db
    middle = read(level)
    value = shift + (before.low_db + before.high_db - middle.low_db - middle.high_db) / 2
    return Measured(value if math.isfinite(value) else math.nan, low, high, "dB")
