"""Did the session itself move? Drift over the order, warm-up in the clips, confounded order."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from extractor.comparison.findings import CHECK_LEVEL, Finding, Quantity, Voice, counted, listed
from extractor.comparison.model import Fit, mounting_error
from extractor.comparison.pairs import NO_BASIS, basis
from extractor.statistics.autocorrelation import student_t_quantile

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
    layout = fit.layout
    found = []
    for name, weight in zip(layout.drifting, layout.slopes, strict=True):
        span = float(np.ptp(runs.loc[runs["session"] == name, "order"]))
        error = mounting_error(fit, weight)
        half = error.half_width(1 - (1 - confidence) / len(layout.drifting) / 2)
        slope = float(weight @ fit.mounting_means)
        limits = slope * span, (slope - half) * span, (slope + half) * span
        found.append(Drift(name, *limits, float(error.df)))
    return found


def drift_findings(fit: Fit, runs: pd.DataFrame, voice: Voice) -> Iterator[Finding]:
    """Say what the order shows, then warm-up."""
    state = fit.layout.order
    checked = replace(voice, confidence=1 - CHECK_LEVEL)
    unchecked = "Whether the link drifted during the session can't be checked"
    if state == "in the model":
        seen = drifts(fit, runs) if basis(fit) != NO_BASIS else []
        yield from (_drift_finding(one, fit, checked) for one in seen)
    elif state == "not known":
        yield Finding(
            "drift",
            f"{unchecked}: the order of the runs is not known.",
            "Fill the column order in runs.csv (1, 2, 3, … as recorded).",
        )
    elif fit.layout.df_between == 0:
        yield Finding(
            "drift",
            f"A drift can't be told from a difference: each {voice.noun} was mounted once.",
            "Column order of runs.csv.",
        )
    elif state == "confounded":
        yield _confounding(fit)
    else:
        yield Finding(
            "drift",
            f"{unchecked} with so few mountings.",
            "A drift in the model would leave fewer than two degrees of freedom. The turns are "
            "spread evenly enough that one widens the intervals and makes no winner.",
        )
    yield from _warm_up(runs, checked)


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
    said = "No drift was seen"
    taken = "A straight one would be taken out of every number here all the same"
    if found.low > 0 or found.high < 0:
        said, taken = "The link drifted", "That is taken out of every number here"
    sentence = (
        f"{said}{where}: {voice.amount(found.change, sign=True)} from the first run to the last "
        f"({voice.interval(found.low, found.high)}). {taken}."
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


def _warm_up(runs: pd.DataFrame, voice: Voice) -> Iterator[Finding]:
    if "trend_per_min" not in runs:
        return
    # One trend a mounting: clips of one mounting need not be independent.
    known = runs.dropna(subset=["trend_per_min"])
    trends = known.groupby(["session", "antenna", "mounting"])["trend_per_min"].mean()
    if len(trends) < FEWEST_TRENDS:
        return
    mean, se = float(trends.mean()), float(trends.std(ddof=1)) / math.sqrt(len(trends))
    half = student_t_quantile(1 - CHECK_LEVEL / 2, len(trends) - 1) * se
    low, high = mean - half, mean + half
    per_minute = Voice(f"{voice.unit} a minute".strip(), voice.digits, voice.confidence)
    size = f"{per_minute.amount(mean, sign=True)} ({per_minute.interval(low, high)})"
    numbers = (Quantity("trend inside the clips", mean, per_minute.unit),)
    how = f"Mean of the trends inside the clips over {counted(len(trends), 'mounting')}, by t."
    if low <= 0 <= high:
        sentence = f"No common trend inside the clips was seen: {size}."
        yield Finding("warm_up", sentence, how, numbers, "appendix")
    else:
        sentence = (
            f"The clips share a trend: {size}. That looks like warming up or cooling down; wait "
            "longer before each clip."
        )
        yield Finding("warm_up", sentence, how, numbers)


def unused_factors(dropped: tuple[str, ...]) -> Iterator[Finding]:
    """Say which factors could not be adjusted for."""
    if dropped:
        yield Finding(
            "not_adjusted",
            f"The ranking is not adjusted for {listed(dropped)}: in this design that can't be "
            "told from the antenna or the mounting, or too little would be left to judge by.",
            "The columns of the design are linearly dependent, or fewer than two degrees of "
            "freedom would remain between mountings.",
        )
