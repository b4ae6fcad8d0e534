"""The ranking: adjusted means with intervals, and what it says in words."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

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
)
from extractor.comparison.loading import RunTable
from extractor.comparison.model import Fit, clip_spread, mounting_spread, records
from extractor.comparison.pairs import (
    BETWEEN_MOUNTINGS,
    INSIDE_MOUNTINGS,
    NO_BASIS,
    ROUNDING,
    Ordering,
    basis,
    error_on,
    judged,
    ranked,
)
from extractor.comparison.simulated_repeats import best_probability
from extractor.session.overlay import direction_question

if TYPE_CHECKING:
    from extractor.comparison.compare import Comparison

#: More pairs than this stand in the table alone.
MOST_PAIRS = 6


def ranking_table(table: RunTable, fit: Fit, order: Ordering, confidence: float) -> pd.DataFrame:
    """Return one row an antenna, best first.

    Returns
    -------
    DataFrame
        ``place`` (one more than are shown to be ahead, so that ties share it; NaN without a
        verdict), ``antenna``, ``mean``
        (adjusted for ports and sessions), ``low`` and ``high`` with their ``basis``,
        ``inner_low`` and ``inner_high`` (for these very mountings), ``plain_mean`` of the runs,
        ``runs``, ``mountings``,
        ``may_be_best`` (not shown to be behind the best; None without a verdict),
        ``not_told_apart_from`` (``;`` between), ``probability_best``,
        ``runs_at_ceiling``, ``lower_bound``. NaN where nothing is known.
    """
    layout, runs = fit.layout, table.runs
    chances = best_probability(fit, table.better)
    touched, cut = cut_by_antenna(runs, "mean"), cut_by_antenna(runs, table.measure)
    mountings = layout.mountings["antenna"].value_counts()
    whole, able = basis(fit), judged(fit)
    rows = []
    for i, name in zip(ranked(fit, table.better), order.names, strict=True):
        own = runs[runs["antenna"] == name]
        mates = {m for group in order.together if name in group for m in group} - {name}
        on = NO_BASIS if whole == BETWEEN_MOUNTINGS and i not in able else whole
        low, high = _limits(fit, i, confidence, on)
        inner_low, inner_high = _limits(fit, i, confidence, INSIDE_MOUNTINGS)
        rows.append(
            {
                "place": _place(name, mates, order),
                "antenna": name,
                "mean": float(fit.means[i]),
                "low": low,
                "high": high,
                "basis": on,
                "inner_low": inner_low,
                "inner_high": inner_high,
                "plain_mean": float(own["value"].mean()),
                "runs": len(own),
                "mountings": int(mountings[name]),
                "may_be_best": name in order.may_be_best if order.may_be_best else None,
                "not_told_apart_from": ";".join(n for n in order.names if n in mates),
                "probability_best": float(chances[i]),
                "runs_at_ceiling": int(touched[name]),
                "lower_bound": bool(cut[name]),
            }
        )
    return pd.DataFrame(rows)


def _place(name: str, mates: set[str], order: Ordering) -> float:
    if not order.may_be_best:
        return float("nan")
    ahead = sum(other not in mates for other in order.names[: order.names.index(name)])
    return max(ahead, name not in order.may_be_best) + 1


def _limits(fit: Fit, i: int, confidence: float, on: str) -> tuple[float, float]:
    if on == NO_BASIS or (on == INSIDE_MOUNTINGS and fit.layout.df_within == 0) or fit.hidden:
        return float("nan"), float("nan")
    error = error_on(on, fit, np.eye(len(fit.layout.antennas))[i])
    half = error.half_width(0.5 + confidence / 2)
    return float(fit.means[i]) - half, float(fit.means[i]) + half


def ranking_findings(compared: Comparison) -> Iterator[Finding]:
    """Say who is best, in one sentence; then which pairs are told apart and which are equal.

    Where it is not known which way is better, ask that, and say no more than the numbers.
    """
    fit, voice = compared.fit, compared.voice
    on, able = basis(fit), [fit.layout.antennas[i] for i in judged(fit)]
    means = voice.quantities(dict(compared.ranking[["antenna", "mean"]].values))
    if compared.better is None:
        yield Finding(
            "direction",
            f"{direction_question(compared.field)} The mean numbers, highest first, which is no "
            f"ranking: {_levels(compared.ranking, voice)}.",
            "Neither overlay.toml nor the field's name and unit say which way is better.",
            means,
        )
    elif on == BETWEEN_MOUNTINGS and len(able) > 1:
        if compared.reference is not None:
            yield Finding("ranking", _against(compared), _how_best(compared))
        else:
            best = _best(compared, len(able))
            yield Finding("ranking", best, _how_best(compared), _lead(compared))
        yield _pairs(compared)
    elif on == BETWEEN_MOUNTINGS:
        why = f"the {voice.noun}s did not take turns, so a drift would look just like a difference"
        if able:
            why = f"only {able[0]} was mounted more than once"
        how = f"Column {'mounting' if able else 'order'} of runs.csv."
        yield Finding("ranking", f"No verdict: {why}.", how, means)
    elif on == NO_BASIS and (fit.hidden or fit.df_between + fit.layout.df_within > 0):
        yield _nothing_told(fit, voice)
    else:
        yield Finding("ranking", *_as_recorded(compared), means)
        yield _inner_pairs(compared.pairs, voice)


def _best(compared: Comparison, able: int) -> str:
    voice, order = compared.voice, compared.order
    noun, left = voice.noun, order.may_be_best
    if order.best is not None:
        whom = "every other" if able == len(order.names) else "all mounted more than once, any"
        if round(order.lead, voice.digits) == 0:
            return f"{order.best} is best, ahead of {whom} {noun}, if perhaps by very little."
        return f"{order.best} is best: at least {voice.amount(order.lead)} ahead of {whom} {noun}."
    behind = able - len(left)
    if not behind:
        return f"No {noun} is shown to be better than another: {_reach(compared)}."
    rest = f"the other {behind} are" if behind > 1 else "the other one is"
    if len(left) > MOST_NAMED:
        return f"One of {len(left)} {noun}s is best, by the numbers {left[0]}; {rest} behind."
    return f"{listed(left, 'or')} is best, which of them stays open; {rest} behind."


def _how_best(compared: Comparison) -> str:
    fit, voice, test = (
        compared.fit,
        compared.voice,
        "one-sided comparisons with the best (Hsu 1984)",
    )
    if compared.reference is not None:
        test = f"each against {compared.reference}, the others not with each other (Dunnett's "
        test += "many-one comparison)"
    drift = " and a drift" if fit.layout.order == "in the model" else ""
    return (
        f"Each of {counted(len(fit.layout.mountings), 'mounting')} counts once, adjusted for "
        f"ports{drift}, each {voice.noun} with a spread of its own, moderated by all; "
        f"{fit.df_between:.3g} degrees of freedom; {test}, {voice.percent} together."
    )


def _pairs(compared: Comparison) -> Finding:
    """Say which pairs are told apart, which are equal, and what gap the data leave open."""
    fit, order, voice, pairs = compared.fit, compared.order, compared.voice, compared.pairs
    single = list(np.array(fit.layout.antennas)[fit.mounted_once])
    known = pairs[pairs["basis"] == BETWEEN_MOUNTINGS]
    apart, open_ = known[known["told_apart"]], known[~known["told_apart"]]
    parts = []
    if len(known) > MOST_PAIRS:
        parts.append(f"{len(apart)} of {len(known)} pairs are told apart (pairs.csv)")
    else:
        parts += _ahead(apart, voice)
        sets = dict.fromkeys(tuple(n for n in g if n not in single) for g in order.together)
        parts += [f"{listed(g)} can't be told apart" for g in sets if len(g) > 1]
    if len(open_):
        parts.append(_reach(compared))
    if compared.equal_within is not None:
        equal = [f"{r['first']} and {r['second']}" for r in records(known) if r["equal"]]
        within = voice.amount(compared.equal_within)
        parts.append(f"equal within {within}: {listed(equal) or 'none shown'}")
    if order.best in set(open_["first"]):
        parts.append(f"that {order.best} is best asks less than telling every pair apart")
    if single:
        parts.append(f"nothing is said of {listed(single)}, mounted once")
    sentence = "; ".join(parts)
    how = "Tukey-Kramer): a second family of statements, beside the best."
    if compared.reference is not None:
        how = "Dunnett)."
    return Finding(
        "pairs",
        sentence[0].upper() + sentence[1:] + ".",
        f"Simultaneous intervals of the pairs, {voice.percent} together ({how}",
    )


def _ahead(apart: pd.DataFrame, voice: Voice) -> list[str]:
    """Return ``A is ahead of B by 2.0 Mbit/s (0.5 to 3.5), of C by …`` for each first.

    The unit stands once, at the start.
    """
    said: dict[str, list[str]] = {}
    for row in records(apart):
        by = voice.number(row["difference"]) if said else voice.amount(row["difference"])
        limits = f"({voice.number(row['low'])} to {voice.number(row['high'])})"
        said.setdefault(row["first"], []).append(f"of {row['second']} by {by} {limits}")
    return [f"{first} is ahead {listed(others)}" for first, others in said.items()]


def _nothing_told(fit: Fit, voice: Voice) -> Finding:
    if fit.hidden:
        why = "the link stood at its ceiling in all of them"
    elif np.ptp(fit.means) <= ROUNDING * float(np.max(np.abs(fit.means))):
        why = f"all show {voice.amount(float(fit.means[0]))}"
    else:
        why = f"those of one {voice.noun} all show the same number, so no gap can be judged"
    return Finding(
        "ranking",
        f"These clips can't tell the {voice.noun}s apart: {why}.",
        "Without any spread between the clips there is nothing to judge a difference by.",
    )


def _levels(ranking: pd.DataFrame, voice: Voice) -> str:
    levels = ", ".join(f"{r['antenna']} {voice.number(r['mean'])}" for r in records(ranking))
    return f"{levels} {voice.unit}".rstrip()


def _reach(compared: Comparison) -> str:
    """Say which gap the data leave open: half of the widest interval that holds 0."""
    open_ = compared.pairs[~compared.pairs["told_apart"]]
    most = compared.voice.amount(float((open_["high"] - open_["difference"]).max()))
    return f"gaps under {most} could not be called here"


def _lead(compared: Comparison) -> tuple[Quantity, ...]:
    # The pairs are in the order of the antennas, so that the first is that of the first two.
    row, voice = compared.pairs.iloc[0], compared.voice
    lead = f"{row['first']} over {row['second']}"
    return (
        voice.quantity("lead of the best, at least", compared.order.lead),
        *voice.quantities({f"{lead}, {key}": row[key] for key in ("difference", "low", "high")}),
        Quantity("adjusted p", float(row["p_adjusted"])),
    )


def _against(compared: Comparison) -> str:
    groups: dict[str, list[str]] = {"Better": [], "worse": [], "not told apart": []}
    for row in records(compared.pairs):
        ahead = row["second"] == compared.reference
        place = ("Better" if ahead else "worse") if row["told_apart"] else "not told apart"
        groups[place].append(row["first"] if ahead else row["second"])
    said = {place: few(names, f"{compared.voice.noun}s") for place, names in groups.items()}
    parts = [f"Better than {compared.reference}: {said.pop('Better') or 'none'}"]
    return "; ".join(parts + [f"{place}: {names}" for place, names in said.items() if names]) + "."


def _as_recorded(compared: Comparison) -> tuple[str, str]:
    """Return the levels without a verdict, and how they are known."""
    fit, ranking, voice = compared.fit, compared.ranking, compared.voice
    order = f": {_levels(ranking, voice)}"
    if len(ranking) > MOST_NAMED:
        ends = _levels(ranking.iloc[[0, -1]], voice)
        order = f", first to last of {len(ranking)}: {ends}"
    if basis(fit) == NO_BASIS:
        how = "One value for each: nothing to judge a gap by."
    else:
        how = (
            f"{counted(int(ranking['runs'].sum()), 'clip')}, adjusted for ports, "
            f"{fit.layout.df_within} degrees of freedom between clips of one mounting, none "
            "between mountings: how far another mounting would move an antenna is not known."
        )
    return f"As recorded here{order}. No verdict: each {voice.noun} was mounted once.", how


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
    larger = few(stand, f"of {len(pairs)} pairs (pairs.csv)")
    told = f"beyond it are {larger}" if stand else "no gap is larger than that"
    return Finding(
        "inner_differences",
        f"From clip to clip of these same mountings a gap is uncertain by {voice.amount(half)} "
        f"either way; {told}. That speaks of these mountings, not of the antennas.",
        "Simultaneous intervals from the spread between clips alone.",
        (voice.quantity("half-width from clip to clip", half),),
        "appendix",
    )


def spread_finding(fit: Fit, voice: Voice) -> Finding:
    """State the spreads between mountings and between clips."""
    between, inside = mounting_spread(fit), clip_spread(fit)
    parts, numbers = [], []
    for label, value, df in (
        ("between mountings of one antenna", between, fit.df_between),
        ("between clips of one mounting", inside, fit.layout.df_within),
    ):
        known = math.isfinite(value)
        said = f"{voice.amount(value)} ({df:.3g} degrees of freedom)" if known else "not known"
        parts.append(f"{label} {said}")
        numbers.append(voice.quantity(label, value))
    return Finding(
        "spread",
        f"Spread (standard deviation): {'; '.join(parts)}.",
        "Mean squares of the two strata; the clips' share is taken out of the mountings'.",
        tuple(numbers),
        "appendix",
    )


def best_finding(ranking: pd.DataFrame) -> Iterator[Finding]:
    """State the probabilities of being best."""
    if ranking["probability_best"].isna().all():
        return
    chances = records(ranking.sort_values("probability_best", ascending=False, kind="stable"))
    said = [f"{r['antenna']} {_chance(r['probability_best'])}" for r in chances]
    small = sum(r["probability_best"] < 0.01 for r in chances)
    if small > 2:
        said[-small:] = [f"the other {small} under 1 % each"]
    yield Finding(
        "probability_best",
        f"Chance of being the best: {', '.join(said)}.",
        "Posterior under a prior that pulls the antennas together as far as the test can't "
        "tell them apart; spread between mountings.",
        tuple(Quantity(r["antenna"], r["probability_best"]) for r in chances),
    )


def _chance(p: float) -> str:
    return "under 1 %" if p < 0.01 else "over 99 %" if p > 0.99 else f"{100 * p:.0f} %"
