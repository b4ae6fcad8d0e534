"""Did the session itself move? Drift over the order, warm-up in the clips, confounded order."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from extractor.comparison.findings import CHECK_LEVEL, Finding, Quantity, Voice, counted, listed
from extractor.comparison.model import Fit, mounting_error
from extractor.comparison.pairs import NO_BASIS, basis

#: Clips needed for a statement about a common trend inside them.
FEWEST_TRENDS = 4


@dataclass(frozen=True)
class Drift:
    """Change over one session, in the unit from the first run to the last."""

    session: str
    change: float
    low: float
    high: float
    df: float


def drifts(fit: Fit, runs: pd.DataFrame, confidence: float = 1 - CHECK_LEVEL) -> list[Drift]:
    """Return the straight drift of each session that has one in the model, with its interval.

    It is seen in the mountings, antennas, ports and sessions adjusted for, and the intervals hold
    jointly (Bonferroni).
    """
    from scipy import stats

    layout = fit.layout
    found = []
    for name, weight in zip(layout.drifting, layout.slopes, strict=True):
        span = float(np.ptp(runs.loc[runs["session"] == name, "order"]))
        error = mounting_error(fit, weight)
        tail = (1 - confidence) / len(layout.drifting) / 2
        half = float(stats.t.isf(tail, float(error.df)) * error.se)
        slope = float(weight @ fit.mounting_means)
        limits = slope * span, (slope - half) * span, (slope + half) * span
        found.append(Drift(name, *limits, float(error.df)))
    return found


def drift_findings(fit: Fit, runs: pd.DataFrame, voice: Voice) -> list[Finding]:
    """Say what the order shows, then warm-up."""
    state = fit.layout.order
    checked = Voice(voice.unit, voice.digits, 1 - CHECK_LEVEL, voice.noun)
    if state == "in the model":
        seen = drifts(fit, runs) if basis(fit) != NO_BASIS else []
        return [_drift_finding(one, fit, checked) for one in seen] + _warm_up(runs, checked)
    unchecked = "Whether the link drifted during the session can't be checked"
    if state == "not known":
        said = f"{unchecked}: the order of the runs is not known."
        how = "Fill the column order in runs.csv (1, 2, 3, … as recorded)."
    elif fit.layout.df_between == 0:
        said = f"A drift can't be told from a difference: each {voice.noun} was mounted once."
        how = "Column order of runs.csv."
    elif state == "confounded":
        return [_confounding(fit), *_warm_up(runs, checked)]
    else:
        said = f"{unchecked} with so few mountings."
        how = (
            "A drift in the model would leave fewer than two degrees of freedom. The turns are "
            "spread evenly enough that one widens the intervals and makes no winner."
        )
    return [Finding("drift", said, how), *_warm_up(runs, checked)]


def _confounding(fit: Fit) -> Finding:
    from extractor.comparison.run_order import mounting_order

    mounted = int(fit.layout.own.sum(axis=1).max())
    antennas = list(fit.layout.antennas)
    better = [slot.antenna for slot in mounting_order(antennas, max(2, mounted), seed=0)]
    return Finding(
        "order_confounded",
        "The order is mixed up with the antennas: a link that warms up or a battery that sags "
        "would look just like a difference between them, and no arithmetic can take that apart. "
        f"Put them on in turns, for example: {', '.join(better)}.",
        "Column order of runs.csv: the antennas explain nearly all of it, or each had its turns "
        "in one go.",
        (Quantity("mountings of an antenna at most", float(mounted)),),
    )


def _drift_finding(found: Drift, fit: Fit, voice: Voice) -> Finding:
    where = f" in {found.session}" if len(fit.layout.drifting) > 1 else ""
    size = (
        f"{voice.amount(found.change, sign=True)} from the first run to the last "
        f"({voice.interval(found.low, found.high)})"
    )
    if found.low > 0 or found.high < 0:
        sentence = f"The link drifted{where}: {size}. That is taken out of every number here."
    else:
        sentence = (
            f"No drift was seen{where}: {size}. A straight one would be taken out of every number "
            "here all the same."
        )
    return Finding(
        "drift",
        sentence,
        "Straight line over the order of the runs, part of the model, seen in the mountings "
        f"({found.df:.0f} degrees of freedom).",
        voice.quantities(
            {"change over the session": found.change, "low": found.low, "high": found.high}
        ),
    )


def _warm_up(runs: pd.DataFrame, voice: Voice) -> list[Finding]:
    from scipy import stats

    if "trend_per_min" not in runs:
        return []
    # One trend a mounting: clips of one mounting need not be independent.
    known = runs.dropna(subset=["trend_per_min"])
    trends = known.groupby(["session", "antenna", "mounting"])["trend_per_min"].mean()
    if len(trends) < FEWEST_TRENDS:
        return []
    mean, se = float(trends.mean()), float(trends.std(ddof=1)) / math.sqrt(len(trends))
    half = float(stats.t.isf(CHECK_LEVEL / 2, len(trends) - 1)) * se
    low, high = mean - half, mean + half
    per_minute = Voice(f"{voice.unit} a minute".strip(), voice.digits, voice.confidence)
    size = f"{per_minute.amount(mean, sign=True)} ({per_minute.interval(low, high)})"
    numbers = (Quantity("trend inside the clips", mean, per_minute.unit),)
    how = f"Mean of the trends inside the clips over {counted(len(trends), 'mounting')}, by t."
    if low > 0 or high < 0:
        sentence = (
            f"The clips share a trend: {size}. That looks like warming up or cooling down; wait "
            "longer before each clip."
        )
        return [Finding("warm_up", sentence, how, numbers)]
    sentence = f"No common trend inside the clips was seen: {size}."
    return [Finding("warm_up", sentence, how, numbers, "appendix")]


def unused_factors(dropped: tuple[str, ...]) -> list[Finding]:
    """Say which factors could not be adjusted for."""
    if not dropped:
        return []
    return [
        Finding(
            "not_adjusted",
            f"The ranking is not adjusted for {listed(dropped)}: in this design that can't be "
            "told from the antenna or the mounting, or too little would be left to judge by.",
            "The columns of the design are linearly dependent, or fewer than two degrees of "
            "freedom would remain between mountings.",
        )
    ]
