"""An antenna turned in steps: pattern, half-power beamwidth, coverage.

Runs carry ``angle_deg``, 0 where the antenna points at the transmitter, growing clockwise
seen from above. With a calibration the levels become dB; without one only the field's own
unit and the angle at which it falls below a threshold can be given.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import pandas as pd

from extractor.comparison.findings import Finding, Quantity
from extractor.radio.antenna_gain import implied_beamwidth_deg
from extractor.radio.calibration import DRAWS, Calibration
from extractor.radio.combining import Floats
from extractor.radio.equivalent_db import draw_strengths_db
from extractor.radio.link_budget import NotValid
from extractor.radio.wording import finding, said
from extractor.session.antennas import Antenna
from extractor.session.csv_tables import numbers

FEWEST_ANGLES = 5
MAIN_LOBE_DEPTH_DB = 4.5
"""How far down the parabola is fitted: to about 0.6 of the half-power width."""


def sweep_antennas(runs: pd.DataFrame) -> list[str]:
    """Antennas with runs at five or more angles."""
    angles = runs.assign(angle_deg=numbers(runs, "angle_deg")).dropna(subset=["angle_deg"])
    count = angles.groupby("antenna")["angle_deg"].nunique()
    return [str(name) for name in count.index[count >= FEWEST_ANGLES]]


def sweep_levels(runs: pd.DataFrame, antenna: str, *, measure: str = "mean") -> pd.DataFrame:
    """Mean level at each angle of one antenna.

    Returns
    -------
    DataFrame
        ``angle_deg, attenuation_db, level, n_runs``, by angle. Where one angle was taken at
        several attenuations, the one with most runs stands.
    """
    own = runs[runs["antenna"] == antenna]
    own = own.assign(angle_deg=numbers(own, "angle_deg"), level=numbers(own, measure))
    own["attenuation_db"] = numbers(own, "attenuation_db").fillna(0.0)
    own = own.dropna(subset=["angle_deg", "level"])
    groups = own.groupby(["angle_deg", "attenuation_db"])["level"]
    table = groups.agg(level="mean", n_runs="size").reset_index()
    table = table.sort_values(["angle_deg", "n_runs"], ascending=[True, False])
    return table.drop_duplicates("angle_deg").reset_index(drop=True)


@dataclass(frozen=True)
class Beam:
    """Half-power beamwidth of one antenna, in degrees, with a 95 % interval.

    Attributes
    ----------
    width_deg, low_deg, high_deg
        Full width between the half-power points.
    peak_deg
        Direction of the peak.
    """

    width_deg: float
    low_deg: float
    high_deg: float
    peak_deg: float


def pattern_db(levels: pd.DataFrame, calibration: Calibration) -> Floats:
    """Strength at each angle in dB over the calibrating antenna, infinite beyond the curve."""
    curve = calibration.curve
    bounds = [curve.attenuation_at(float(level)) for level in levels["level"]]
    read = np.array([(one.low_db + one.high_db) / 2 for one in bounds])
    return levels["attenuation_db"].to_numpy(float) - read


def beamwidth(
    levels: pd.DataFrame, calibration: Calibration, *, seed: int = 0, draws: int = DRAWS
) -> Beam | NotValid:
    """Half-power width from a parabola through the main lobe, ``12 (angle / width)^2`` dB.

    The form is that of ITU-R F.1336; it is fitted down to 4.5 dB under the strongest angle. The
    interval comes from simulated repeats of curve and levels, as for differences.
    """
    angles = levels["angle_deg"].to_numpy(float)
    pattern = pattern_db(levels, calibration)
    if np.isposinf(pattern).any():
        return NotValid(
            "at its strongest the sweep lies above the curve or on its upper plateau; repeat it "
            "with a pad in all lines"
        )
    lobe = pattern >= pattern.max() - MAIN_LOBE_DEPTH_DB
    if lobe.sum() < 4:
        return NotValid("fewer than four angles in the main lobe; turn in smaller steps")
    if pattern[lobe].max() - pattern[lobe].min() < 1.5:
        turned = angles[lobe].max() - angles[lobe].min()
        return NotValid(f"wider than the {turned:g} deg it was turned through; turn further")
    (width,), (peak,) = _fit_beam(angles[lobe], pattern[None, lobe])
    if math.isnan(width):
        return NotValid("the strongest directions don't form one lobe")
    told = levels[lobe].assign(antenna="", replicates=levels["n_runs"])
    repeated = replace(calibration, levels=told, level_spread=calibration.curve_spread)
    weakest, strongest = draw_strengths_db(repeated, 0.0, seed=seed, draws=draws)
    # Beyond the ends a draw counts at the end: the lobe's middle is what the width rests on.
    widths, _ = _fit_beam(angles[lobe], np.where(np.isinf(weakest), strongest, weakest))
    good = np.isfinite(widths)
    if good.mean() < 0.975:
        return NotValid("the spread between runs is too large to see a width; repeat the angles")
    low, high = np.quantile(widths[good], [0.025, 0.975])
    return Beam(float(width), float(low), float(high), float(peak))


def _fit_beam(angles_deg: Floats, pattern: Floats) -> tuple[Floats, Floats]:
    """Width and peak of each row, NaN where the parabola opens upwards."""
    bend, tilt, _ = np.polyfit(angles_deg, pattern.T, 2)
    with np.errstate(invalid="ignore", divide="ignore"):
        width = np.where(bend < 0, np.sqrt(12 / -bend), math.nan)
        return width, np.where(bend < 0, -tilt / (2 * bend), math.nan)


# --- sentences ----------------------------------------------------------------------------


def beam_finding(antenna: str, beam: Beam | NotValid, gain_dbi: float | None) -> Finding:
    """Say the beamwidth, and whether the rated gain, where it belongs to a beam, implies it."""
    kind, more = "beamwidth", ""
    if isinstance(beam, NotValid):
        return finding(kind, "none", antenna=antenna, reason=beam.reason)
    if gain_dbi is not None and isinstance(implied := implied_beamwidth_deg(gain_dbi), float):
        # 1 dB of the formula is 12 % of the width.
        which = "wider" if beam.low_deg > implied * 1.12 else "fits"
        more = said(kind, which, gain=gain_dbi, width=implied)
    numbers = tuple(Quantity(e, getattr(beam, f"{e}_deg"), "deg") for e in ("width", "low", "high"))
    return finding(kind, "says", numbers, antenna=antenna, beam=beam, implied=more)


def coverage_finding(antenna: str, levels: pd.DataFrame, threshold: float, unit: str) -> Finding:
    """Say over which directions the level stays at or above `threshold` (field's unit).

    From the strongest angle to where it first falls below, interpolated between two angles, or
    as far as the antenna was turned; needs no calibration.
    """
    angles, level = levels["angle_deg"].to_numpy(float), levels["level"].to_numpy(float)
    peak = int(level.argmax())
    words = {"antenna": antenna, "threshold": threshold, "unit": unit}
    if level[peak] < threshold:
        return finding("coverage", "none", **words)
    ways = slice(peak, None, -1), slice(peak, None)
    ends = [_crossing(angles[way], level[way], threshold) for way in ways]
    left, right = (
        turned if math.isnan(end) else end
        for end, turned in zip(ends, angles[[0, -1]].tolist(), strict=True)
    )
    least = "at least " if any(map(math.isnan, ends)) else ""
    numbers = (Quantity("left", left, "deg"), Quantity("right", right, "deg"))
    figures = {"left": left, "right": right, "least": least, "width": right - left}
    return finding("coverage", "says", numbers, **words, **figures)


def _crossing(angles: Floats, level: Floats, threshold: float) -> float:
    """Where the level first falls under the threshold; NaN where it never does."""
    under = np.flatnonzero(level < threshold)
    if not under.size:
        return math.nan
    i = int(under[0])
    share = (level[i - 1] - threshold) / (level[i - 1] - level[i])
    return float(angles[i - 1] + share * (angles[i] - angles[i - 1]))


class Sweep(NamedTuple):
    """Sweeps of all antennas.

    Attributes
    ----------
    table : DataFrame
        ``antenna, angle_deg, attenuation_db, level, n_runs, relative_db``; the last is NaN
        without a calibration or where the curve gives only a bound.
    findings : tuple of Finding
        Beamwidths where there is a calibration, coverage where a threshold is named.
    beams : dict
        Beamwidths by antenna, where one could be told.
    """

    table: pd.DataFrame
    findings: tuple[Finding, ...]
    beams: dict[str, Beam]


def sweep_report(
    runs: pd.DataFrame,
    calibration: Calibration | None,
    *,
    measure: str = "mean",
    unit: str = "Mbit/s",
    threshold: float | None = None,
    antennas: Sequence[Antenna] = (),
) -> Sweep:
    """Sweeps of all antennas: one table, the sentences and the beams."""
    rated = {one.antenna: one.gain_dbi for one in antennas if not one.is_omnidirectional}
    columns = ["antenna", "angle_deg", "attenuation_db", "level", "n_runs", "relative_db"]
    tables, findings, beams = [pd.DataFrame(columns=columns)], [], {}
    for antenna in sweep_antennas(runs):
        levels = sweep_levels(runs, antenna, measure=measure)
        relative = np.full(len(levels), math.nan)
        if calibration is not None:
            pattern = pattern_db(levels, calibration)
            finite = np.isfinite(pattern)
            if finite.any():
                relative[finite] = pattern[finite] - pattern[finite].max()
            beam = beamwidth(levels, calibration)
            if isinstance(beam, Beam):
                beams[antenna] = beam
            findings.append(beam_finding(antenna, beam, rated.get(antenna)))
        if threshold is not None:
            findings.append(coverage_finding(antenna, levels, threshold, unit))
        tables.append(levels.assign(antenna=antenna, relative_db=relative)[columns])
    table = pd.concat(tables[1:] or tables, ignore_index=True)
    return Sweep(table, tuple(findings), beams)
