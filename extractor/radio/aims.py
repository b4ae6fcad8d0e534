"""Best for what: straight ahead and to the side, by a sweep or by what antennas.csv says."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from extractor.comparison.findings import Finding, listed
from extractor.comparison.loading import RunTable
from extractor.radio.assessment import DEFAULT_FREQUENCY_HZ
from extractor.radio.calibration_findings import CalibrationReport
from extractor.radio.expectation import beamwidth_deg
from extractor.radio.sweep import Sweep, sweep_report
from extractor.radio.wording import finding
from extractor.session.antennas import FILE_NAME, Antenna, read_antennas

#: An antenna turned by no more than this counts as aimed straight ahead, degrees.
AHEAD_DEG = 5.0


def session_aims(
    paths: Sequence[str | Path], table: RunTable, report: CalibrationReport | None
) -> list[Finding]:
    """Return what is known of directions, where one session was compared by antenna."""
    if len(paths) > 1 or table.factor != "antenna" or table.better != "higher":
        return []
    known = Path(paths[0]) / FILE_NAME
    antennas = read_antennas(known) if known.exists() else ()
    calibration = report.calibration if report else None
    sweep = sweep_report(
        table.runs, calibration, measure="value", unit=table.unit, antennas=antennas
    )
    names = list(table.runs["antenna"].unique())
    return aim_findings(names, antennas, sweep, table.unit, DEFAULT_FREQUENCY_HZ)


def aim_findings(
    names: Sequence[str], antennas: Sequence[Antenna], sweep: Sweep, unit: str, frequency_hz: float
) -> list[Finding]:
    """Say which antenna suits straight ahead and which the side.

    Parameters
    ----------
    names : sequence of str
        The antennas that were compared.
    antennas : sequence of Antenna
        What antennas.csv says; may be empty.
    sweep : Sweep
        Levels by angle, in `unit`.
    frequency_hz : float
        For the beamwidths that follow from a size or a gain.
    """
    turned = _two_directions(sweep.table)
    if turned is not None:
        side, levels = turned
        ahead, aside = levels.sort_values("ahead").iloc[-1], levels.sort_values("aside").iloc[-1]
        which = "same" if ahead["antenna"] == aside["antenna"] else "turned"
        figures = {"ahead": ahead["antenna"], "level": ahead["ahead"], "unit": unit, "side": side}
        figures |= {"aside": aside["antenna"], "other": aside["aside"]}
        return [finding("aim", which, **figures), *sweep.findings]
    known = {one.antenna: one for one in antennas if one.antenna in names}
    widths = {name: beamwidth_deg(one, frequency_hz) for name, one in known.items()}
    narrow = sorted((w, name) for name, w in widths.items() if w is not None)
    around = [name for name, one in known.items() if one.is_omnidirectional]
    beams = listed([f"{name} {width:.0f} deg" for width, name in narrow])
    rated = f" By antennas.csv the beams are: {beams}." if narrow else ""
    if around:
        rated += f" {listed(around)} {'hear' if len(around) > 1 else 'hears'} all round."
    return [finding("aim", "ahead", rated=rated), *sweep.findings]


def _two_directions(table: pd.DataFrame) -> tuple[float, pd.DataFrame] | None:
    """Return the widest angle that all swept antennas share, and their levels ahead and there."""
    if table.empty or table["antenna"].nunique() < 2 or table["attenuation_db"].nunique() > 1:
        return None
    table = table.assign(side=table["angle_deg"].abs())
    shared = table.groupby("side")["antenna"].nunique()
    sides = shared.index[(shared == table["antenna"].nunique()) & (shared.index > AHEAD_DEG)]
    ahead = table[table["side"] <= AHEAD_DEG].groupby("antenna")["level"].mean()
    if not len(sides) or len(ahead) < table["antenna"].nunique():
        return None
    aside = table[table["side"] == sides.max()].groupby("antenna")["level"].mean()
    levels = pd.DataFrame({"ahead": ahead, "aside": aside}).reset_index()
    return float(sides.max()), levels
