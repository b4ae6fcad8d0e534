"""The ranking: adjusted means with intervals, and what it says in words."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from extractor.comparison.checks import ceiling_by_antenna
from extractor.comparison.findings import Finding, Quantity, Voice, counted, listed
from extractor.comparison.model import (
    Fit,
    clip_spread,
    inner_error,
    mounting_spread,
    outer_error,
    records,
)
from extractor.comparison.pairs import (
    BETWEEN_MOUNTINGS,
    INSIDE_MOUNTINGS,
    NO_BASIS,
    Ordering,
    basis,
    ranked,
)
from extractor.comparison.simulated_repeats import best_probability
from extractor.session.overlay import Direction, direction_question


def ranking_table(
    fit: Fit, runs: pd.DataFrame, order: Ordering, *, better: Direction | None, confidence: float
) -> pd.DataFrame:
    """Return one row an antenna, best first.

    Returns
    -------
    DataFrame
        ``place`` (NaN where it is not known which way is better), ``antenna``, ``mean``
        (adjusted for ports and sessions), ``low`` and ``high`` with their ``basis``,
        ``inner_low`` and ``inner_high`` (for these very mountings), ``plain_mean`` of the runs,
        ``runs``, ``mountings``,
        ``not_told_apart_from`` (``;`` between), ``probability_best``,
        ``runs_at_ceiling``, ``lower_bound``. NaN where nothing is known.
    """
    layout = fit.layout
    chances = best_probability(fit, better)
    touched = ceiling_by_antenna(runs)
    mountings = layout.mountings["antenna"].value_counts()
    rows = []
    for place, i in enumerate(ranked(fit, better), 1):
        name = layout.antennas[i]
        own = runs[runs["antenna"] == name]
        mates = {m for group in order.together if name in group for m in group} - {name}
        low, high = _limits(fit, i, confidence, outer=layout.df_between > 0)
        inner_low, inner_high = _limits(fit, i, confidence, outer=False)
        rows.append(
            {
                "place": place if better is not None else float("nan"),
                "antenna": name,
                "mean": float(fit.means[i]),
                "low": low,
                "high": high,
                "basis": basis(fit),
                "inner_low": inner_low,
                "inner_high": inner_high,
                "plain_mean": float(own["value"].mean()),
                "runs": len(own),
                "mountings": int(mountings[name]),
                "not_told_apart_from": ";".join(n for n in order.names if n in mates),
                "probability_best": float(chances[i]),
                "runs_at_ceiling": int(touched.get(name, 0)),
                "lower_bound": bool(touched.get(name, 0) > 0),
            }
        )
    return pd.DataFrame(rows)


def _limits(fit: Fit, i: int, confidence: float, *, outer: bool) -> tuple[float, float]:
    from scipy import stats

    if not outer and fit.layout.df_within == 0:
        return float("nan"), float("nan")
    contrast = np.eye(len(fit.layout.antennas))[i]
    error = outer_error(fit, contrast) if outer else inner_error(fit, contrast)
    half = float(stats.t.ppf(0.5 + confidence / 2, float(error.df)) * error.se)
    return float(fit.means[i]) - half, float(fit.means[i]) + half


def ranking_findings(
    fit: Fit,
    ranking: pd.DataFrame,
    pairs: pd.DataFrame,
    order: Ordering,
    voice: Voice,
    reference: str | None = None,
) -> list[Finding]:
    """Say who is best, who can't be told apart, and on what that rests."""
    if basis(fit) != BETWEEN_MOUNTINGS:
        return [_one_mounting(fit, ranking, voice), _inner_pairs(pairs, voice)]
    if reference is not None:
        sentence = _against(reference, pairs, voice)
        numbers: tuple[Quantity, ...] = ()
    else:
        sentence, numbers = _places(order, pairs, voice), _lead(order, pairs, voice)
    sentence += _bounds(ranking)
    method = (
        "Dunnett's many-one comparison (multivariate t)"
        if reference is not None
        else "simultaneous intervals for all pairs (Tukey-Kramer)"
    )
    how = (
        "Each mounting counts once, adjusted for ports; "
        f"{counted(len(fit.layout.mountings), 'mounting')}, {fit.layout.df_between} degrees of "
        f"freedom between mountings of one antenna; {method}, "
        f"{voice.percent} for all statements together."
    )
    return [Finding("ranking", sentence, how, numbers), *_borrowed(ranking)]


def direction_finding(field: str, ranking: pd.DataFrame, voice: Voice) -> Finding:
    """Ask which way is better, and say no more than the numbers."""
    return Finding(
        "direction",
        f"{direction_question(field)} The mean numbers, highest first, which is no ranking: "
        f"{_levels(ranking, voice)} {voice.unit}".rstrip()
        + ".",
        "Neither overlay.toml nor the field's name and unit say which way is better.",
        _means(ranking, voice),
    )


def _levels(ranking: pd.DataFrame, voice: Voice) -> str:
    return ", ".join(f"{r['antenna']} {voice.number(r['mean'])}" for r in records(ranking))


def _means(ranking: pd.DataFrame, voice: Voice) -> tuple[Quantity, ...]:
    return voice.quantities({r["antenna"]: r["mean"] for r in records(ranking)})


def _places(order: Ordering, pairs: pd.DataFrame, voice: Voice) -> str:
    names = order.names
    if not pairs["told_apart"].any():
        widest = pairs.sort_values("difference").iloc[-1]
        return (
            f"No {voice.noun} is shown to be better than another: {listed(names)} can't be told "
            "apart. "
            f"The largest gap, {voice.amount(widest['difference'])} between {widest['first']} and "
            f"{widest['second']}, may be chance ({voice.interval(widest['low'], widest['high'])}). "
            f"{_reach(pairs, voice)}"
        )
    parts = []
    if order.apart_from_all(names[0]):
        next_ = _pair(pairs, names[0], names[1])
        parts.append(
            f"{names[0]} is best: ahead of every other {voice.noun}, and of the next, {names[1]}, "
            "by "
            f"{voice.amount(next_['difference'])}{_share(next_['percent'], voice)} "
            f"({voice.interval(next_['low'], next_['high'])})."
        )
    for group in order.together:
        parts.append(_group(group, pairs, voice, top=names[0] in group))
    parts += _overlaps(order, pairs)
    if len(names) > 2 and order.apart_from_all(names[-1]):
        parts.append(f"{names[-1]} is last, behind every other {voice.noun}.")
    if order.together:
        parts.append(_reach(pairs, voice))
    return " ".join(parts)


def _share(percent: float, voice: Voice) -> str:
    """Say a difference in percent too; decibels, and what may be 0 or less, have no such share."""
    logarithmic = voice.unit.casefold().startswith("db")
    return "" if logarithmic or math.isnan(percent) else f" or {percent:.0f} %"


def _group(group: tuple[str, ...], pairs: pd.DataFrame, voice: Voice, *, top: bool) -> str:
    pair = _pair(pairs, group[0], group[-1])
    start = "No single best: " if top else ""
    each = "" if len(group) == 2 else f" ({group[0]} and {group[-1]} are furthest apart)"
    return (
        f"{start}{listed(group)} can't be told apart: {voice.amount(pair['difference'])} between "
        f"them{each}, and anything from {voice.number(pair['low'])} to "
        f"{voice.amount(pair['high'])} fits the data."
    )


def _overlaps(order: Ordering, pairs: pd.DataFrame) -> list[str]:
    """Name the differences that stand although a third antenna ties with both."""
    shared = [n for n in order.names if sum(n in g for g in order.together) > 1]
    if not shared:
        return []
    tied = {n for g in order.together for n in g}
    stand = pairs[pairs["told_apart"] & pairs["first"].isin(tied) & pairs["second"].isin(tied)]
    told = [f"{row.first} is ahead of {row.second}" for row in stand.itertuples()]
    return [f"Still, {listed(told)}."] if told else []


def _reach(pairs: pd.DataFrame, voice: Voice) -> str:
    open_ = pairs[~pairs["told_apart"]]
    most = voice.amount(float((open_["high"] - open_["difference"]).max()))
    return f"Gaps under {most} could not be called here."


def _bounds(ranking: pd.DataFrame) -> str:
    names = list(ranking.loc[ranking["lower_bound"], "antenna"])
    if not names:
        return ""
    return f" (The link was at its ceiling with {listed(names)}: the real level may be higher.)"


def _pair(pairs: pd.DataFrame, first: str, second: str) -> pd.Series:
    return pairs[(pairs["first"] == first) & (pairs["second"] == second)].iloc[0]


def _lead(order: Ordering, pairs: pd.DataFrame, voice: Voice) -> tuple[Quantity, ...]:
    row = _pair(pairs, order.names[0], order.names[1])
    lead = f"{row['first']} over {row['second']}"
    return (
        *voice.quantities({f"{lead}, {key}": row[key] for key in ("difference", "low", "high")}),
        Quantity("adjusted p", float(row["p_adjusted"])),
    )


def _against(reference: str, pairs: pd.DataFrame, voice: Voice) -> str:
    ahead = pairs[pairs["told_apart"] & (pairs["second"] == reference)]
    behind = pairs[pairs["told_apart"] & (pairs["first"] == reference)]
    rest = pairs[~pairs["told_apart"]]
    parts = []
    for rows, other, word in ((ahead, "first", "better"), (behind, "second", "worse")):
        told = [
            f"{row[other]} by {voice.amount(row['difference'])} "
            f"({voice.interval(row['low'], row['high'])})"
            for _, row in rows.iterrows()
        ]
        if told:
            parts.append(f"{word} than {reference}: {listed(told)}.")
    if len(rest):
        names = [r["second"] if r["first"] == reference else r["first"] for _, r in rest.iterrows()]
        parts.append(f"not told apart from {reference}: {listed(names)}. {_reach(rest, voice)}")
    parts.append("The others were compared with the reference alone, not with each other.")
    return " ".join(p[0].upper() + p[1:] for p in parts)


def _one_mounting(fit: Fit, ranking: pd.DataFrame, voice: Voice) -> Finding:
    sentence = (
        "For this spot and these mountings only, the order is "
        f"{_levels(ranking, voice)} {voice.unit}. "
        f"Which {voice.noun} is better can't be said: each was mounted once, and nobody knows by "
        "how much taking it off and putting it back would have moved it."
    )
    if basis(fit) == NO_BASIS:
        how = "One value for each antenna: nothing to judge a gap by."
    else:
        how = (
            f"Antenna + port on {counted(int(ranking['runs'].sum()), 'clip')}, "
            f"{fit.layout.df_within} degrees of freedom between clips of one mounting, none "
            "between mountings."
        )
    return Finding("ranking", sentence.replace(" .", "."), how, _means(ranking, voice))


def _inner_pairs(pairs: pd.DataFrame, voice: Voice) -> Finding:
    if pairs["basis"].iloc[0] != INSIDE_MOUNTINGS:
        return Finding(
            "inner_differences",
            "With one clip of each antenna not even the spread from clip to clip is known.",
            "No degrees of freedom are left in antenna + port.",
            part="appendix",
        )
    half = float((pairs["high"] - pairs["difference"]).max())
    beyond = pairs[pairs["low"] > 0]
    stand = [f"{r.first} over {r.second}" for r in beyond.itertuples()]
    told = f"beyond it are {listed(stand)}" if stand else "no gap is larger than that"
    return Finding(
        "inner_differences",
        f"From clip to clip of these same mountings a gap is uncertain by {voice.amount(half)} "
        f"either way; {told}. That speaks of these mountings, not of the antennas.",
        "Simultaneous intervals from the spread between clips alone.",
        (voice.quantity("half-width from clip to clip", half),),
        "appendix",
    )


def _borrowed(ranking: pd.DataFrame) -> list[Finding]:
    single = list(ranking.loc[ranking["mountings"] == 1, "antenna"])
    if not single:
        return []
    return [
        Finding(
            "borrowed_spread",
            f"{listed(single)} {'was' if len(single) == 1 else 'were'} mounted only once; how much "
            "another mounting would move it is taken from the other antennas.",
            "One spread between mountings, pooled over all antennas.",
        )
    ]


def spread_finding(fit: Fit, voice: Voice) -> Finding:
    """State the spreads between mountings and between clips."""
    between, inside = mounting_spread(fit), clip_spread(fit)
    parts, numbers = [], []
    for label, value, df in (
        ("between mountings of one antenna", between, fit.layout.df_between),
        ("between clips of one mounting", inside, fit.layout.df_within),
    ):
        known = math.isfinite(value)
        said = f"{voice.amount(value)} ({df} degrees of freedom)" if known else "not known"
        parts.append(f"{label} {said}")
        numbers.append(voice.quantity(label, value))
    return Finding(
        "spread",
        f"Spread (standard deviation): {'; '.join(parts)}.",
        "Mean squares of the two strata; the clips' share is taken out of the mountings'.",
        tuple(numbers),
        "appendix",
    )


def best_finding(ranking: pd.DataFrame, voice: Voice) -> list[Finding]:
    """State the probabilities of being best."""
    if ranking["probability_best"].isna().all():
        return []
    chances = records(ranking.sort_values("probability_best", ascending=False, kind="stable"))
    said = [f"{r['antenna']} {_chance(r['probability_best'])}" for r in chances]
    return [
        Finding(
            "probability_best",
            f"Probability of being best: {', '.join(said)}.",
            "Posterior under a prior that pulls the antennas together as far as the test can't tell "
            "them apart; spread between mountings.",
            tuple(Quantity(r["antenna"], r["probability_best"]) for r in chances),
            "appendix",
        )
    ]


def _chance(p: float) -> str:
    if p < 0.01:
        return "under 1 %"
    return "over 99 %" if p > 0.99 else f"{100 * p:.0f} %"
