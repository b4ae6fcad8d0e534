"""What a calibration says in sentences, and what makes it doubtful."""

from __future__ import annotations

import math
import re
from collections.abc import Hashable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import t

from extractor.comparison import RunTable
from extractor.comparison.findings import Finding, Quantity, Voice
from extractor.radio.calibration import Calibration, calibrate, is_calibrated
from extractor.radio.equivalent_db import pair_differences
from extractor.radio.pads import pad_place, pad_place_finding
from extractor.radio.propagation import steepest_slope_mbit_s_per_db
from extractor.session.csv_tables import numbers

SITE_DB = "in link-equivalent dB at this site"
NOT_GAIN = "Differences read off it are link-equivalent dB at this site, not antenna gain."

#: What may stand for an open or loaded port in ``others``.
_NO_ANTENNA = frozenset({"", "-", "--", "none", "nothing", "load", "terminated", "off", "unused"})
_PADDED = re.compile(r"\(\s*[\d.,]+\s*dB\s*\)\s*$", re.IGNORECASE)


@dataclass(frozen=True)
class CalibrationReport:
    """Everything that a calibrated table of runs says.

    Attributes
    ----------
    calibration
        Curve and levels.
    differences
        As `equivalent_db.pair_differences`.
    findings
        Doubts about the calibration first, then one sentence for each pair.
    """

    calibration: Calibration
    differences: pd.DataFrame
    findings: tuple[Finding, ...]


def calibration_report(
    runs: pd.DataFrame, *, unit: str = "Mbit/s", confidence: float = 0.95
) -> CalibrationReport | None:
    """Calibrate the runs of a comparison and say what follows; None without a calibration.

    Parameters
    ----------
    runs
        All runs, steps included, with ``value``; of one session, since a curve belongs to the
        place and day on which it was measured. The channel's ``width_mhz``, where they share
        one, shows a slope that no channel can have.
    unit
        Of ``value``.
    confidence
        Of the intervals in decibels, 0.5 to 0.999.
    """
    single = "session" not in runs.columns or runs["session"].nunique() == 1
    if not single or not is_calibrated(runs, measure="value"):
        return None
    bandwidth_hz = None
    if "width_mhz" in runs.columns:
        widths = numbers(runs, "width_mhz").dropna().unique()
        bandwidth_hz = float(widths[0]) * 1e6 if len(widths) == 1 else None
    calibration = calibrate(runs, measure="value")
    pairs = pair_differences(calibration, confidence=confidence)
    findings = [
        *one_line_finding(calibration.curve_runs),
        *pad_place_finding(calibration, unit),
        *hysteresis_finding(calibration, unit),
        *shape_findings(calibration, unit, bandwidth_hz),
        curve_finding(calibration, unit),
        *pair_findings(pairs, calibration, confidence),
    ]
    return CalibrationReport(calibration, pairs, tuple(findings))


# --- doubts -------------------------------------------------------------------------------


def one_line_finding(curve_runs: pd.DataFrame) -> list[Finding]:
    """Warn where other ports had antennas and nothing says that their lines were padded.

    In ``others`` a padded line carries its pad behind the antenna, ``Green=Stub (6 dB)``; a
    column ``padded`` with ``all`` or ``transmitter`` says it for all lines at once.
    """
    if "others" not in curve_runs.columns:
        return []
    padded = curve_runs[curve_runs["attenuation_db"] > 0]
    bare = [row for row in padded.to_dict("records") if _bare_lines(row)]
    if not bare:
        return []
    example = _bare_lines(bare[0])
    sentence = (
        f"In {len(bare)} of {len(padded)} attenuated runs other ports had an antenna without a "
        f"pad ({', '.join(example)}). They hold the link up while one line is padded, so the "
        "curve is flatter than it should be and differences in dB can come out too large. Put "
        "one pad at the transmitter, within its power rating, or equal pads in the lines of all "
        "ports."
    )
    how = "Columns others and padded of runs.csv."
    return [Finding("calibration_one_line", sentence, how, (Quantity("runs", float(len(bare))),))]


def _bare_lines(row: dict[Hashable, Any]) -> list[str]:
    if str(row.get("padded") or "").strip().casefold() in ("all", "transmitter"):
        return []
    return [line for line in antennas_on_other_ports(row.get("others")) if not _PADDED.search(line)]


def antennas_on_other_ports(others: object) -> list[str]:
    """Return the parts ``Port=Antenna`` of a cell of ``others`` that name an antenna."""
    if not isinstance(others, str):
        return []
    parts = [part.strip() for part in others.split(";")]
    return [one for one in parts if one.partition("=")[2].strip().casefold() not in _NO_ANTENNA]


@dataclass(frozen=True)
class Hysteresis:
    """Level on the way back less level on the way out, at the same attenuation.

    Attributes
    ----------
    difference, low, high
        Mean over the steps met both ways and its 95 % t interval, in the field's unit.
    steps
        Number of steps met both ways.
    """

    difference: float
    low: float
    high: float
    steps: int


def pass_directions(attenuation_db: np.ndarray) -> np.ndarray:
    """+1 for each run on the way up in attenuation, -1 on the way down, in recording order."""
    change = np.sign(np.diff(attenuation_db))
    if not change.any():
        return np.zeros(attenuation_db.size)
    for i in range(1, change.size):
        change[i] = change[i] or change[i - 1]
    direction = np.append(change[np.flatnonzero(change)[0]], change)
    # At the turning point a second run of the same step begins the way back.
    for i in range(1, direction.size - 1):
        if attenuation_db[i] == attenuation_db[i - 1]:
            direction[i] = direction[i + 1]
    return direction


def hysteresis(calibration: Calibration) -> Hysteresis | None:
    """Compare the way out with the way back; None without an order or two common steps."""
    runs = calibration.curve_runs
    if "order" not in runs.columns or runs["order"].isna().any():
        return None
    steps = runs["attenuation_db"].to_numpy(float)
    both = runs.assign(direction=pass_directions(steps)).pivot_table(
        index="attenuation_db", columns="direction", values=calibration.measure
    )
    if not {1.0, -1.0} <= set(both.columns):
        return None
    change = (both[-1.0] - both[1.0]).dropna().to_numpy(float)
    if change.size < 2:
        return None
    half = float(t.ppf(0.975, change.size - 1) * change.std(ddof=1) / math.sqrt(change.size))
    mean = float(change.mean())
    return Hysteresis(mean, mean - half, mean + half, change.size)


def hysteresis_finding(calibration: Calibration, unit: str) -> list[Finding]:
    """Say whether the link came back to where it was."""
    found = hysteresis(calibration)
    if found is None:
        sentence = (
            "The steps were not gone through both up and down in a known order, so a link that "
            "drifted during the calibration would not be noticed. Step up and then down again, "
            "and fill the column order."
        )
        return [Finding("calibration_hysteresis", sentence, "Columns order and attenuation_db.")]
    how = f"Mean of {found.steps} steps met both ways, t interval."
    quantity = Voice(unit).quantity
    figures = tuple(quantity(name, getattr(found, name)) for name in ("difference", "low", "high"))
    amount = f"{found.difference:+.1f} {unit} (95 % interval {found.low:+.1f} to {found.high:+.1f})"
    if found.low <= 0 <= found.high:
        sentence = f"No drift seen between the way up and the way down: {amount}."
        return [Finding("calibration_hysteresis", sentence, how, figures, "appendix")]
    sentence = (
        f"On the way down the link differed from the way up by {amount}: it drifted while it was "
        "calibrated (heat, battery, people in the path). The intervals in dB carry this as "
        "spread; repeat the calibration with the same cooling and the same pauses."
    )
    return [Finding("calibration_hysteresis", sentence, how, figures)]


def shape_findings(
    calibration: Calibration, unit: str, bandwidth_hz: float | None
) -> list[Finding]:
    """Flat ends, a rise that noise does not explain, a slope that no channel can have."""
    curve = calibration.curve
    slope = -np.diff(curve.level) / np.diff(curve.attenuation_db)
    steepest = float(slope.max())
    findings = []
    rise = float((curve.step_mean[1:] - curve.step_mean[:-1]).max())
    noise = 2 * calibration.curve_spread.sd * math.sqrt(2 / float(curve.step_runs.min()))
    if rise > 0 and rise > noise:
        sentence = (
            f"With more attenuation the link once read {rise:.1f} {unit} more, beyond the spread "
            "between runs: a pad that was not in the line, a mixed-up clip, or a changed scene."
        )
        findings.append(Finding("calibration_rise", sentence, "Means of the steps."))
    if slope[-1] < steepest / 3 and curve.level[-1] > 0.15 * curve.level[0]:
        sentence = (
            "The last step lowers the link much less than those before: leakage past the pad, or "
            "other ports that hold the link up. Below that level only bounds are safe."
        )
        figures = (Quantity("last slope", float(slope[-1]), f"{unit} per dB"),)
        findings.append(Finding("calibration_flat_tail", sentence, "Slopes of the curve.", figures))
    if bandwidth_hz is not None and unit == "Mbit/s":
        limit = steepest_slope_mbit_s_per_db(bandwidth_hz)
        if steepest > limit:
            sentence = (
                f"The curve falls by up to {steepest:.1f} Mbit/s per dB; a channel of "
                f"{bandwidth_hz / 1e6:g} MHz can't do more than {limit:.1f} with one stream. A "
                "rate step or averaging over good and bad moments makes it so: take dB between "
                "levels around it with care."
            )
            how = "Slope of Shannon's bound, B log2(10) / 10."
            findings.append(Finding("calibration_slope", sentence, how))
    return findings


# --- results ------------------------------------------------------------------------------


def curve_finding(calibration: Calibration, unit: str) -> Finding:
    """Describe the curve: from where to where, how steep, how scattered."""
    curve, spread = calibration.curve, calibration.curve_spread
    steps, level = curve.attenuation_db, curve.level
    slope = -np.diff(level) / np.diff(steps)
    at = int(slope.argmax())
    scatter = (
        f"Runs at one step differ by {spread.sd:.1f} {unit} (standard deviation, "
        f"{spread.dof} degrees of freedom)."
        if spread.dof and spread.unit == "run"
        else "No step was recorded twice, so run-to-run spread is not known: record each twice."
    )
    sentence = (
        f"Calibrated with {curve.antenna}, pads {pad_place(calibration.curve_runs)}: from "
        f"{steps[0]:g} to {steps[-1]:g} dB the link falls from {level[0]:.1f} to "
        f"{level[-1]:.1f} {unit}, fastest between {steps[at]:g} and {steps[at + 1]:g} dB "
        f"({slope[at]:.1f} {unit} per dB). {scatter} {NOT_GAIN}"
    )
    how = (
        f"Isotonic regression over {int(curve.step_runs.sum())} runs at {steps.size} steps; "
        "monotone cubic between them; nothing beyond the ends."
    )
    figures = (
        Quantity("highest level", float(level[0]), unit),
        Quantity("lowest level", float(level[-1]), unit),
        Quantity("steepest slope", float(slope[at]), f"{unit} per dB"),
    )
    return Finding("calibration", sentence, how, figures)


def pair_findings(
    pairs: pd.DataFrame, calibration: Calibration, confidence: float
) -> list[Finding]:
    """One sentence for each pair, hedged as the interval demands."""
    scope = {
        "mounting": "over mountings",
        "run": "for these mountings only: the spread from putting an antenna up again is not in it",
        "within clip": "from the spread inside clips alone, which is too narrow: repeat clips",
    }[calibration.level_spread.unit]
    how = (
        f"Both levels read off the curve; {100 * confidence:g} % interval of this pair by itself, "
        f"{scope}; it carries clips, curve and attenuator (simulated repeats, GUM Supplement 1)."
    )
    names, quantity = ("difference_db", "low_db", "high_db"), Voice("dB").quantity
    return [
        Finding(
            "difference_db", _pair_sentence(row), how, tuple(quantity(n, row[n]) for n in names)
        )
        for row in pairs.to_dict("records")
    ]


def _pair_sentence(row: dict[Hashable, Any]) -> str:
    first, second = str(row["antenna"]), str(row["reference"])
    value, low, high = row["difference_db"], row["low_db"], row["high_db"]
    if math.isnan(low):
        return f"{first} against {second}: nothing was recorded twice, so no interval can be given."
    if row["bound"] == "unknown":
        return f"{first} against {second}: both lie where the curve is flat or ends: can't be told."
    if row["bound"] == "at most":
        first, second, low = second, first, -high
    if row["bound"]:
        if low >= 0.05:
            return f"{first} is at least {low:.1f} dB stronger than {second}, {SITE_DB}."
        least = f"at most {-low:.1f} dB weaker than" if low <= -0.05 else "at least as strong as"
        return (
            f"{first} is {least} {second}; how much stronger it may be, the curve can't say. A pad "
            "in all lines during the comparison would tell."
        )
    if math.isnan(value):
        return f"{first} against {second}: between {low:+.1f} and {high:+.1f} dB, {SITE_DB}."
    if low <= 0 <= high:
        return (
            f"{first} and {second} can't be told apart: {value:+.1f} dB "
            f"(interval {low:+.1f} to {high:+.1f})."
        )
    if value < 0:
        first, second, value, low, high = second, first, -value, -high, -low
    return (
        f"{first} is {value:.1f} dB stronger than {second} (interval {low:.1f} to {high:.1f}), "
        f"{SITE_DB}."
    )


def at_common_attenuation(runs: pd.DataFrame) -> pd.DataFrame:
    """Keep the runs comparable in the field's own unit: one attenuation, straight ahead.

    The attenuation is the one at which most antennas have runs, the lowest of several; steps of
    a calibration and angles of a sweep are left out. Without such columns: all runs.
    """
    kept = runs
    if "angle_deg" in kept.columns:
        kept = kept[numbers(kept, "angle_deg").fillna(0.0) == 0]
    if "attenuation_db" not in kept.columns:
        return kept
    attenuation = numbers(kept, "attenuation_db").fillna(0.0)
    antennas = kept["antenna"].groupby(attenuation).nunique()
    return kept[attenuation == antennas.idxmax()]


def set_apart(table: RunTable, confidence: float) -> tuple[RunTable, tuple[Finding, ...]]:
    """Return the runs that can be compared in the field's own unit, and what the others say.

    Parameters
    ----------
    table : RunTable
        Steps of a calibration and angles of a sweep included.
    confidence : float
        Of the intervals in decibels, 0.5 to 0.999.
    """
    report = None
    if table.factor == "antenna" and table.better == "higher":
        report = calibration_report(table.runs, unit=table.unit, confidence=confidence)
    runs = at_common_attenuation(table.runs).reset_index(drop=True)
    return replace(table, runs=runs), report.findings if report is not None else ()
