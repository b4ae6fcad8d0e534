"""What to do next, and what would stand under assumed spreads."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from extractor.comparison.findings import Finding, Quantity, Voice, counted, listed
from extractor.comparison.model import Fit, records
from extractor.comparison.pairs import Ordering
from extractor.statistics.power import (
    Spreads,
    mountings_needed,
    reach,
    studentised_critical,
    upper_spread,
)

#: Spreads between mountings tried where none is known, Mbit/s.
ASSUMED_MBIT = (0.5, 1.0, 2.0, 3.0)
#: The same for other units, as shares of the largest level.
ASSUMED_SHARES = (0.0125, 0.025, 0.05, 0.075)
#: More mountings than this nobody does for one gap.
MOST_WORTH = 20


def assumed_spreads(fit: Fit, unit: str, assumed: float | None = None) -> tuple[float, ...]:
    """Return the spreads between mountings to try where none is known: the one given, or several.

    Parameters
    ----------
    fit : Fit
        Of the test.
    unit : str
        The field's; the spreads are in it.
    assumed : float, optional
        The one that somebody gave.
    """
    if assumed is not None:
        return (assumed,)
    if unit == "Mbit/s":
        return ASSUMED_MBIT
    level = float(np.max(np.abs(fit.means)))
    return tuple(share * level for share in ASSUMED_SHARES)


def assumed_table(fit: Fit, pairs: pd.DataFrame, spreads: tuple[float, ...]) -> pd.DataFrame:
    """Return which gaps would stand if mountings of one antenna differed by so much.

    Parameters
    ----------
    fit : Fit
        Without degrees of freedom between mountings.
    pairs : DataFrame
        As from `pair_table`.
    spreads : tuple of float
        Assumed standard deviations between mountings, in the unit.

    Returns
    -------
    DataFrame
        ``spread``, ``smallest_gap`` that would stand at 95 % for all pairs together, and the
        pairs that do (``standing``, ``;`` between).
    """
    count = len(fit.layout.antennas)
    inside = 0.0 if fit.layout.df_within == 0 else float(fit.ms_within)
    noise = float(np.mean(np.diag(fit.layout.noise))) * inside
    rows = []
    for spread in spreads:
        variance = 2 * (spread**2 + noise)
        # The assumed part is exact, only the clips' share is estimated (Satterthwaite).
        share = 2 * noise
        df = min(1e4, fit.layout.df_within * (variance / share) ** 2) if share > 0 else 1e4
        smallest = studentised_critical(count, max(1.0, df)) * math.sqrt(variance)
        stand = pairs[pairs["difference"] > smallest]
        names = ";".join(f"{r.first} over {r.second}" for r in stand.itertuples())
        rows.append({"spread": spread, "smallest_gap": smallest, "standing": names})
    return pd.DataFrame(rows)


def assumed_finding(
    fit: Fit, pairs: pd.DataFrame, voice: Voice, assumed: float | None = None
) -> Finding:
    """Say what would stand under assumed spreads between mountings."""
    table = assumed_table(fit, pairs, assumed_spreads(fit, voice.unit, assumed))
    parts = []
    for row in records(table):
        stand = row["standing"].split(";") if row["standing"] else ["nothing"]
        parts.append(
            f"with {voice.amount(row['spread'])}, gaps over {voice.amount(row['smallest_gap'])} "
            f"would stand ({listed(stand)})"
        )
    return Finding(
        "assumed_spread",
        "If mountings of one antenna differed by a spread that is assumed here, not measured: "
        f"{'; '.join(parts)}.",
        "Assumed standard deviation between mountings plus the measured one between clips; "
        "studentised range, all pairs together.",
        tuple(
            voice.quantity(
                f"smallest gap that stands at an assumed {row['spread']:g}", row["smallest_gap"]
            )
            for row in records(table)
        ),
    )


def next_finding(fit: Fit, pairs: pd.DataFrame, order: Ordering, voice: Voice) -> Finding:
    """Say how many mountings would settle what is open."""
    if fit.layout.df_between == 0:
        return Finding(
            "next",
            "What to do next: mount every antenna again, three times in all, in turns and not one "
            "antenna after the other; extractor plan writes the sheet. Remounting, not longer "
            "clips, is what lets you speak about antennas.",
            "No degrees of freedom between mountings of one antenna.",
        )
    open_ = pairs[~pairs["told_apart"]]
    if open_.empty:
        return Finding(
            "next",
            "What to do next: nothing more is needed for this ranking; another spot or distance "
            "would show whether it holds there.",
            "Every pair that was compared is told apart.",
        )
    top = open_[open_["first"] == order.names[0]]
    pair = (top if len(top) else open_).sort_values("difference").iloc[-1 if len(top) else 0]
    return _mountings_finding(fit, pair, voice)


def _mountings_finding(fit: Fit, pair: pd.Series, voice: Voice) -> Finding:
    layout = fit.layout
    count = len(layout.antennas)
    # The spread of a mounting's mean; its clips' share is in it already.
    spread = Spreads(upper_spread(math.sqrt(float(fit.ms_between)), layout.df_between), 0.0)
    gap = float(pair["difference"])
    needed = (
        mountings_needed(gap, spread, 1, antennas=count, confidence=voice.confidence)
        if gap > 0
        else None
    )
    now = int(layout.mountings["antenna"].value_counts().min())
    later = max(2 * now, now + 2)
    then = reach(later, spread, 1, count, voice.confidence)
    who = f"{pair['first']} and {pair['second']}"
    could = (
        f"{later} mountings of each {voice.noun} would find differences of "
        f"{voice.amount(then.detectable)} or more"
    )
    if needed is None or needed > MOST_WORTH:
        many = "more than 500" if needed is None else f"about {needed}"
        sentence = (
            f"What to do next: for everyday use take {who} as equal unless a small gap matters. "
            f"To settle a gap of {voice.amount(gap)} would take {many} mountings of each "
            f"{voice.noun}; {could}."
        )
    else:
        sentence = (
            f"What to do next: if the gap between {who} is really {voice.amount(gap)}, about "
            f"{counted(needed, 'mounting')} of each {voice.noun} would show it (now {now}); "
            f"{could}."
        )
    return Finding(
        "next",
        sentence,
        "80 % power for all pairs together, with the upper 80 % limit of the spread between "
        "mountings, since that spread is itself an estimate.",
        (
            Quantity("mountings needed", None if needed is None else float(needed)),
            voice.quantity("gap to settle", gap),
            voice.quantity(f"difference found with {later} mountings", then.detectable),
        ),
    )
