"""What to do next."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from extractor.comparison.findings import Finding, Voice
from extractor.comparison.model import Fit
from extractor.comparison.pairs import NO_BASIS, Ordering, basis
from extractor.statistics.power import Spreads, reach, upper_spread

#: Spreads between mountings tried where none is known, Mbit/s.
ASSUMED_MBIT = (0.5, 1.0, 2.0, 3.0)
#: The same for other units, as shares of the largest level.
ASSUMED_SHARES = (0.0125, 0.025, 0.05, 0.075)


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


def next_finding(
    fit: Fit, runs: pd.DataFrame, pairs: pd.DataFrame, order: Ordering, voice: Voice
) -> Finding:
    """Say what to do next."""
    layout = fit.layout
    if layout.df_between == 0:
        return Finding(
            "next",
            f"What to do next: mount each again, in this order: {', '.join(_turns(runs, order))}. "
            f"Remounting, not longer clips, is what lets you speak about {voice.noun}s.",
            "Last first, so that a straight drift touches all alike; without a second mounting "
            "there are no degrees of freedom between mountings.",
        )
    if basis(fit) == NO_BASIS:
        sentence = "a harder path (more distance, walls or attenuation) would show differences"
        return Finding("next", f"What to do next: {sentence}.", "No clip differs from another.")
    if pairs["told_apart"].all():
        return Finding(
            "next",
            "What to do next: nothing more is needed for this ranking; another spot or distance "
            "would show whether it holds there.",
            "Every pair that was compared is told apart.",
        )
    # The spread of a mounting's mean; its clips' share is in it already.
    spread = Spreads(upper_spread(math.sqrt(float(fit.ms_between)), layout.df_between), 0.0)
    later = max(3, int(layout.own.sum(axis=1).min()) + 2)
    then = reach(later, spread, 1, len(layout.antennas), voice.confidence).half_width
    return Finding(
        "next",
        f"What to do next: if smaller gaps matter, mount each {voice.noun} {later} times in all, "
        f"in turns; gaps over about {voice.amount(then)} could then be called.",
        "Half of an interval for all pairs together, with the upper 80 % limit of the spread "
        "between mountings, since that spread is itself an estimate.",
        (voice.quantity(f"gap that {later} mountings can call", then),),
    )


def _turns(runs: pd.DataFrame, order: Ordering) -> list[str]:
    """Return the antennas, last recorded first; worst first where the order is not known."""
    if "order" not in runs or runs["order"].isna().any():
        return list(reversed(order.names))
    last = runs.groupby("antenna")["order"].max().sort_values(ascending=False)
    return [str(name) for name in last.index]
