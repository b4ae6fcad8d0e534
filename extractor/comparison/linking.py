"""Do sessions join? Through the antennas they share, and only as far as those agree."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from extractor.comparison.checks import cut_by_antenna
from extractor.comparison.findings import Finding, Quantity, Voice, listed, p_text
from extractor.comparison.model import Fit
from extractor.errors import UsageError
from extractor.session.overlay import Direction

#: Between session and antenna in the name of a cell: a sign that stands in no table.
_JOINT = "\x1f"


@dataclass(frozen=True)
class Shift:
    """How much one shared antenna changed between two sessions, in the measured unit."""

    antenna: str
    first: str
    second: str
    change: float
    """Mean in the second minus mean in the first."""
    mountings: tuple[int, int]


@dataclass(frozen=True)
class Parallel:
    """Test whether all shared antennas shift alike between sessions."""

    shared: tuple[str, ...]
    shifts: tuple[Shift, ...]
    p: float
    """NaN where nothing is left to test against."""
    df_error: int
    spread: float
    """Mean square between mountings of one antenna in one session; NaN without `df_error`."""


def require_connected(runs: pd.DataFrame) -> None:
    """Check that the sessions join through antennas that they share.

    Raises
    ------
    UsageError
        If they don't; the message names the antenna to carry over.
    """
    sessions = list(dict.fromkeys(runs["session"]))
    reached, waiting = {sessions[0]}, [sessions[0]]
    antennas = runs.groupby("session")["antenna"].unique()
    while waiting:
        here = set(antennas[waiting.pop()])
        joined = [s for s in sessions if s not in reached and here & set(antennas[s])]
        reached.update(joined)
        waiting += joined
    lonely = [s for s in sessions if s not in reached]
    if lonely:
        first = runs[runs["session"].isin(reached)]
        carried = first.groupby("antenna")["mounting"].nunique().idxmax()
        raise UsageError(
            f"sessions {sessions[0]} and {lonely[0]} share no antenna, so their numbers can't be "
            f"put on one scale; carry one over: fly {carried} again in {lonely[0]} (better two "
            "antennas, so that the join can be checked)"
        )


def parallel_shifts(fit: Fit) -> Parallel:
    """Test whether antenna and session add up, on the mountings' means.

    F-test of antenna x session against the spread of mountings inside antenna and session.
    """
    from scipy import stats

    mountings = fit.layout.mountings
    cells = mountings["session"] + _JOINT + mountings["antenna"]
    means = pd.Series(fit.mounting_means).groupby(cells.to_numpy()).mean()
    counts = cells.value_counts()
    per_antenna = mountings.groupby("antenna")["session"].unique()
    shared = tuple(a for a in fit.layout.antennas if len(per_antenna[a]) > 1)
    order = list(dict.fromkeys(mountings["session"]))
    shifts = []
    for antenna in shared:
        seen = [s for s in order if s in per_antenna[antenna]]
        for first, second in pairwise(seen):
            a, b = f"{first}{_JOINT}{antenna}", f"{second}{_JOINT}{antenna}"
            number = (int(counts[a]), int(counts[b]))
            shifts.append(Shift(antenna, first, second, float(means[b] - means[a]), number))
    full = pd.get_dummies(cells).to_numpy(float)
    full = np.hstack([full, fit.layout.places])
    left = fit.mounting_means - full @ np.linalg.pinv(full) @ fit.mounting_means
    df_error = len(cells) - int(np.linalg.matrix_rank(full))
    df = fit.layout.df_between - df_error
    p = float("nan")
    error = float(left @ left)
    if df > 0 and df_error > 0 and error > 0:
        additive = float(((fit.layout.between @ fit.mounting_means) ** 2).sum())
        p = float(stats.f.sf((additive - error) / df / (error / df_error), df, df_error))
    spread = error / df_error if df_error else math.nan
    return Parallel(shared, tuple(shifts), p, df_error, spread)


def link_findings(fit: Fit, runs: pd.DataFrame, voice: Voice) -> list[Finding]:
    """Say how the sessions join, and what retested antennas did."""
    if runs["session"].nunique() < 2:
        return []
    found = parallel_shifts(fit)
    return [
        _join(found, voice, _at_ceiling(runs, found.shared)),
        *_retests(found, voice),
        *_changed_conditions(runs),
    ]


def _at_ceiling(runs: pd.DataFrame, shared: tuple[str, ...]) -> list[str]:
    touched = cut_by_antenna(runs, "mean")
    return [a for a in shared if touched[a]]


def _join(found: Parallel, voice: Voice, at_ceiling: list[str]) -> Finding:
    shifts = listed([f"{s.antenna} {voice.amount(s.change, sign=True)}" for s in found.shifts])
    numbers = (
        *(
            voice.quantity(f"{s.antenna}: {s.second} minus {s.first}", s.change)
            for s in found.shifts
        ),
        Quantity("p of parallel shifts", found.p if math.isfinite(found.p) else None),
    )
    how = (
        "Each shared antenna's mean in the later session minus the earlier. Joining in "
        f"{voice.unit or 'the unit'} adds one shift for the whole session, which is right only "
        "at the same operating point."
    )
    if len(found.shared) == 1:
        sentence = (
            f"The sessions join through {found.shared[0]} alone ({shifts}). Whether everything "
            "else shifted by as much can't be checked; carry a second antenna over next time."
        )
    elif not math.isfinite(found.p):
        sentence = (
            f"The sessions join through {listed(found.shared)} ({shifts}), but with one mounting "
            "each nobody can say whether those shifts agree."
        )
    elif found.p < 1 - voice.confidence:
        sentence = (
            f"The sessions do not simply join: the shared antennas shifted differently ({shifts};"
            f" {p_text(found.p)}). The joint ranking mixes two operating points; trust each "
            "session by itself."
        )
    else:
        sentence = (
            f"The sessions join through {listed(found.shared)}: their shifts ({shifts}) are "
            f"consistent with one shift for all ({p_text(found.p)}). That is no proof, only that "
            "nothing speaks against it."
        )
    if at_ceiling:
        sentence += f" {listed(at_ceiling)} touched the ceiling, so the true shift may be larger."
    return Finding("link", sentence, how, numbers)


def _retests(found: Parallel, voice: Voice) -> list[Finding]:
    return [
        _retest(shift, found, voice)
        for shift in found.shifts
        if len({s.antenna for s in found.shifts if _same_sessions(s, shift)}) > 1
    ] or [_lone_retest(shift, voice) for shift in found.shifts]


def _same_sessions(a: Shift, b: Shift) -> bool:
    return (a.first, a.second) == (b.first, b.second)


def _retest(shift: Shift, found: Parallel, voice: Voice) -> Finding:
    from scipy import stats

    others = [s for s in found.shifts if _same_sessions(s, shift) and s.antenna != shift.antenna]
    excess = shift.change - float(np.mean([s.change for s in others]))
    where = f"{shift.antenna} was tested again in {shift.second}"
    moved = f"it moved by {voice.amount(shift.change, sign=True)}, the other shared ones by " + (
        voice.amount(float(np.mean([s.change for s in others])), sign=True)
    )
    how = "Its shift between the sessions against the mean shift of the other shared antennas"
    if found.df_error == 0:
        return Finding(
            "retest",
            f"{where}: {moved}. Whether that is more than putting it up again can't be said with "
            "one mounting in each session.",
            how + ".",
            (voice.quantity("shift beyond the others'", excess),),
        )
    variance = _variance(shift) + sum(_variance(s) for s in others) / len(others) ** 2
    half = float(stats.t.ppf(0.5 + voice.confidence / 2, found.df_error)) * math.sqrt(
        found.spread * variance
    )
    low, high = excess - half, excess + half
    if low <= 0 <= high:
        verdict = "That is consistent with the earlier session"
    else:
        verdict = "That is not consistent with the earlier session"
    return Finding(
        "retest",
        f"{where}: {moved}. {verdict}: a difference of {voice.amount(excess, sign=True)} "
        f"({voice.interval(low, high)}).",
        f"{how}, by t with the spread of mountings inside each session ({found.df_error} degrees "
        "of freedom).",
        voice.quantities({"shift beyond the others'": excess, "low": low, "high": high}),
    )


def _variance(shift: Shift) -> float:
    return 1 / shift.mountings[0] + 1 / shift.mountings[1]


def _lone_retest(shift: Shift, voice: Voice) -> Finding:
    return Finding(
        "retest",
        f"{shift.antenna} was tested again in {shift.second} and moved by "
        f"{voice.amount(shift.change, sign=True)}. It is the only antenna in both sessions, so "
        "the day can't be told from the antenna.",
        "Its mean in the later session minus the earlier.",
        (voice.quantity("shift", shift.change),),
    )


def _changed_conditions(runs: pd.DataFrame) -> list[Finding]:
    if "condition" not in runs:
        return []
    used = runs.groupby("session")["condition"].agg(lambda c: c.iloc[0])
    if used.nunique() < 2:
        return []
    parts = [f"{session}: {text or 'not given'}" for session, text in used.items()]
    return [
        Finding(
            "link_conditions",
            f"The sessions ran under different conditions ({'; '.join(parts)}). A difference in "
            "Mbit/s under one need not be the same under another; the join assumes that it is.",
            "rate_mode, power_mw, channel_mhz and width_mhz of session.toml and runs.csv.",
        )
    ]


def side_findings(runs: pd.DataFrame, voice: Voice, better: Direction | None) -> list[Finding]:
    """Join receiving-side and transmitting-side tests through the configuration they share.

    Needs ``antenna`` and ``transmitter_antenna`` both to vary. Adding the two effects is an
    assumption, since the hands of polarisation at the two ends interact; the finding names the
    one clip that would check it. Nothing is said where that configuration was flown already, or
    where it is not known which way is better.
    """
    if "transmitter_antenna" not in runs or better is None:
        return []
    both = runs.dropna(subset=["transmitter_antenna"])
    if both["transmitter_antenna"].nunique() < 2 or both["antenna"].nunique() < 2:
        return []
    keys = ["antenna", "transmitter_antenna"]
    level = both.groupby([*keys, "mounting"])["value"].mean().groupby(keys).mean().unstack()
    hubs = [
        (a, t)
        for a in level.index
        for t in level.columns
        if level.loc[a].notna().sum() > 1 and level[t].notna().sum() > 1 and _known(level, a, t)
    ]
    if not hubs:
        return [_no_hub(level)]
    a, t = max(hubs, key=lambda hub: level.loc[hub[0]].count() + level[hub[1]].count())
    pick = "idxmax" if better == "higher" else "idxmin"
    best_a, best_t = getattr(level[t], pick)(), getattr(level.loc[a], pick)()
    if _known(level, best_a, best_t):
        return []
    sum_ = float(level.loc[best_a, t] + level.loc[a, best_t] - level.loc[a, t])
    return [
        Finding(
            "sides",
            f"The receiving and the transmitting tests share {a} with {t}. Adding what each side "
            f"gained, {best_a} with {best_t} should give {voice.amount(sum_)}. That is an "
            "assumption, since the hands of polarisation at the two ends interact: one clip of "
            f"{best_a} with {best_t} on the transmitter would check it.",
            f"{best_a} with {t}, plus {a} with {best_t}, minus {a} with {t}.",
            (voice.quantity(f"{best_a} with {best_t}, expected", sum_),),
        )
    ]


def _known(level: pd.DataFrame, antenna: str, transmitter: str) -> bool:
    return bool(level.notna().loc[antenna, transmitter])


def _no_hub(level: pd.DataFrame) -> Finding:
    a, t = level.notna().sum(axis=1).idxmax(), level.notna().sum(axis=0).idxmax()
    return Finding(
        "sides",
        "The receiving and the transmitting tests share no configuration, so they can't be put "
        f"together; fly {a} with {t} on the transmitter in both.",
        "No combination of antenna and transmitter_antenna occurs in both tests.",
    )
