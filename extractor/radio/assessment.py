"""From a session folder to everything that link physics says about it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from pathlib import Path
from typing import Any

import pandas as pd

from extractor.comparison.compare import compare_table
from extractor.comparison.findings import Finding
from extractor.comparison.loading import RunTable, load_sessions
from extractor.comparison.model import clip_spread
from extractor.errors import SessionFileError, UsageError
from extractor.radio import causes, link_budget, situation
from extractor.radio.antenna_gain import Rating, rate
from extractor.radio.calibration_findings import CalibrationReport, set_apart
from extractor.radio.causes import ClipSpread, Measured
from extractor.radio.cautions import cautions
from extractor.radio.discrepancies import Judgement, judge
from extractor.radio.expectation import Transmitter, beamwidth_deg
from extractor.radio.link_budget import DIPOLE_GAIN_DBI, NotValid
from extractor.radio.scatter import spread_seen_deg
from extractor.radio.situation import Circumstances, ExpectedDifference, expected_difference
from extractor.radio.sweep import Sweep, sweep_report
from extractor.radio.wording import said
from extractor.session.antennas import FILE_NAME, Antenna, find_antenna, read_antennas
from extractor.session.csv_tables import numbers, texts
from extractor.session.folder import Session
from extractor.session.numerals import LARGEST_NUMBER
from extractor.session.spelling import folded

DEFAULT_FREQUENCY_HZ = 5.8e9
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
        What to expect of each antenna against the reference.
    calibration
        Curve, differences in dB and findings; None without a calibration.
    judgements
        Expected against measured of each antenna against the reference; empty without results.
    surprises
        Of all pairs, the higher rated antenna first, those that surprise.
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
    remarks: tuple[str, ...]
    calibration: CalibrationReport | None = None
    judgements: tuple[Judgement, ...] = ()
    surprises: tuple[Judgement, ...] = ()
    sweep: pd.DataFrame = field(default_factory=pd.DataFrame)
    findings: tuple[Finding, ...] = ()
    unit: str = ""
    threshold: float | None = None


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
    about = _circumstances(conditions, sending)
    if table is None:
        planned = pd.DataFrame([dict(one.columns) for one in session.runs() if one.counts])
        about = replace(about, companions=situation.companions_of(planned, antennas))
        return _report(antennas, base, about, receiving)
    runs, told = causes.clips_that_tell(table.runs)
    compared, report = set_apart(replace(table, runs=runs), 0.95)
    calibration = report.calibration if report else None
    sweep = sweep_report(
        runs, calibration, measure="value", unit=table.unit, threshold=threshold, antennas=antennas
    )
    about = _with_runs(about, compared.runs, antennas, sweep)
    measured, spread = _measured(compared, report)
    results = causes.told_results(told, compared.runs, spread, table.unit, calibration)
    rated = sorted(receiving, key=lambda one: -(one.gain_dbi or 0.0))
    pairs = list(combinations(rated, 2))
    judged = {
        pair: judge(expected_difference(*pair, about), measured[names], *pair, about, results)
        for pair in dict.fromkeys([*((x, base) for x in receiving), *pairs])
        if (names := (folded(pair[0].antenna), folded(pair[1].antenna))) in measured
    }
    return replace(
        _report(antennas, base, about, receiving, compared.runs),
        calibration=report,
        judgements=tuple(judged[one, base] for one in receiving if (one, base) in judged),
        surprises=tuple(judged[pair] for pair in pairs if pair in judged and judged[pair].causes),
        sweep=sweep.table,
        findings=(*(report.findings if report else ()), *sweep.findings),
        unit=table.unit,
        threshold=threshold,
    )


def _report(
    antennas: tuple[Antenna, ...], base: Antenna, about: Circumstances,
    receiving: Sequence[Antenna], runs: pd.DataFrame | None = None,
) -> LinkReport:  # fmt: skip
    """Report what can be said without results."""
    return LinkReport(
        antennas,
        base,
        about,
        ratings=tuple(rate(one, about.frequency_hz) for one in antennas),
        expected=tuple(
            expected_difference(one, base, about) for one in receiving if one is not base
        ),
        remarks=(
            *causes.near_field_antennas(antennas, about),
            *_path(about),
            *_radiating(about, antennas, runs),
        ),
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


def _circumstances(conditions: Mapping[str, Any], sending: Antenna | None) -> Circumstances:
    channel_mhz = _number(conditions, "channel_mhz") or 0.0
    known = Circumstances(
        # Below 1000 it is a channel's number rather than its frequency.
        channel_mhz * 1e6 if channel_mhz >= 1000 else DEFAULT_FREQUENCY_HZ,
        in_sight=_in_sight(conditions),
        distance_m=_number(conditions, "distance_m"),
        width_hz=1e6 * (_number(conditions, "width_mhz") or 20.0),
        power_mw=_number(conditions, "power_mw"),
    )
    if sending is None:
        return known
    transmitter = Transmitter(sending.polarisation, sending.axial_ratio_db)
    return replace(known, transmitter=transmitter, sent_gain_dbi=sending.gain_dbi)


def _in_sight(conditions: Mapping[str, Any]) -> bool | None:
    """Take ``line_of_sight``, else what ``walls`` lets one conclude; None without both."""
    said = str(conditions.get("line_of_sight", "")).strip().casefold()
    if said in ("true", "yes", "false", "no"):
        return said in ("true", "yes")
    if said:
        raise SessionFileError(f"session.toml: line_of_sight is {said!r}; write true or false")
    walls = str(conditions.get("walls", "")).strip().casefold()
    return None if not walls else walls in ("0", "0.0", "none", "no", "false")


def _with_runs(
    bare: Circumstances, runs: pd.DataFrame, antennas: Sequence[Antenna], sweep: Sweep
) -> Circumstances:
    shares = numbers(runs, "ceiling_share").groupby(runs["antenna"]).max().dropna()
    # The runs carry session.toml, and what a column of runs.csv put in its place.
    sight = {
        key: runs[key].dropna().mode()[0]
        for key in ("walls", "line_of_sight")
        if key in runs.columns and runs[key].notna().any()
    }
    seen = [
        (spread_seen_deg(beam.low_deg, own), spread_seen_deg(beam.high_deg, own))
        for name, beam in sweep.beams.items()
        if (known := find_antenna(antennas, name)) is not None
        and (own := beamwidth_deg(known, bare.frequency_hz)) is not None
    ]
    return replace(
        bare,
        in_sight=_in_sight(sight),
        companions=situation.companions_of(runs, antennas),
        positions=len(set(texts(runs, "position")) - {""}),
        ceiling_share={str(name): float(share) for name, share in shares.items()},
        swept_deg=seen[0] if seen else None,
        turned=frozenset(sweep.table["antenna"]),
    )


# --- measured -----------------------------------------------------------------------------


def _measured(
    table: RunTable, report: CalibrationReport | None
) -> tuple[dict[tuple[str, str], Measured], ClipSpread]:
    """Measured difference of each pair, by folded names, and the spread from clip to clip."""
    if report is not None:
        columns = ["antenna", "reference", "difference_db", "low_db", "high_db"]
        spread = report.calibration.curve_spread
        return _both_ways(report.differences[columns], "dB"), (spread.sd, spread.dof)
    # More dB are expected to raise the number; of a delay, or of who knows what, they say nothing.
    if table.better != "higher" or table.runs["antenna"].nunique() < 2:
        return {}, (math.nan, 0)
    compared = compare_table(table)
    pairs = compared.pairs[["first", "second", "difference", "low", "high"]]
    within = compared.fit.layout.df_within
    return _both_ways(pairs, table.unit), (clip_spread(compared.fit) if within else 0.0, within)


def _both_ways(pairs: pd.DataFrame, unit: str) -> dict[tuple[str, str], Measured]:
    found = {}
    for first, second, value, *ends in pairs.itertuples(index=False):
        names = folded(str(first)), folded(str(second))
        found[names] = Measured(value, min(ends), max(ends), unit)
        found[names[::-1]] = Measured(-value, -max(ends), -min(ends), unit)
    return found


# --- remarks ------------------------------------------------------------------------------


def _path(about: Circumstances) -> list[str]:
    if about.power_mw is None or about.distance_m is None or not about.in_sight:
        return []
    loss = link_budget.free_space_loss_db(about.distance_m, about.frequency_hz)
    if isinstance(loss, NotValid):
        return [f"Path: {loss.reason}."]
    gain_dbi = DIPOLE_GAIN_DBI if about.sent_gain_dbi is None else about.sent_gain_dbi
    eirp = link_budget.eirp_dbm(about.power_mw, gain_dbi)
    margin = eirp - loss - link_budget.thermal_noise_dbm(about.width_hz, RECEIVER_NOISE_FIGURE_DB)
    figures = {"eirp": eirp, "loss": loss, "received": eirp - loss, "margin": margin}
    figures |= {"metres": about.distance_m, "width": about.width_hz / 1e6}
    text = said("path", figure=RECEIVER_NOISE_FIGURE_DB, **figures)
    return [text + (said("path", "strong") if margin > 35 else "")]


def _radiating(
    about: Circumstances, antennas: Sequence[Antenna], runs: pd.DataFrame | None
) -> list[str]:
    """Remarks on what this session radiates: exposure, and gain on a port that transmits."""
    remarks = []
    if about.power_mw is not None:
        remarks.append(cautions(about.power_mw, about.sent_gain_dbi)[1].text)
    if runs is None:
        return remarks
    both = runs[texts(runs, "port_role").str.contains("tx")]
    for name in sorted(both["antenna"].unique()):
        antenna = find_antenna(antennas, str(name))
        if antenna is not None and (antenna.gain_dbi or 0.0) > DIPOLE_GAIN_DBI:
            more_db = (antenna.gain_dbi or 0.0) - DIPOLE_GAIN_DBI
            remarks.append(said("path", "transmits", antenna=antenna.antenna, more=more_db))
    return remarks
