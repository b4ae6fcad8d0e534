"""Where the order in the field's own unit and the one in dB disagree: which one to believe."""

from __future__ import annotations

from collections.abc import Collection

import pandas as pd

from extractor.comparison.compare import Comparison
from extractor.comparison.findings import Finding
from extractor.radio.calibration_findings import CalibrationReport
from extractor.radio.wording import finding


def scale_findings(compared: Comparison, report: CalibrationReport | None) -> list[Finding]:
    """Return `disagreements` of a comparison with its own calibration; none without one."""
    if report is None:
        return []
    cut = compared.ranking.loc[compared.ranking["runs_at_ceiling"] > 0, "antenna"]
    return disagreements(compared.pairs, report.differences, set(cut), compared.unit)


def disagreements(
    pairs: pd.DataFrame, differences: pd.DataFrame, at_ceiling: Collection[str], unit: str
) -> list[Finding]:
    """Say which scale to believe, and why; nothing where both say the same of every pair.

    Parameters
    ----------
    pairs : DataFrame
        As from `pair_table`.
    differences : DataFrame
        As from `pair_differences`.
    at_ceiling : collection of str
        Antennas of which some clip stood at the link's ceiling.
    unit : str
        Of `pairs`.
    """
    stronger: dict[frozenset[str], str] = {}
    for row in differences.dropna(subset=["low_db", "high_db"]).to_dict("records"):
        names = row["antenna"], row["reference"]
        stronger[frozenset(names)] = (
            names[0] if row["low_db"] > 0 else names[1] if row["high_db"] < 0 else ""
        )
    found = []
    for row in pairs.to_dict("records"):
        first, second = names = row["first"], row["second"]
        told = stronger.get(frozenset(names))
        if told is None or told == (first if row["told_apart"] else ""):
            continue
        cut = sorted(set(names) & set(at_ceiling))
        which = "neither" if told else "unit"
        if not row["told_apart"]:
            which = "db" if cut else "pair_alone"
        other = second if told == first else first
        figures = {"first": first, "second": second, "unit": unit, "told": told, "other": other}
        found.append(finding("two_scales", which, **figures, cut=" and ".join(cut)))
    # What contradicts comes first, then what only one of the two can see.
    return sorted(found, key=lambda one: not one.sentence.startswith("Believe neither"))
