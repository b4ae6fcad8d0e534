"""Do sessions join? Through the antennas they share, and only as far as those agree."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd

from extractor.comparison.checks import cut_by_antenna
from extractor.comparison.findings import (
    MOST_NAMED,
    Finding,
    Quantity,
    Voice,
    counted,
    few,
    listed,
    p_text,
)
from extractor.comparison.model import Array, Fit
from extractor.errors import UsageError
from extractor.session.overlay import Direction

#: Between session and antenna in the name of a cell: a sign that stands in no table.
_JOINT = "\x1f"
#: With fewer degrees of freedom the spread of shifts can't be estimated to any use.
FEWEST_DF = 2


@dataclass(frozen=True)
class Shifting:
    """How unlike the antennas shift from session to session: antenna x session."""

    cells: Array
    """m x c: 1 where the mounting is of that session and antenna."""
    square: float
    """Mean square of antenna x session; NaN without `df`."""
    df: int
    error: float
    """Mean square between mountings of one antenna in one session; NaN without `df_error`."""
    df_error: int
    share: float
    """What the shifts' variance counts in `square`."""

    @property
    def known(self) -> bool:
        """Tell whether the spread of shifts can be estimated to any use."""
        return min(self.df, self.df_error) >= FEWEST_DF

    @property
    def p(self) -> float:
        """P-value of "they all shift alike" (F-test); NaN where it can't be tested."""
        from scipy.special import fdtrc

        if not (self.df > 0 and self.df_error > 0 and self.error > 0):
            return math.nan
        return float(fdtrc(self.df, self.df_error, self.square / self.error))

    def of(self, weight: Array) -> tuple[float, float]:
        """Return what shifts add to the variance of a weighted sum of the mountings' means.

        And their part in Satterthwaite's sum of squared variances over degrees of freedom.
        """
        reach = float(((weight @ self.cells) ** 2).sum()) / self.share
        if self.square <= self.error:
            return 0.0, 0.0
        uncertain = self.square**2 / self.df + self.error**2 / self.df_error
        return reach * (self.square - self.error), reach**2 * uncertain

    @property
    def covariance(self) -> Array:
        """Covariance, m x m, of the mountings' means by the shifts."""
        more = max(0.0, self.square - self.error) / self.share
        return np.asarray(more * self.cells @ self.cells.T)


def shifting(fit: Fit) -> Shifting:
    """Split what antennas and sessions leave over into their interaction and mountings."""
    layout = fit.layout
    cells = pd.get_dummies(layout.mountings["session"] + _JOINT + layout.mountings["antenna"])
    whole = cells.to_numpy(float)
    full = np.hstack([whole, layout.places])
    inside = np.eye(len(full)) - full @ np.linalg.pinv(full)
    df_error = len(full) - int(np.linalg.matrix_rank(full))
    df, apart = layout.df_between - df_error, layout.between - inside

    def mean_square(projector: Array, df: int) -> float:
        return float(((projector @ fit.mounting_means) ** 2).sum()) / df if df > 0 else math.nan

    share = float(np.trace(apart @ whole @ whole.T)) / df if df > 0 else math.nan
    return Shifting(
        whole, mean_square(apart, df), df, mean_square(inside, df_error), df_error, share
    )


def with_shifts(fit: Fit) -> Fit:
    """Return the fit with the spread of shifts in its errors, where that can be estimated."""
    found = shifting(fit)
    return replace(fit, shifting=found) if found.known else fit


def require_connected(runs: pd.DataFrame) -> None:
    """Check that the sessions join through antennas that they share.

    Raises
    ------
    UsageError
        If they don't; the message names the antenna to carry over.
    """
    first = runs["session"].iloc[0]
    reached = runs[runs["session"] == first]
    for _ in range(runs["session"].nunique()):  # no chain is longer
        joined = runs.loc[runs["antenna"].isin(reached["antenna"]), "session"]
        reached = runs[runs["session"].isin(joined)]
    lonely = runs.loc[~runs["session"].isin(reached["session"]), "session"]
    if len(lonely):
        carried, there = reached.groupby("antenna")["mounting"].nunique().idxmax(), lonely.iloc[0]
        raise UsageError(
            f"sessions {first} and {there} share no antenna, so their numbers can't be "
            f"put on one scale; carry one over: fly {carried} again in {there} (better two "
            "antennas, so that the join can be checked)"
        )


def shifts_of(fit: Fit) -> list[tuple[str, str, str, float]]:
    """Return how much each shared antenna changed from one of its sessions to the next.

    Antenna, the two sessions, and mean in the second minus mean in the first (in the unit).
    """
    table = fit.layout.mountings.assign(mean=fit.mounting_means)
    means = table.groupby(["antenna", "session"], sort=False)["mean"].mean()
    found = [(str(name), own.droplevel("antenna")) for name, own in means.groupby(level="antenna")]
    return [
        (name, str(first), str(second), float(own[second] - own[first]))
        for name, own in found
        for first, second in pairwise(own.index)
    ]


def link_findings(fit: Fit, runs: pd.DataFrame, voice: Voice) -> Iterator[Finding]:
    """Say how the sessions join, and what retested antennas did."""
    if runs["session"].nunique() > 1:
        yield _join(shifts_of(fit), shifting(fit), voice, cut_by_antenna(runs, "mean"))
        yield from _changed_conditions(runs)


def _join(
    found: list[tuple[str, str, str, float]], unlike: Shifting, voice: Voice, touched: pd.Series
) -> Finding:
    shared = list(dict.fromkeys(name for name, *_ in found))
    shifted: dict[str, dict[str, float]] = {}
    for name, before, after, shift in found:
        shifted.setdefault(f"{after} after {before}: ", {})[name] = shift
    shifts = "; ".join(
        (when if len(shifted) > 1 else "") + _shifts(own, voice) for when, own in shifted.items()
    )
    through = few(shared, "antennas")
    at_ceiling = [name for name in shared if touched[name]]
    numbers = (
        *(voice.quantity(f"{name}: {b} minus {a}", shift) for name, a, b, shift in found),
        Quantity("p of parallel shifts", unlike.p),
    )
    how = (
        "Each shared antenna's mean in the later session minus the earlier. Joining in "
        f"{voice.unit or 'the unit'} adds one shift for the whole session, which is right only "
        "at the same operating point."
    )
    if len(shared) == 1:
        sentence = (
            f"The sessions join through {shared[0]} alone ({shifts}). Whether everything "
            "else shifted by as much can't be checked (the day can't be told from the antenna); "
            "carry a second antenna over next time."
        )
    elif not math.isfinite(unlike.p):
        sentence = (
            f"The sessions join through {through} ({shifts}), but with one mounting "
            "each nobody can say whether those shifts agree."
        )
    elif unlike.p < 1 - voice.confidence:
        sentence = (
            f"The sessions do not simply join: the shared antennas shifted differently ({shifts};"
            f" {p_text(unlike.p)}). The joint ranking mixes two operating points; trust each "
            "session by itself."
        )
    else:
        sentence = (
            f"The sessions join through {through}: their shifts ({shifts}) are "
            f"consistent with one shift for all ({p_text(unlike.p)}). That is no proof, only that "
            "nothing speaks against it."
        )
    if not unlike.known:
        sentence += (
            f" Pairs across sessions rest on {counted(len(shared), 'shared antenna')}: if "
            "antennas shift by half a spread from session to session, their intervals cover 91 % "
            "and not 95 %."
        )
    if at_ceiling:
        sentence += f" {listed(at_ceiling)} touched the ceiling, so the true shift may be larger."
    return Finding("link", sentence, how, numbers)


def _shifts(own: dict[str, float], voice: Voice) -> str:
    if len(own) > MOST_NAMED:
        low, high = min(own.values()), max(own.values())
        return f"{voice.number(low, sign=True)} to {voice.amount(high, sign=True)}"
    return listed([f"{name} {voice.amount(shift, sign=True)}" for name, shift in own.items()])


def _changed_conditions(runs: pd.DataFrame) -> Iterator[Finding]:
    used = runs.groupby("session")["condition"].first() if "condition" in runs else pd.Series()
    if used.nunique() > 1:
        parts = [f"{session}: {text or 'not given'}" for session, text in used.items()]
        yield Finding(
            "link_conditions",
            f"The sessions ran under different conditions ({'; '.join(parts)}). A difference in "
            "Mbit/s under one need not be the same under another; the join assumes that it is.",
            "rate_mode, power_mw, channel_mhz and width_mhz of session.toml and runs.csv.",
        )


def side_findings(runs: pd.DataFrame, voice: Voice, better: Direction | None) -> Iterator[Finding]:
    """Join receiving-side and transmitting-side tests through the configuration they share.

    Needs ``antenna`` and ``transmitter_antenna`` both to vary. Adding the two effects is an
    assumption, since the hands of polarisation at the two ends interact; the finding names the
    one clip that would check it. Nothing is said where that configuration was flown already, or
    where it is not known which way is better.
    """
    if "transmitter_antenna" not in runs or better is None:
        return
    both = runs.dropna(subset=["transmitter_antenna"])
    keys = ["antenna", "transmitter_antenna"]
    if (both[keys].nunique() < 2).any():
        return
    level = both.groupby([*keys, "mounting"])["value"].mean().groupby(keys).mean().unstack()
    known = level.notna()
    rows, columns = known.sum(axis=1), known.sum(axis=0)
    hubs = [(a, t) for a, t in known.stack()[lambda k: k].index if rows[a] > 1 and columns[t] > 1]
    if not hubs:
        yield Finding(
            "sides",
            "The receiving and the transmitting tests share no configuration, so they can't be put "
            f"together; fly {rows.idxmax()} with {columns.idxmax()} on the transmitter in both.",
            "No combination of antenna and transmitter_antenna occurs in both tests.",
        )
        return
    a, t = max(hubs, key=lambda hub: rows[hub[0]] + columns[hub[1]])
    gain = level if better == "higher" else -level
    best_a, best_t = gain[t].idxmax(), gain.loc[a].idxmax()
    if not known.loc[best_a, best_t]:
        sum_ = float(level.loc[best_a, t] + level.loc[a, best_t] - level.loc[a, t])
        yield Finding(
            "sides",
            f"The receiving and the transmitting tests share {a} with {t}. Adding what each side "
            f"gained, {best_a} with {best_t} should give {voice.amount(sum_)}. That is an "
            "assumption, since the hands of polarisation at the two ends interact: one clip of "
            f"{best_a} with {best_t} on the transmitter would check it.",
            f"{best_a} with {t}, plus {a} with {best_t}, minus {a} with {t}.",
            (voice.quantity(f"{best_a} with {best_t}, expected", sum_),),
        )
