"""What earlier sessions teach: how far another mounting moves an antenna."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from extractor.comparison.findings import Finding, Quantity, Voice, listed
from extractor.comparison.linking import require_connected
from extractor.comparison.loading import RunTable
from extractor.comparison.model import Fit, Layout, clip_spread, estimate, lay_out, mounting_spread
from extractor.errors import UsageError
from extractor.statistics.power import Spreads, upper_spread

#: How far spreads differ from session to session, as the sd of their logarithm (rule of ours).
BETWEEN_SESSIONS = 0.3


@dataclass(frozen=True)
class Carried:
    """A spread between mountings seen in other sessions."""

    names: tuple[str, ...]
    """Of those sessions."""
    unit: str
    fit: Fit

    @property
    def df(self) -> float:
        """What its degrees of freedom are worth in another session.

        ``1 / (1 / d + 2 tau^2)``: the logarithm of a variance with d degrees of freedom has
        variance 2 / d, and between sessions 4 tau^2 more, tau being `BETWEEN_SESSIONS`.
        """
        return 1 / (1 / self.fit.layout.df_between + 2 * BETWEEN_SESSIONS**2)

    def mean_square(self, layout: Layout) -> float:
        """Return the mean square between mountings to be expected in another design."""
        alone = layout.df_between + layout.df_within == 0
        share = float(np.mean(np.diag(layout.noise))) if alone else layout.mean_noise
        return mounting_spread(self.fit) ** 2 + float(self.fit.clip_variance) * share

    def planning(self) -> Spreads:
        """Return the spreads to plan with, each at its upper 80 % limit.

        A spread seen in few mountings is itself uncertain, and a plan that trusts it too much
        finds nothing.
        """
        layout = self.fit.layout
        df = layout.df_within
        clip = upper_spread(clip_spread(self.fit), df) if df > 0 else 0.0
        of_means = upper_spread(math.sqrt(float(self.fit.ms_between)), layout.df_between)
        own = of_means**2 - layout.mean_noise * clip**2
        return Spreads(math.sqrt(max(0.0, own)), clip)

    def finding(self, voice: Voice) -> Finding:
        """Say that the spread is not this session's alone."""
        spread, df = math.sqrt(float(self.fit.ms_between)), self.fit.layout.df_between
        return Finding(
            "carried_spread",
            f"How far another mounting moves an {voice.noun} is taken from {listed(self.names)} "
            f"too ({voice.amount(spread)}): that holds only if this session was like "
            f"{'them' if len(self.names) > 1 else 'it'}.",
            f"Its {df} degrees of freedom count as {self.df:.1f}, since spreads differ from "
            f"session to session (by {100 * BETWEEN_SESSIONS:.0f} %, our assumption).",
            (voice.quantity("spread carried over", spread), Quantity("counts as df", self.df)),
        )


def carried_spread(table: RunTable) -> Carried:
    """Return the spread between mountings that the runs of earlier sessions show.

    Raises
    ------
    UsageError
        If no antenna was mounted twice, so that the spread between mountings is not known.
    """
    require_connected(table.runs)
    names = tuple(dict.fromkeys(table.runs["session"]))
    fit = estimate(lay_out(table.runs), table.runs["value"].to_numpy(float))
    if fit.layout.df_between == 0:
        raise UsageError(
            f"{', '.join(names)}: each antenna was mounted once, so the spread between "
            "mountings is not known; give sessions that know it, or to plan one with --sd"
        )
    return Carried(names, table.unit, fit)
