"""What a calibration says in sentences, and what makes it doubtful."""

from __future__ import annotations

import math
import re
from collections.abc import Hashable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from extractor.comparison.findings import Finding, Part, Quantity, Voice
from extractor.comparison.loading import RunTable
from extractor.radio.calibration import (
    Calibration,
    at_transmitter,
    calibrate,
    is_calibrated,
    pad_place,
)
from extractor.radio.equivalent_db import pair_differences
from extractor.radio.link_budget import line_pad_change_db, steepest_slope_mbit_s_per_db
from extractor.radio.wording import finding, said
from extractor.session.csv_tables import numbers
from extractor.session.spelling import hung

#: What may stand for an open or loaded port in ``others``.
_NO_ANTENNA = frozenset({"", "-", "--", "none", "nothing", "load", "terminated", "off", "unused"})
#: A pad behind the antenna's name, ``Stub (6 dB)``.
PADDED = re.compile(r"\(\s*([\d.,]+)\s*dB\s*\)\s*$", re.IGNORECASE)


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
    widths = numbers(runs, "width_mhz").dropna().unique()
    bandwidth_hz = float(widths[0]) * 1e6 if len(widths) == 1 else None
    calibration = calibrate(runs, measure="value")
    pairs = pair_differences(calibration, confidence=confidence)
    findings = [
        *one_line_finding(calibration.curve_runs),
        *pad_place_finding(calibration, unit),
        hysteresis_finding(calibration, unit),
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
    padded = curve_runs[curve_runs["attenuation_db"] > 0].to_dict("records")
    bare = [lines for row in padded if (lines := _bare_lines(row))]
    if not bare:
        return []
    figures = {"bare": len(bare), "padded": len(padded), "example": ", ".join(bare[0])}
    numbers = (Quantity("runs", float(len(bare))),)
    return [finding("calibration_one_line", "says", numbers, **figures)]


def _bare_lines(row: dict[Hashable, Any]) -> list[str]:
    if str(row.get("padded") or "").strip().casefold() in ("all", "transmitter"):
        return []
    others = antennas_on_other_ports(row.get("others"))
    return [f"{port}={name}" for port, name in others if not PADDED.search(name)]


def antennas_on_other_ports(others: object) -> list[tuple[str, str]]:
    """Return port and antenna of each part of a cell of ``others`` that names an antenna."""
    cell = others if isinstance(others, str) else ""
    return [(port, name) for port, name in hung(cell) if name.casefold() not in _NO_ANTENNA]


def pad_place_finding(calibration: Calibration, unit: str) -> list[Finding]:
    """Hold pads in the lines, which weaken interference too, against the same at the transmitter.

    Without pads of one size at both places: ask for that test.
    """
    runs = pd.concat([calibration.curve_runs, calibration.other_runs])
    runs = runs[runs["attenuation_db"] > 0]
    sent, wrong = at_transmitter(runs), pad_place(calibration.curve_runs) != "at the transmitter"
    means = (
        runs[which].groupby("attenuation_db")[calibration.measure].agg(["mean", "size"])
        for which in (~sent, sent)
    )
    both = pd.concat(means, axis=1, join="inner").set_axis(["lines", "n", "sent", "m"], axis=1)
    spread, kind = calibration.curve_spread, "calibration_pad_place"
    if both.empty or not spread.dof:
        most = float(runs["attenuation_db"].max())
        asking = finding(kind, "asking", most=most, acting=line_pad_change_db(most, 10))
        return [asking] if wrong else []
    more = float((both["lines"] - both["sent"]).mean())
    error = spread.sd * math.sqrt((1 / both["n"] + 1 / both["m"]).sum()) / len(both)
    half = float(stdtrit(spread.dof, 0.975)) * error
    found = said(kind, "unseen")
    if more > half:
        found = said(kind, "wrong" if wrong else "seen", seen=said(kind, "seen"))
    ends = {"more": more, "low": more - half, "high": more + half}
    steps = ", ".join(f"{step:g}" for step in both.index)
    return [finding(kind, steps=steps, unit=unit, found=found, **ends)]


def pass_directions(attenuation_db: np.ndarray) -> np.ndarray:
    """+1 for each run on the way up in attenuation, -1 on the way down, in recording order."""
    change = pd.Series(np.sign(np.diff(attenuation_db))).replace(0.0, math.nan)
    direction = change.ffill().bfill().fillna(0.0).to_numpy()
    direction = np.append(direction[:1], direction) if direction.size else np.zeros(1)
    # At the turning point a second run of the same step begins the way back.
    for i in range(1, direction.size - 1):
        if attenuation_db[i] == attenuation_db[i - 1]:
            direction[i] = direction[i + 1]
    return direction


def hysteresis_finding(calibration: Calibration, unit: str) -> Finding:
    """Say whether the link came back to where it was: level on the way back less way out.

    Mean over the steps met both ways with its 95 % t interval, in the field's unit.
    """
    kind, runs, change = "calibration_hysteresis", calibration.curve_runs, np.zeros(0)
    if "order" in runs.columns and runs["order"].notna().all():
        steps = runs["attenuation_db"].to_numpy(float)
        both = runs.assign(direction=pass_directions(steps)).pivot_table(
            index="attenuation_db", columns="direction", values=calibration.measure
        )
        if {1.0, -1.0} <= set(both.columns):
            change = (both[-1.0] - both[1.0]).dropna().to_numpy(float)
    if change.size < 2:
        return finding(kind, "unordered")
    half = float(stdtrit(change.size - 1, 0.975) * change.std(ddof=1) / math.sqrt(change.size))
    mean = float(change.mean())
    ends = {"difference": mean, "low": mean - half, "high": mean + half}
    which: tuple[str, Part] = ("still", "appendix") if abs(mean) <= half else ("drifted", "verdict")
    numbers = Voice(unit).quantities(ends)
    return finding(kind, which[0], numbers, which[1], unit=unit, steps=change.size, **ends)


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
        findings.append(finding("calibration_rise", rise=rise, unit=unit))
    if slope[-1] < steepest / 3 and curve.level[-1] > 0.15 * curve.level[0]:
        numbers = (Quantity("last slope", float(slope[-1]), f"{unit} per dB"),)
        findings.append(finding("calibration_flat_tail", "says", numbers))
    if bandwidth_hz is not None and unit == "Mbit/s":
        limit = steepest_slope_mbit_s_per_db(bandwidth_hz)
        if steepest > limit:
            figures = {"steepest": steepest, "width": bandwidth_hz / 1e6, "limit": limit}
            findings.append(finding("calibration_slope", **figures))
    return findings


# --- results ------------------------------------------------------------------------------


def curve_finding(calibration: Calibration, unit: str) -> Finding:
    """Describe the curve: from where to where, how steep, how scattered."""
    curve, spread = calibration.curve, calibration.curve_spread
    steps, level = curve.attenuation_db, curve.level
    slope = -np.diff(level) / np.diff(steps)
    at = int(slope.argmax())
    known = spread.dof and spread.unit == "run"
    scatter = said("calibration", "scattered" if known else "single", spread=spread, unit=unit)
    numbers = (
        Quantity("highest level", float(level[0]), unit),
        Quantity("lowest level", float(level[-1]), unit),
        Quantity("steepest slope", float(slope[at]), f"{unit} per dB"),
    )
    ends = {"first": steps[0], "last": steps[-1], "top": level[0], "bottom": level[-1]}
    ends |= {"begin": steps[at], "end": steps[at + 1], "slope": slope[at]}
    counts = {"runs": int(curve.step_runs.sum()), "steps": steps.size}
    words = {"antenna": curve.antenna, "place": pad_place(calibration.curve_runs), "unit": unit}
    scatter = f"{scatter} {said('not_gain')}"
    return finding("calibration", "says", numbers, scatter=scatter, **words, **counts, **ends)


def pair_findings(
    pairs: pd.DataFrame, calibration: Calibration, confidence: float
) -> list[Finding]:
    """One sentence for each pair, hedged as the interval demands."""
    scope = said("difference_db", calibration.level_spread.unit)
    return [
        finding(
            "difference_db",
            _which(row),
            Voice("dB").quantities({n: row[n] for n in ("difference_db", "low_db", "high_db")}),
            percent=100 * confidence,
            scope=scope,
            **_stronger_first(row),
        )
        for row in pairs.to_dict("records")
    ]


def _which(row: dict[Hashable, Any]) -> str:
    """Text for one pair: as much as its interval lets one say."""
    if math.isnan(row["low_db"]):
        return "alone"
    if row["bound"] == "unknown":
        return "unknown"
    if row["bound"]:
        at_least = row["low_db"] if row["bound"] == "at least" else -row["high_db"]
        return "stronger" if at_least >= 0.05 else "least"
    if math.isnan(row["difference_db"]):
        return "between"
    return "alike" if row["low_db"] <= 0 <= row["high_db"] else "apart"


def _stronger_first(row: dict[Hashable, Any]) -> dict[str, Any]:
    first, second = row["antenna"], row["reference"]
    value, low, high = row["difference_db"], row["low_db"], row["high_db"]
    if row["bound"] == "at most" or (_which(row) == "apart" and value < 0):
        first, second, value, low, high = second, first, -value, -high, -low
    least = f"at most {-low:.1f} dB weaker than" if low <= -0.05 else "at least as strong as"
    figures = {"first": first, "second": second, "value": value}
    return {**figures, "low": low, "high": high, "least": least}


def at_common_attenuation(runs: pd.DataFrame) -> pd.DataFrame:
    """Keep the runs comparable in the field's own unit: one attenuation, straight ahead.

    The attenuation is the one at which most antennas have runs, the lowest of several; steps of
    a calibration and angles of a sweep are left out. Without such columns: all runs.
    """
    kept = runs[numbers(runs, "angle_deg").fillna(0.0) == 0]
    attenuation = numbers(kept, "attenuation_db").fillna(0.0)
    antennas = kept["antenna"].groupby(attenuation).nunique()
    return kept if antennas.empty else kept[attenuation == antennas.idxmax()]


def set_apart(table: RunTable, confidence: float) -> tuple[RunTable, CalibrationReport | None]:
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
    return replace(table, runs=runs), report
