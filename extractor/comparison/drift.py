"""Did the session itself move? Drift over the order, warm-up in the clips, confounded order."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from extractor.comparison.findings import Finding, Quantity, Voice, counted, listed
from extractor.comparison.model import Array, Fit

#: Share of the order's variation that the antenna may explain before drift and antenna can no
#: longer be separated: the variance of a difference is then ten times what it could be.
MOST_CONFOUNDED = 0.9
#: Clips needed for a statement about a common trend inside them.
FEWEST_TRENDS = 4


@dataclass(frozen=True)
class Drift:
    """Change over the session, in the unit from the first run to the last."""

    change: float
    low: float
    high: float
    df: int
    stratum: str
    """``mountings`` or ``clips``: what the slope was seen in."""


def drift(fit: Fit, runs: pd.DataFrame, confidence: float = 0.95) -> Drift | None:
    """Estimate a straight drift over the order of the runs.

    Antennas, ports and sessions are adjusted for, so that the antenna's own level does not
    count as drift. Mountings are used where at least two degrees of freedom are left, else
    the clips inside mountings. None: nothing is left to see it in. Every run has its ``order``.
    """
    layout = fit.layout
    order = runs["order"].to_numpy(float)
    span = float(np.ptp(order))
    if span == 0:
        return None
    candidates = (
        ("mountings", layout.between, layout.adjust @ order, fit.mounting_means, layout.df_between),
        ("clips", layout.within, order, runs["value"].to_numpy(float), layout.df_within),
    )
    for stratum, projector, x, y, df in candidates:
        left = projector @ x
        if df < 3 or left @ left < 1e-3 * span**2:
            continue
        return _slope(left, projector @ y, df - 1, span, stratum, confidence)
    return None


def _slope(x: Array, y: Array, df: int, span: float, stratum: str, confidence: float) -> Drift:
    from scipy import stats

    slope = float(x @ y / (x @ x))
    residual = float(((y - slope * x) ** 2).sum()) / df
    half = float(stats.t.ppf(0.5 + confidence / 2, df)) * math.sqrt(residual / float(x @ x))
    low, high = slope - half, slope + half
    return Drift(slope * span, low * span, high * span, df, stratum)


def is_confounded(runs: pd.DataFrame) -> bool:
    """Tell whether the order and the antenna can't be separated.

    So it is when each antenna had its turn in one stretch (all of A, then all of B), or when
    the antenna explains nearly all of the order. Every run has its ``order``.
    """
    return any(
        _confounded(part.sort_values("order"))
        for _, part in runs.groupby("session")
        if part["antenna"].nunique() > 1 and len(part) > part["antenna"].nunique()
    )


def _confounded(part: pd.DataFrame) -> bool:
    changes = int((part["antenna"] != part["antenna"].shift()).sum()) - 1
    if changes == part["antenna"].nunique() - 1:
        return True
    order = part["order"]
    explained = part.groupby("antenna")["order"].transform("mean")
    total = float(((order - order.mean()) ** 2).sum())
    return total > 0 and float(((explained - order.mean()) ** 2).sum()) / total > MOST_CONFOUNDED


def drift_findings(
    fit: Fit, runs: pd.DataFrame, voice: Voice, reference: str | None = None
) -> list[Finding]:
    """Say what the order shows: confounding first, then drift, then warm-up."""
    if "order" not in runs or runs["order"].isna().any():
        return [
            Finding(
                "drift",
                "Whether the link drifted during the session can't be checked: the order of the "
                "runs is not known.",
                "Fill the column order in runs.csv (1, 2, 3, … as recorded).",
            ),
            *_warm_up(runs, voice),
        ]
    findings = [_confounding(runs)] if is_confounded(runs) else []
    findings.append(_drift_finding(drift(fit, runs, voice.confidence), voice))
    findings += _reference_clips(fit, runs, reference, voice)
    return findings + _warm_up(runs, voice)


def _confounding(runs: pd.DataFrame) -> Finding:
    from extractor.comparison.run_order import mounting_order

    antennas = sorted(runs["antenna"].unique())
    mounted = int(runs.groupby(["session", "antenna"])["mounting"].nunique().max())
    mountings = max(2, mounted)
    better = [slot.antenna for slot in mounting_order(antennas, mountings, seed=0)]
    return Finding(
        "order_confounded",
        "The order is mixed up with the antennas: each one had its runs in one go. A link that "
        "warms up, a battery that sags or a neighbour's network would look just like a "
        "difference between antennas, and no arithmetic can take that apart afterwards. Next "
        f"time put them on in turns, for example: {', '.join(better)}.",
        "Column order of runs.csv, antenna by antenna.",
        (Quantity("mountings of an antenna at most", float(mounted)),),
    )


def _drift_finding(found: Drift | None, voice: Voice) -> Finding:
    if found is None:
        return Finding(
            "drift",
            "Whether the link drifted during the session can't be checked with so few runs.",
            "A slope over the order needs at least two degrees of freedom beside antennas and "
            "ports; more mountings, taken in turns, give them.",
        )
    unit = {"mountings": "mountings", "clips": "clips inside mountings"}[found.stratum]
    how = (
        f"Straight line over the order of the runs, adjusted for antennas and ports, seen in the "
        f"{unit} ({found.df} degrees of freedom)."
    )
    numbers = voice.quantities(
        {"change over the session": found.change, "low": found.low, "high": found.high}
    )
    interval = voice.interval(found.low, found.high)
    size = voice.amount(found.change, sign=True)
    if found.low > 0 or found.high < 0:
        sentence = (
            f"The link drifted: {size} from the first run to the last ({interval}). Antennas that "
            "had their turns evenly over the session are hardly touched by it; the others are."
        )
    else:
        sentence = (
            f"No drift over the session was seen: {size} from the first run to the last "
            f"({interval}); a drift inside that interval could have gone unseen."
        )
    return Finding("drift", sentence, how, numbers)


def _reference_clips(
    fit: Fit, runs: pd.DataFrame, reference: str | None, voice: Voice
) -> list[Finding]:
    """Follow the repeated antenna by itself over the order."""
    layout = fit.layout
    counts = layout.mountings["antenna"].value_counts()
    name = reference or (str(counts.index[0]) if counts.iloc[0] > counts.iloc[1:].max() else None)
    if name is None or counts.get(name, 0) < 3 or layout.mountings["session"].nunique() > 1:
        return []
    chosen = (layout.mountings["antenna"] == name).to_numpy()
    x = (layout.adjust @ runs["order"].to_numpy(float))[chosen]
    y = fit.mounting_means[chosen]
    span = float(np.ptp(runs["order"]))
    if np.ptp(x) < 0.2 * span:
        return []
    found = _slope(x - x.mean(), y - y.mean(), len(x) - 2, span, name, voice.confidence)
    return [
        Finding(
            "reference_clips",
            f"The repeated antenna {name} by itself moved by "
            f"{voice.amount(found.change, sign=True)} over the session "
            f"({voice.interval(found.low, found.high)}).",
            f"Straight line through its {counted(len(x), 'mounting')} over the order.",
            (voice.quantity("change over the session", found.change),),
            "appendix",
        )
    ]


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
    half = float(stats.t.ppf(0.5 + voice.confidence / 2, len(trends) - 1)) * se
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
