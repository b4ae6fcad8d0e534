"""What to do next."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from extractor.comparison.findings import Finding, Quantity
from extractor.comparison.pairs import NO_BASIS, basis
from extractor.statistics.power import Spreads, reach, upper_spread

if TYPE_CHECKING:
    from extractor.comparison.compare import Comparison


def next_finding(compared: Comparison) -> Finding:
    """Say what to do next."""
    fit, voice, layout = compared.fit, compared.voice, compared.fit.layout
    numbers: tuple[Quantity, ...] = ()
    if layout.df_between == 0:
        said = (
            f"mount each again, in this order: {', '.join(_turns(compared))}. "
            f"Remounting, not longer clips, is what lets you speak about {voice.noun}s."
        )
        how = (
            "Last first, so that a straight drift touches all alike; without a second mounting "
            "there are no degrees of freedom between mountings."
        )
    elif basis(fit) == NO_BASIS:
        said = "a harder path (more distance, walls or attenuation) would show differences."
        how = "No clip differs from another."
    elif compared.pairs["told_apart"].all():
        said = (
            "nothing more is needed for this ranking; another spot or distance would show whether "
            "it holds there."
        )
        how = "Every pair that was compared is told apart."
    else:
        # The spread of a mounting's mean; its clips' share is in it already.
        spread = Spreads(upper_spread(math.sqrt(float(fit.ms_between)), fit.df_between), 0.0)
        later = max(3, int(layout.own.sum(axis=1).min()) + 2)
        then = reach(later, spread, 1, len(layout.antennas), voice.confidence).half_width
        said = (
            f"if smaller gaps matter, mount each {voice.noun} {later} times in all, "
            f"in turns; gaps over about {voice.amount(then)} could then be called."
        )
        how = (
            "Half of an interval for all pairs together, with the upper 80 % limit of the spread "
            "between mountings, since that spread is itself an estimate."
        )
        numbers = (voice.quantity(f"gap that {later} mountings can call", then),)
    return Finding("next", said[0].upper() + said[1:], how, numbers)


def _turns(compared: Comparison) -> list[str]:
    """Return the antennas, last recorded first; worst first where the order is not known."""
    runs = compared.runs
    if "order" not in runs or runs["order"].isna().any():
        return list(reversed(compared.order.names))
    last = runs.groupby("antenna")["order"].max().sort_values(ascending=False)
    return [str(name) for name in last.index]
