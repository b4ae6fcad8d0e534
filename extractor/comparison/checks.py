"""What could spoil a ranking: ceiling, odd runs, outages, companions."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from extractor.comparison.findings import (
    CHECK_LEVEL,
    Finding,
    Quantity,
    Voice,
    counted,
    few,
    listed,
    p_text,
)
from extractor.comparison.model import Array, Fit, estimate, records
from extractor.comparison.pairs import judged
from extractor.session.spelling import hung
from extractor.session.user_tables import DRAFT, is_proposed
from extractor.statistics.ceiling import CUT_FROM, MOST_AT_CEILING, is_cut
from extractor.statistics.power import smallest_p

if TYPE_CHECKING:
    from extractor.comparison.compare import Comparison

#: Below this share of counted samples a clip's value stands for a part of it only.
FEWEST_COVERED = 0.5


def draft_findings(runs: pd.DataFrame) -> Iterator[Finding]:
    """Say that runs stand as they were drafted from the file names, and nobody has checked them."""
    drafts = runs["notes"].fillna("").astype(str).map(is_proposed).sum() if "notes" in runs else 0
    if drafts:
        yield Finding(
            "draft",
            f"{drafts} of {counted(len(runs), 'run')} still say '{DRAFT.rstrip(':')}' in the notes "
            "of runs.csv. What was taken from the file names may be wrong, and all below with it: "
            "check antenna, port and mounting, then empty those notes.",
            "Column notes of runs.csv.",
        )


def all_at_ceiling(runs: pd.DataFrame) -> bool:
    """Tell whether the ceiling cuts even the lower quartile of every run.

    Then no measure of them tells antennas apart.
    """
    return bool(is_cut(_shares(runs), "p25").all())


def _shares(runs: pd.DataFrame) -> Array:
    return np.asarray(runs.get("ceiling_share", [np.nan] * len(runs)), float)


def cut_by_antenna(runs: pd.DataFrame, measure: str) -> pd.Series:
    """Return, for each antenna, of how many runs the ceiling cuts what a measure says."""
    return pd.Series(is_cut(_shares(runs), measure)).groupby(runs["antenna"].to_numpy()).sum()


def ceiling_findings(compared: Comparison) -> Iterator[Finding]:
    """Say where the link's own limit hides how good an antenna is, and what was done about it."""
    fit, runs, measure, voice = compared.fit, compared.runs, compared.measure, compared.voice
    names = compared.order.names
    if np.isnan(_shares(runs)).all():
        return
    touched, cut = cut_by_antenna(runs, "mean"), cut_by_antenna(runs, measure)
    most = float(runs["ceiling_share"].max())
    numbers: tuple[Quantity, ...] = (Quantity("largest share of a clip at the ceiling", most),)
    how = (
        "Share of samples at the link's own limit, clip by clip; over "
        f"{100 * MOST_AT_CEILING:.0f} % the mean counts as a lower bound, the median from 50 % "
        "on, the lower quartile from 75 %."
    )
    if not touched.any():
        sentence = (
            "The ceiling does not matter here: no clip spent more than "
            f"{100 * MOST_AT_CEILING:.0f} % of its samples there (at most {100 * most:.0f} %)."
        )
        yield Finding("ceiling", sentence, how, numbers, "appendix")
        return
    clips = runs["antenna"].value_counts()
    parts = [f"{n} in {touched[n]} of {counted(clips[n], 'clip')}" for n in names if touched[n]]
    sentence = (
        f"The link was at its ceiling for up to {100 * most:.0f} % of a clip: "
        f"{few(parts, 'antennas (ranking.csv)')}."
    )
    if measure in CUT_FROM and "mean" in runs:
        means = estimate(fit.layout, runs["mean"].to_numpy(float)).means
        beside = dict(zip(fit.layout.antennas, map(float, means), strict=True))
        said = listed([f"{n} {voice.number(beside[n])}" for n in names])
        name = {"p25": "lower quartile (p25)"}.get(measure, measure)
        sentence += f" So runs count by their {name}, which it cuts last; the means are {said}."
        numbers += voice.quantities({f"{n}, mean": beside[n] for n in names})
    bounds = [n for n in names if cut[n]]
    if bounds:
        of = few(bounds, "of them")
        sentence += f" The {measure} of {of} is a lower bound: a harder path (more "
        sentence += "distance, walls or attenuation) shows the real level."
    tied = [g for g in compared.order.together if g[0] == names[0] and set(g) & set(bounds)]
    if tied and fit.df_between > 0:
        tie = few(tied[0], "antennas")
        sentence += f" That {tie} can't be told apart is therefore no finding."
    yield Finding("ceiling", sentence, how, numbers)


def odd_values(values: Array, left: Array, names: list[str]) -> list[tuple[str, float, float]]:
    """Find outliers by externally studentised residuals with a Bonferroni bound.

    `left` projects on what the model leaves over. The level is half of `CHECK_LEVEL`, since runs
    and mountings are both looked through. Returns the name, the value minus what the model
    expects (in the unit) and the adjusted p-value of each.

    Notes
    -----
    Cook and Weisberg 1982, section 2.2: t with n - rank - 1 degrees of freedom. Fewer than
    three of them find nothing.
    """
    from scipy.special import stdtr

    count, free = len(values), np.diag(left)
    df = round(float(free.sum())) - 1
    residual = left @ values
    scale = float(residual @ residual)
    if df < 3 or scale <= 1e-18 * float(values @ values):
        return []
    found = []
    for name, r, f in zip(names, residual, free, strict=True):
        if f < 1e-6:
            continue
        rest = max((scale - r**2 / f) / df, 0.0)
        t = abs(r) / math.sqrt(rest * f) if rest > 0 else math.inf
        p = min(1.0, count * 2 * float(stdtr(df, -t)))
        if p < CHECK_LEVEL / 2:
            found.append((name, float(r), p))
    return found


def outlier_findings(fit: Fit, runs: pd.DataFrame, voice: Voice) -> Iterator[Finding]:
    """Name runs and mountings that stand out; nothing is removed."""
    factors = [c for c in ("antenna", "session", "port") if c in runs]
    blocks = [pd.get_dummies(runs[c]) for c in factors]
    own = blocks[1].loc[:, list(fit.layout.drifting)]
    blocks.append(own.mul(runs["order"], axis=0) if len(own.columns) else own)
    design = np.hstack([b.to_numpy(float) for b in blocks])
    left = np.eye(len(runs)) - design @ np.linalg.pinv(design)
    odd = odd_values(runs["value"].to_numpy(float), left, [f"run {r}" for r in runs["run"]])
    where = fit.layout.mountings
    if fit.layout.df_within > 0:  # else a mounting is its only clip
        labels = [f"mounting {m} of {a}" for a, m in zip(where.antenna, where.mounting)]  # noqa: B905
        odd += odd_values(fit.mounting_means, fit.layout.between, labels)
    parts = [
        f"{name} ({voice.amount(residual, sign=True)} from what fits, {p_text(p)})"
        for name, residual, p in odd
    ]
    if parts:
        yield Finding(
            "outlier_runs",
            f"Stands out: {listed(parts)}. It is still in every number here; look at the clip, and "
            "repeat the run if something went wrong in it.",
            "Studentised residuals of antenna + port + order (+ session), Bonferroni-adjusted.",
            voice.quantities({name: residual for name, residual, _ in odd}),
        )


def unlike_spread_findings(fit: Fit, voice: Voice) -> Iterator[Finding]:
    """Say where the mountings of one antenna scatter more than those of the others.

    F of each antenna's own variance between mountings against that of the others, Bonferroni.
    """
    from scipy.special import fdtrc

    layout = fit.layout
    squares = layout.own @ (layout.between @ fit.mounting_means) ** 2
    for name, own, square in zip(layout.antennas, layout.df_own, squares, strict=True):
        rest, others = layout.df_between - own, float(squares.sum() - square)
        if own < 0.5 or rest < 0.5 or others <= 0:
            continue
        ratio = float(square) / own / (others / rest)
        if len(squares) * float(fdtrc(own, rest, ratio)) >= CHECK_LEVEL:
            continue
        own_sd, rest_sd = math.sqrt(float(square) / own), math.sqrt(others / rest)
        yield Finding(
            "unlike_spread",
            f"Mountings of {name} scatter more than those of the others ({voice.amount(own_sd)} "
            f"against {voice.amount(rest_sd)}): its intervals are wider for it. Mount it more "
            "often.",
            "F-test of its variance between mountings against the others', Bonferroni-adjusted.",
            voice.quantities({f"spread of {name}": own_sd, "of the others": rest_sd}),
        )


def few_mountings_finding(fit: Fit, voice: Voice) -> Iterator[Finding]:
    """Say that so few mountings, dealt out anew, could not reach the level that is used here."""
    sizes = [int(n) for n in fit.layout.own.sum(axis=1)[list(judged(fit))]]
    p = smallest_p(sizes)
    if len(sizes) < 2 or fit.df_carried > 0 or p <= 1 - voice.confidence:
        return
    yield Finding(
        "smallest_p",
        f"These are few mountings: by chance alone the numbers fall apart as clearly as they ever "
        f"can in 1 of {1 / p:.0f} sessions. Mount each once more.",
        f"{listed([str(n) for n in sizes])} mountings, dealt out anew in all ways: no p below "
        f"{p:.2g}. The intervals take it that mountings scatter as a normal distribution does.",
        (Quantity("smallest p", p),),
    )


def outage_finding(compared: Comparison) -> Iterator[Finding]:
    """Say when counting outages as zero changes who stands where by the mean."""
    fit, runs, order = compared.fit, compared.runs, compared.order
    if compared.measure != "mean" or compared.better is None:
        return
    if "with_outages" not in runs or runs["with_outages"].isna().any():
        return
    means = estimate(fit.layout, runs["with_outages"].to_numpy(float)).means
    level = dict(zip(fit.layout.antennas, means, strict=True))
    sign = 1 if compared.better == "higher" else -1
    moved = [(a, b) for a, b in combinations(order.names, 2) if sign * (level[b] - level[a]) > 0]
    if moved:
        swaps = listed([f"{b} comes before {a}" for a, b in moved])
        tied = all(any(a in g and b in g for g in order.together) for a, b in moved)
        hedge = " Those can't be told apart anyway (below)." if tied else ""
        yield Finding(
            "outages_change_order",
            f"The order depends on how outages count: with an outage as zero, {swaps}.{hedge} "
            "An antenna that is fast while the link stands and often drops it is another thing "
            "than one that holds; decide which matters before reading on.",
            "Adjusted means of mean against those of mean_with_outages.",
            tuple(Quantity(f"{n}, outages as zero", float(level[n])) for n in order.names),
        )


def thin_clip_findings(runs: pd.DataFrame) -> Iterator[Finding]:
    """Name runs whose value rests on a part of the clip only."""
    reasons = []
    if "coverage" in runs:
        thin = runs[runs["coverage"] < FEWEST_COVERED]
        reasons += [f"{r['run']} ({100 * r['coverage']:.0f} % read)" for r in records(thin)]
    if "incomplete" in runs:
        cut = runs.loc[runs["incomplete"] == "yes", "run"]
        reasons += [f"{run} (file ends early)" for run in cut]
    if reasons:
        yield Finding(
            "thin_clips",
            f"Rests on a part of the clip only: {few(reasons, 'runs (summary.csv)')}. What was not "
            "read may have been the worst part; the value counts like any other here.",
            "Columns coverage and incomplete of the summary.",
            part="appendix",
        )


def companion_findings(runs: pd.DataFrame) -> Iterator[Finding]:
    """Say when what hung on the other ports was not the same for every antenna."""
    given = runs.dropna(subset=["others"])
    parts = {
        str(name): listed(sorted({other for cell in cells for _, other in hung(cell)}))
        for name, cells in given.groupby("antenna")["others"]
    }
    if len(set(parts.values())) > 1:
        said = "; ".join(f"{name} with {others}" for name, others in parts.items())
        yield Finding(
            "companions",
            f"The companions differ: {said}. Each result belongs to the antenna "
            "together with what hung on the other ports; keep one companion throughout to "
            "compare the antennas alone.",
            "Column others of runs.csv.",
            part="appendix",
        )
