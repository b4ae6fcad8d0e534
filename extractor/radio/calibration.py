"""Bitrate over attenuation: a monotone curve, its inverse, and differences in dB.

The curve is measured with one antenna through known attenuation. Read backwards it turns the
level of any other antenna, measured in the same place with everything else alike, into the
attenuation that would bring the first one down to it: *link-equivalent dB at this site*, not
antenna gain. Nothing is extrapolated: beyond the curve's ends, and on its plateaus, the
answer is a bound.

Tables hold one row a run, as ``results/summary.csv`` with the columns of ``runs.csv``:
``antenna``, ``attenuation_db`` and the measure (``mean``, in the field's unit) are needed;
``mounting``, ``order``, ``mean_se`` are used where there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from extractor.errors import TableError
from extractor.radio.combining import Floats
from extractor.session.csv_tables import numbers, texts
from extractor.statistics.isotonic import FEWEST_STEPS, Curve, Interpolation, fit_curve, is_steep

ATTENUATOR_SD_DB = 0.3
"""Standard uncertainty of each step: about a tolerance of 0.5 dB, evenly spread (GUM 4.3.7)."""

DRAWS = 2000

_KEYS = ["antenna", "attenuation_db"]

UNNAMED_MOUNTING = "(not given)"
"""What the comparison writes where ``runs.csv`` names no mounting."""


@dataclass(frozen=True)
class Spread:
    """Standard deviation between replicates and its degrees of freedom.

    In the field's unit between runs; in **dB** between mountings, since aim and spot act on the
    path and cost the same decibels wherever on the curve an antenna lies.
    """

    sd: float
    dof: int
    unit: Literal["mounting", "run", "within clip"]


@dataclass(frozen=True)
class Calibration:
    """Curve, the other antennas' levels, and the spreads that both carry.

    Attributes
    ----------
    curve_spread
        Between runs at one step.
    levels
        One row an antenna: ``antenna, attenuation_db, level, replicates, n_runs``.
    level_spread
        Between the replicates (mountings where any antenna has two, else runs).
    curve_runs
        The runs that made the curve, in order of recording: with pads at one place only, at the
        transmitter where enough were there.
    other_runs
        Runs of the same antenna with pads at the other place.
    """

    curve: Curve
    curve_spread: Spread
    levels: pd.DataFrame
    level_spread: Spread
    curve_runs: pd.DataFrame
    other_runs: pd.DataFrame
    measure: str


def is_calibrated(summary: pd.DataFrame, *, measure: str = "mean") -> bool:
    """Whether some antenna has enough distinct ``attenuation_db`` for a curve."""
    if not {"antenna", "attenuation_db", measure} <= set(summary.columns):
        return False
    return _calibrating_antenna(usable_runs(summary, measure)) is not None


def calibrate(
    summary: pd.DataFrame, *, measure: str = "mean", interpolation: Interpolation = "pchip"
) -> Calibration:
    """Sort the runs into curve and comparison, fit the curve, estimate the spreads.

    The curve is made with the antenna that has the most distinct attenuations. Every antenna
    is compared at the attenuation at which it has the most runs (the lowest of several).

    Parameters
    ----------
    summary : DataFrame
        One row a run of one field: ``antenna``, ``attenuation_db`` (missing counts as 0) and the
        measure; ``mounting``, ``order`` and ``mean_se`` where known. Runs with ``angle_deg``
        other than 0 belong to a sweep and are left out.
    measure : str
        The column that stands for a run, in the field's unit.
    interpolation : {"pchip", "linear"}
        Between the steps of the curve.

    Returns
    -------
    Calibration
        Its curve in the field's unit over dB.

    Raises
    ------
    TableError
        If a column is missing or no antenna was stepped through three attenuations.

    Examples
    --------
    >>> import pandas as pd
    >>> from extractor import calibrate
    >>> steps = {"attenuation_db": [0, 3, 6, 9], "mean": [37.0, 34.6, 28.1, 17.9]}
    >>> calibration = calibrate(pd.DataFrame(steps).assign(antenna="Slab"))
    >>> round(calibration.curve.attenuation_at(30.0).value_db, 1)
    5.3
    """
    runs = usable_runs(summary, measure)
    antenna = _calibrating_antenna(runs)
    if antenna is None:
        raise TableError(
            "no calibration: no antenna has runs at three or more values of attenuation_db; "
            "step the strongest antenna through 0, 3, 6, 9, 12, 15 dB and back"
        )
    curve_runs, other_runs = at_one_place(_curve_runs(runs, antenna))
    curve = fit_curve(
        curve_runs["attenuation_db"].to_numpy(float),
        curve_runs[measure].to_numpy(float),
        antenna=antenna,
        interpolation=interpolation,
    )
    curve_error = _pure_error(_levels(curve_runs, ["attenuation_db"], measure))
    compared = _compared_runs(runs)
    within = _within_clip(runs, measure)
    by_mounting = _has_mountings(compared) and bool(
        (compared.groupby("antenna")["mounting"].nunique() > 1).any()
    )
    replicates = _levels(compared, [*_KEYS, "mounting"], measure) if by_mounting else compared
    levels = _levels(replicates, _KEYS, "level" if by_mounting else measure)
    if by_mounting:
        slope = np.array([curve.slope_near(float(level)) for level in levels["level"]])
        # Where the curve is nearly flat, Mbit/s say nothing of dB.
        told = is_steep(curve, slope)
        level_spread = _spread(*_pure_error(levels[told], slope[told]), "mounting", None)
    else:
        # Curve and comparison runs differ by the same thing, clip to clip: one estimate. The
        # calibrating antenna's own runs already count in the curve's residuals.
        level_error = _pure_error(levels[levels["antenna"] != antenna])
        curve_error = (curve_error[0] + level_error[0], curve_error[1] + level_error[1])
        level_spread = _spread(*curve_error, "run", within)
    curve_spread = _spread(*curve_error, "run", within)
    counts = compared.groupby(_KEYS).size().to_numpy()
    levels = levels.drop(columns="variance").assign(n_runs=counts)
    return Calibration(curve, curve_spread, levels, level_spread, curve_runs, other_runs, measure)


def usable_runs(summary: pd.DataFrame, measure: str) -> pd.DataFrame:
    """Rows with an antenna and a finite measure, attenuation filled, straight ahead.

    Raises
    ------
    TableError
        If ``antenna``, ``attenuation_db`` or the measure is missing.
    """
    for column in ("antenna", "attenuation_db", measure):
        if column not in summary.columns:
            raise TableError(f"calibration: the table has no column {column!r}")
    runs = summary.copy()
    for column in {"attenuation_db", "angle_deg", "order", measure} & set(runs.columns):
        runs[column] = numbers(runs, column)
    runs["attenuation_db"] = runs["attenuation_db"].fillna(0.0)
    if (runs["attenuation_db"] < 0).any():
        raise TableError("column 'attenuation_db': a pad weakens by 0 dB or more; drop the minus")
    runs = runs[numbers(runs, "angle_deg").fillna(0.0) == 0]
    if "order" in runs.columns:
        runs = runs.sort_values("order", kind="stable")
    return runs[(texts(runs, "antenna") != "") & np.isfinite(runs[measure].to_numpy(float))]


def _calibrating_antenna(runs: pd.DataFrame) -> str | None:
    steps = runs.groupby("antenna")["attenuation_db"].nunique()
    return str(steps.idxmax()) if (steps >= FEWEST_STEPS).any() else None


def _has_mountings(runs: pd.DataFrame) -> bool:
    return bool((~texts(runs, "mounting").isin(["", UNNAMED_MOUNTING])).all())


def _curve_runs(runs: pd.DataFrame, antenna: str) -> pd.DataFrame:
    own = runs[runs["antenna"] == antenna]
    if not _has_mountings(own):
        return own
    steps = own.groupby("mounting")["attenuation_db"].nunique()
    # A mounting measured at one step only says something of mountings, nothing of the curve.
    return own[own["mounting"].isin(steps[steps >= FEWEST_STEPS].index)]


def at_transmitter(runs: pd.DataFrame) -> pd.Series[bool]:
    """Whether the pad of each run was at the transmitter, where it weakens the signal alone."""
    return texts(runs, "padded").str.casefold() == "transmitter"


def pad_place(curve_runs: pd.DataFrame) -> str:
    """Say in words where the pads of these runs were."""
    sent = at_transmitter(curve_runs[curve_runs["attenuation_db"] > 0])
    if sent.all():
        return "at the transmitter"
    return "at both places" if sent.any() else "in the receive lines"


def at_one_place(own: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part the steps of one antenna into those that make the curve and those elsewhere.

    The transmitter comes first; where neither place has steps enough they stay together.
    """
    sent, bare = at_transmitter(own), own["attenuation_db"] == 0
    for elsewhere in (~sent & ~bare, sent & ~bare):
        if own.loc[~elsewhere, "attenuation_db"].nunique() >= FEWEST_STEPS:
            return own[~elsewhere], own[elsewhere]
    return own, own.iloc[:0]


def _compared_runs(runs: pd.DataFrame) -> pd.DataFrame:
    counts = runs.groupby(_KEYS).size().reset_index(name="n_runs")
    counts = counts.sort_values(["n_runs", "attenuation_db"], ascending=[False, True])
    return runs.merge(counts.drop_duplicates("antenna")[_KEYS], on=_KEYS)


def _levels(replicates: pd.DataFrame, keys: list[str], measure: str) -> pd.DataFrame:
    groups = replicates.groupby(keys)[measure]
    return groups.agg(level="mean", replicates="size", variance="var").reset_index()


def _pure_error(levels: pd.DataFrame, slope: Floats | float = 1.0) -> tuple[float, int]:
    dof = levels["replicates"] - 1
    # The variance of a single run is NaN and weighs nothing.
    return float((levels["variance"].fillna(0.0) * dof / slope**2).sum()), int(dof.sum())


def _within_clip(runs: pd.DataFrame, measure: str) -> float | None:
    if not {"mean", "mean_se"} <= set(runs.columns):
        return None
    if not np.allclose(runs["mean"].astype(float), runs[measure].astype(float)):
        # The uncertainty in the table is that of the mean, not of a median or percentile.
        return None
    variance = float((runs["mean_se"].astype(float) ** 2).mean())
    return math.sqrt(variance) if math.isfinite(variance) and variance > 0 else None


def _spread(
    squares: float, dof: int, unit: Literal["mounting", "run"], within: float | None
) -> Spread:
    if dof > 0:
        return Spread(math.sqrt(squares / dof), dof, unit)
    if within is not None:
        return Spread(within, 30, "within clip")
    return Spread(math.nan, 0, unit)
