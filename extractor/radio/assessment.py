"""From a session folder to everything that link physics says about it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from extractor.comparison import Finding, RunTable, compare_table, load_sessions
from extractor.errors import SessionFileError, UsageError
from extractor.radio.calibration_findings import (
    CalibrationReport,
    antennas_on_other_ports,
    at_common_attenuation,
    calibration_report,
)
from extractor.radio.cautions import cautions
from extractor.radio.discrepancies import (
    Circumstances,
    Judgement,
    Measured,
    judge,
    near_field_antennas,
)
from extractor.radio.expectation import ExpectedDifference, Transmitter, expected_differences
from extractor.radio.link_budget import DIPOLE_GAIN_DBI
from extractor.radio.propagation import (
    NotValid,
    eirp_dbm,
    free_space_loss_db,
    thermal_noise_dbm,
    wall_loss_db,
)
from extractor.radio.ratings import Rating, rate
from extractor.radio.sweep import sweep_antennas, sweep_report
from extractor.session.antennas import FILE_NAME, Antenna, find_antenna, read_antennas
from extractor.session.folder import Session
from extractor.session.numerals import LARGEST_NUMBER
from extractor.session.spelling import folded

DEFAULT_FREQUENCY_HZ = 5.8e9
TYPICAL_WALLS = (("plasterboard", 0.0125), ("brick", 0.10), ("concrete", 0.20))
RECEIVER_NOISE_FIGURE_DB = 6.0
"""Assumed of a receiver (common practice, no source)."""


@dataclass(frozen=True)
class LinkReport:
    """All that `extractor expect` shows.

    Attributes
    ----------
    ratings
        Verdict on each antenna's rated gain.
    expected
        Expected difference of each antenna against the reference.
    calibration
        Curve, differences in dB and findings; None without a calibration.
    judgements
        Expected against measured; empty without results.
    sweep
        Table of `sweep.sweep_report`; empty without a sweep.
    findings
        Sentences about calibration and sweep.
    remarks
        Budget of the path, far field, what a wall costs.
    """

    antennas: tuple[Antenna, ...]
    reference: Antenna
    circumstances: Circumstances
    ratings: tuple[Rating, ...]
    expected: tuple[ExpectedDifference, ...]
    calibration: CalibrationReport | None
    judgements: tuple[Judgement, ...]
    sweep: pd.DataFrame
    findings: tuple[Finding, ...]
    remarks: tuple[str, ...]
    unit: str
    threshold: float | None


def link_report(
    root: Path,
    *,
    reference: str | None = None,
    field: str = "bitrate",
    measure: str | None = None,
    threshold: float | None = None,
) -> LinkReport:
    """Read a session's ``antennas.csv`` and, where there are results, hold them against it.

    Parameters
    ----------
    reference
        Antenna to compare with; by default the first with a rated gain.
    threshold
        Level in the field's unit for the coverage of a sweep.

    Raises
    ------
    UsageError
        If the session, the reference or the field is not there.
    SessionFileError
        If a file of the session is wrong.
    """
    session = Session(root)
    antennas = read_antennas(root / FILE_NAME)
    conditions = session.conditions()
    table = load_sessions([root], field, measure) if session.summary_path.exists() else None
    sending = find_antenna(antennas, str(conditions.get("transmitter_antenna") or ""))
    receiving = _receiving(antennas, sending, table)
    base = _reference(receiving, reference)
    runs = None if table is None else table.runs
    circumstances = _circumstances(conditions, sending, runs)
    expected = tuple(
        expected_differences(
            receiving, base, circumstances.frequency_hz, transmitter=circumstances.transmitter
        )
    )
    report = None
    judgements: tuple[Judgement, ...] = ()
    findings: tuple[Finding, ...] = ()
    sweep = pd.DataFrame()
    if table is not None:
        if table.better == "higher":
            report = calibration_report(table.runs, unit=table.unit)
        measured = _measured(table, report, base)
        judgements = tuple(
            judge(one, measured[folded(one.antenna)], antenna, base, circumstances)
            for one in expected
            if folded(one.antenna) in measured
            and (antenna := find_antenna(antennas, one.antenna)) is not None
        )
        sweep, findings = sweep_report(
            table.runs, report.calibration if report else None, measure="value", unit=table.unit,
            threshold=threshold, antennas=antennas,
        )  # fmt: skip
    return LinkReport(
        antennas,
        base,
        circumstances,
        tuple(rate(one, circumstances.frequency_hz) for one in antennas),
        expected,
        report,
        judgements,
        sweep,
        (*(report.findings if report else ()), *findings),
        (
            *_remarks(conditions, antennas, sending, circumstances),
            *_radiating(conditions, antennas, sending, runs),
        ),
        "" if table is None else table.unit,
        threshold,
    )


def _receiving(
    antennas: Sequence[Antenna], sending: Antenna | None, table: RunTable | None
) -> list[Antenna]:
    """Leave out the transmitter's antenna, unless some run received with it too."""
    used = set() if table is None else {folded(str(n)) for n in table.runs["antenna"].unique()}
    rest = [one for one in antennas if one is not sending or folded(one.antenna) in used]
    return rest or list(antennas)


def _reference(antennas: Sequence[Antenna], name: str | None) -> Antenna:
    if name is None:
        return next((one for one in antennas if one.gain_dbi is not None), antennas[0])
    found = find_antenna(antennas, name)
    if found is None:
        known = ", ".join(one.antenna for one in antennas)
        raise UsageError(f"reference {name!r} is not in {FILE_NAME} (it has: {known})")
    return found


# --- conditions ---------------------------------------------------------------------------


def _number(conditions: Mapping[str, Any], key: str) -> float | None:
    value = conditions.get(key)
    if value is None or value == "":
        return None
    known = isinstance(value, int | float) and not isinstance(value, bool)
    if not known or not 0 < value <= LARGEST_NUMBER:
        raise SessionFileError(
            f"session.toml: {key} is {value!r}; write a number above 0, without quotes or unit"
        )
    return float(value)


def _circumstances(
    conditions: Mapping[str, Any], sending: Antenna | None, runs: pd.DataFrame | None
) -> Circumstances:
    channel_mhz = _number(conditions, "channel_mhz")
    frequency_hz = DEFAULT_FREQUENCY_HZ
    if channel_mhz is not None and channel_mhz >= 1000:
        # Below, it is a channel's number rather than its frequency.
        frequency_hz = channel_mhz * 1e6
    transmitter = Transmitter()
    if sending is not None:
        transmitter = Transmitter(sending.polarisation, sending.axial_ratio_db)
    bare = Circumstances(
        frequency_hz,
        through_walls=_through_walls(conditions.get("walls")),
        distance_m=_number(conditions, "distance_m"),
        transmitter=transmitter,
    )
    return bare if runs is None else _with_runs(bare, runs)


def _through_walls(walls: object) -> bool | None:
    if walls is None or walls == "":
        return None
    return str(walls).strip().casefold() not in ("0", "0.0", "none", "no", "false")


def _with_runs(bare: Circumstances, runs: pd.DataFrame) -> Circumstances:
    turned = frozenset(sweep_antennas(runs))
    runs = at_common_attenuation(runs)
    shares: dict[str, float] = {}
    if "ceiling_share" in runs.columns:
        worst = runs.groupby("antenna")["ceiling_share"].max().dropna()
        shares = {str(name): float(share) for name, share in worst.items()}
    positions = runs["position"].dropna().nunique() if "position" in runs.columns else 0
    return replace(
        bare,
        positions=int(positions),
        other_antennas=max(map(_other_antennas, runs["antenna"], runs["others"]), default=0),
        ceiling_share=shares,
        turned=turned,
    )


def _other_antennas(antenna: str, others: object) -> int:
    """Ports with another antenna than the one under test; the same on all dilutes nothing."""
    lines = [line.partition("=")[2].strip() for line in antennas_on_other_ports(others)]
    return sum(not line.casefold().startswith(antenna.casefold()) for line in lines)


# --- measured -----------------------------------------------------------------------------


def _measured(
    table: RunTable, report: CalibrationReport | None, base: Antenna
) -> dict[str, Measured]:
    """Each antenna's measured difference to the reference, keyed by its folded name."""
    if report is not None:
        columns = ["antenna", "reference", "difference_db", "low_db", "high_db"]
        return _against(report.differences[columns], base.antenna, "dB")
    runs = at_common_attenuation(table.runs)
    names = {folded(str(name)) for name in runs["antenna"].unique()}
    # More dB are expected to raise the number; of a delay, or of who knows what, they say nothing.
    if table.better != "higher" or len(names) < 2 or folded(base.antenna) not in names:
        return {}
    compared = compare_table(replace(table, runs=runs.reset_index(drop=True)))
    pairs = compared.pairs[["first", "second", "difference", "low", "high"]]
    return _against(pairs, base.antenna, table.unit)


def _against(pairs: pd.DataFrame, base: str, unit: str) -> dict[str, Measured]:
    found = {}
    for first, second, value, low, high in pairs.itertuples(index=False):
        if folded(str(second)) == folded(base):
            found[folded(str(first))] = Measured(value, min(low, high), max(low, high), unit)
        elif folded(str(first)) == folded(base):
            found[folded(str(second))] = Measured(-value, min(-low, -high), max(-low, -high), unit)
    return found


# --- remarks ------------------------------------------------------------------------------


def _remarks(
    conditions: Mapping[str, Any], antennas: Sequence[Antenna], sending: Antenna | None,
    circumstances: Circumstances,
) -> list[str]:  # fmt: skip
    remarks = near_field_antennas(antennas, circumstances)
    remarks += _budget(conditions, sending, circumstances)
    if circumstances.through_walls:
        losses = ", ".join(
            f"{thickness_m * 1000:g} mm of {material} "
            f"{wall_loss_db(material, thickness_m, circumstances.frequency_hz):.0f} dB"
            for material, thickness_m in TYPICAL_WALLS
        )
        remarks.append(
            f"Walls: {losses} (ITU-R P.2040, plain slabs; real walls differ by several dB). The "
            "terms above hold in line of sight; through walls they are a guide at best."
        )
    return remarks


def _budget(
    conditions: Mapping[str, Any], sending: Antenna | None, circumstances: Circumstances
) -> list[str]:
    power_mw = _number(conditions, "power_mw")
    if power_mw is None or circumstances.distance_m is None:
        return []
    loss = free_space_loss_db(circumstances.distance_m, circumstances.frequency_hz)
    if isinstance(loss, NotValid):
        return [f"Path: {loss.reason}."]
    gain_dbi = 2.15 if sending is None or sending.gain_dbi is None else sending.gain_dbi
    eirp = eirp_dbm(power_mw, gain_dbi)
    received = eirp - loss
    width_mhz = _number(conditions, "width_mhz") or 20.0
    noise = thermal_noise_dbm(width_mhz * 1e6, RECEIVER_NOISE_FIGURE_DB)
    margin = received - noise
    text = (
        f"Path: {eirp:.0f} dBm EIRP over {circumstances.distance_m:g} m of "
        f"free space ({loss:.0f} dB, ITU-R P.525) gives {received:.0f} dBm to an isotropic "
        f"antenna, {margin:.0f} dB above the noise of a {width_mhz:g} MHz receiver (noise figure "
        f"{RECEIVER_NOISE_FIGURE_DB:g} dB assumed)."
    )
    if margin > 35 and not circumstances.through_walls:
        text += " So strong a link sits at its ceiling: antennas can't differ there."
    return [text]


def _radiating(
    conditions: Mapping[str, Any], antennas: Sequence[Antenna], sending: Antenna | None,
    runs: pd.DataFrame | None,
) -> list[str]:  # fmt: skip
    """Remarks on what this session radiates: exposure, and gain on a port that transmits."""
    remarks = []
    power_mw = _number(conditions, "power_mw")
    if power_mw is not None:
        remarks.append(cautions(power_mw, None if sending is None else sending.gain_dbi)[1].text)
    if runs is None or "port_role" not in runs.columns:
        return remarks
    both = runs[runs["port_role"].fillna("").astype(str).str.contains("tx")]
    for name in sorted(both["antenna"].unique()):
        antenna = find_antenna(antennas, str(name))
        if antenna is None or antenna.gain_dbi is None or antenna.gain_dbi <= DIPOLE_GAIN_DBI:
            continue
        more_db = antenna.gain_dbi - DIPOLE_GAIN_DBI
        remarks.append(
            f"{antenna.antenna} hung on a port that may transmit: it raises the EIRP by "
            f"{more_db:.1f} dB over a dipole, which may be unlawful. Use a receive-only port, or "
            "follow local rules."
        )
    return remarks
