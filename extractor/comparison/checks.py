"""What could spoil a ranking: ceiling, odd runs, outages, companions, and a check by ranks."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import permutations

import numpy as np
import pandas as pd

from extractor.comparison.findings import Finding, Quantity, Voice, counted, listed, p_text
from extractor.comparison.model import Array, Fit, estimate, records
from extractor.comparison.pairs import Ordering
from extractor.session.overlay import Direction
from extractor.session.spelling import hung
from extractor.session.user_tables import DRAFT, is_proposed
from extractor.statistics.ceiling import MOST_AT_CEILING

#: Below this share of counted samples a clip's value stands for a part of it only.
FEWEST_COVERED = 0.5
#: Full enumeration of the rank test up to so many patterns.
MOST_RANK_PATTERNS = 20_000


def draft_findings(runs: pd.DataFrame) -> list[Finding]:
    """Say that runs stand as they were drafted from the file names, and nobody has checked them."""
    if "notes" not in runs:
        return []
    drafts = int(runs["notes"].fillna("").astype(str).map(is_proposed).sum())
    if not drafts:
        return []
    sentence = (
        f"{drafts} of {counted(len(runs), 'run')} still say '{DRAFT.rstrip(':')}' in the notes of "
        "runs.csv. What was taken from the file names may be wrong, and all below with it: check "
        "antenna, port and mounting, then empty those notes."
    )
    return [Finding("draft", sentence, "Column notes of runs.csv.")]


def ceiling_by_antenna(runs: pd.DataFrame) -> pd.Series:
    """Return, for each antenna, how many of its runs spent over 20 % at the ceiling."""
    if "ceiling_share" not in runs:
        return pd.Series(0, index=sorted(runs["antenna"].unique()))
    high = runs["ceiling_share"] > MOST_AT_CEILING
    return high.groupby(runs["antenna"]).sum()


def ceiling_findings(runs: pd.DataFrame, order: Ordering, *, outer: bool) -> list[Finding]:
    """Warn where the link's own limit hides how good an antenna is.

    `outer`: ties were judged by the spread between mountings.
    """
    if "ceiling_share" not in runs or runs["ceiling_share"].isna().all():
        return []
    touched = ceiling_by_antenna(runs)
    names = [n for n in order.names if touched.get(n, 0) > 0]
    most = float(runs["ceiling_share"].max())
    numbers = (Quantity("largest share of a clip at the ceiling", most),)
    how = (
        "Share of samples at the link's own limit, clip by clip; over "
        f"{100 * MOST_AT_CEILING:.0f} % the mean counts as a lower bound."
    )
    if not names:
        sentence = (
            "The ceiling does not matter here: no clip spent more than "
            f"{100 * MOST_AT_CEILING:.0f} % of its samples there (at most {100 * most:.0f} %)."
        )
        return [Finding("ceiling", sentence, how, numbers, "appendix")]
    parts = [
        f"{n} in {touched[n]} of {counted(int((runs['antenna'] == n).sum()), 'clip')}"
        for n in names
    ]
    sentence = (
        f"The link was at its ceiling: {listed(parts)} (up to {100 * most:.0f} % of the samples)."
        f" The mean of {listed(names)} is a lower bound: the real level may be higher."
    )
    tied = [g for g in order.together if g[0] == order.names[0] and set(g) & set(names)]
    if tied and outer:
        sentence += (
            f" That {listed(tied[0])} can't be told apart is therefore no finding: the ceiling "
            "may hide the difference."
        )
    sentence += " A harder path (more distance, walls or attenuation) shows differences again."
    return [Finding("ceiling", sentence, how, numbers)]


@dataclass(frozen=True)
class OddRun:
    """A value far from what the model expects of it."""

    name: str
    residual: float
    """Value minus expectation, in the measured unit."""
    p: float
    """Bonferroni-adjusted."""


def odd_values(values: Array, design: Array, names: list[str]) -> list[OddRun]:
    """Find outliers by externally studentised residuals with a Bonferroni bound.

    Notes
    -----
    Cook and Weisberg 1982, section 2.2: t with n - rank - 1 degrees of freedom. Fewer than
    three of them find nothing.
    """
    from scipy import stats

    hat = design @ np.linalg.pinv(design)
    count, rank = len(values), int(np.linalg.matrix_rank(design))
    df = count - rank - 1
    free = np.clip(1 - np.diag(hat), 0.0, 1.0)
    residual = values - hat @ values
    scale = float(residual @ residual)
    if df < 3 or scale <= 1e-18 * float(values @ values):
        return []
    found = []
    for name, r, f in zip(names, residual, free, strict=True):
        if f < 1e-6:
            continue
        rest = max((scale - r**2 / f) / df, 0.0)
        t = abs(r) / math.sqrt(rest * f) if rest > 0 else math.inf
        p = min(1.0, count * 2 * float(stats.t.sf(t, df)))
        if p < 0.05:
            found.append(OddRun(name, float(r), p))
    return found


def outlier_findings(fit: Fit, runs: pd.DataFrame, voice: Voice) -> list[Finding]:
    """Name runs and mountings that stand out; nothing is removed."""
    blocks = [pd.get_dummies(runs["antenna"]), pd.get_dummies(runs["session"])]
    if "port" in runs:
        blocks.append(pd.get_dummies(runs["port"]))
    design = np.hstack([b.to_numpy(float) for b in blocks])
    odd = odd_values(runs["value"].to_numpy(float), design, [f"run {r}" for r in runs["run"]])
    where = fit.layout.mountings
    if fit.layout.df_within > 0:  # else a mounting is its only clip
        labels = [f"mounting {m} of {a}" for a, m in zip(where.antenna, where.mounting)]  # noqa: B905
        outside = np.hstack(
            [pd.get_dummies(where[c]).to_numpy(float) for c in ("antenna", "session")]
        )
        odd += odd_values(fit.mounting_means, outside, labels)
    if not odd:
        return []
    parts = [
        f"{o.name} ({voice.amount(o.residual, sign=True)} from what fits, {p_text(o.p)})"
        for o in odd
    ]
    return [
        Finding(
            "outlier_runs",
            f"Stands out: {listed(parts)}. It is still in every number here; look at the clip, and "
            "repeat the run if something went wrong in it.",
            "Studentised residuals of antenna + port (+ session), Bonferroni-adjusted.",
            tuple(voice.quantity(o.name, o.residual) for o in odd),
        )
    ]


def unlike_spread_findings(fit: Fit, voice: Voice) -> list[Finding]:
    """Warn where the mountings of one antenna scatter more than those of the others.

    F of each antenna's own variance between mountings against that of the others, Bonferroni.
    """
    from scipy import stats

    cells = fit.layout.mountings.assign(mean=fit.mounting_means)
    left = cells["mean"] - cells.groupby(["session", "antenna"])["mean"].transform("mean")
    squares = (left**2).groupby(cells["antenna"]).sum()
    grouped = cells.groupby("antenna")
    df = grouped.size() - grouped["session"].nunique()
    found = []
    for name in fit.layout.antennas:
        own, rest = int(df[name]), int(df.sum() - df[name])
        others = float(squares.sum() - squares[name])
        if own == 0 or rest == 0 or others <= 0:
            continue
        ratio = float(squares[name]) / own / (others / rest)
        if len(df) * float(stats.f.sf(ratio, own, rest)) < 0.05:
            found.append((name, math.sqrt(float(squares[name]) / own), math.sqrt(others / rest)))
    return [
        Finding(
            "unlike_spread",
            f"Mountings of {name} scatter more than those of the others ({voice.amount(own_sd)} "
            f"against {voice.amount(rest_sd)}). All intervals here take one spread for all: read "
            f"those with {name} as wider, and mount it more often.",
            "F-test of its variance between mountings against the others', Bonferroni-adjusted.",
            (voice.quantity(f"spread of {name}", own_sd), voice.quantity("of the others", rest_sd)),
        )
        for name, own_sd, rest_sd in found
    ]


def outage_finding(
    fit: Fit, runs: pd.DataFrame, order: Ordering, better: Direction | None
) -> list[Finding]:
    """Say when counting outages as zero changes who stands where."""
    if "with_outages" not in runs or runs["with_outages"].isna().any():
        return []
    names = list(order.names)
    means = estimate(fit.layout, runs["with_outages"].to_numpy(float)).means
    level = dict(zip(fit.layout.antennas, means, strict=True))
    sorted_names = sorted(names, key=lambda n: level[n], reverse=better == "higher")
    moved = [
        (a, b)
        for i, a in enumerate(names)
        for b in names[i + 1 :]
        if sorted_names.index(a) > sorted_names.index(b)
    ]
    if not moved:
        return []
    swaps = listed([f"{b} comes before {a}" for a, b in moved])
    tied = all(any(a in g and b in g for g in order.together) for a, b in moved)
    hedge = " Those can't be told apart anyway (below)." if tied else ""
    return [
        Finding(
            "outages_change_order",
            f"The order depends on how outages count: with an outage as zero, {swaps}.{hedge} "
            "An antenna that is fast while the link stands and often drops it is another thing "
            "than one that holds; decide which matters before reading on.",
            "Adjusted means of mean against those of mean_with_outages.",
            tuple(Quantity(f"{n}, outages as zero", float(level[n])) for n in names),
        )
    ]


def thin_clip_findings(runs: pd.DataFrame) -> list[Finding]:
    """Name runs whose value rests on a part of the clip only."""
    reasons = []
    if "coverage" in runs:
        thin = runs[runs["coverage"] < FEWEST_COVERED]
        reasons += [f"{r['run']} ({100 * r['coverage']:.0f} % read)" for r in records(thin)]
    if "incomplete" in runs:
        cut = runs.loc[runs["incomplete"] == "yes", "run"]
        reasons += [f"{run} (file ends early)" for run in cut]
    if not reasons:
        return []
    return [
        Finding(
            "thin_clips",
            f"Rests on a part of the clip only: {listed(reasons)}. What was not read may have been "
            "the worst part; the value counts like any other here.",
            "Columns coverage and incomplete of the summary.",
            part="appendix",
        )
    ]


def companion_findings(runs: pd.DataFrame) -> list[Finding]:
    """Say when what hung on the other ports was not the same for every antenna."""
    given = runs.dropna(subset=["others"])
    sets: dict[str, frozenset[str]] = {}
    for row in records(given):
        others = {other for _, other in hung(row["others"])}
        sets[row["antenna"]] = sets.get(row["antenna"], frozenset()) | others
    if len(set(sets.values())) < 2:
        return []
    parts = [f"{a} with {listed(sorted(s))}" for a, s in sorted(sets.items())]
    return [
        Finding(
            "companions",
            f"The companions differ: {'; '.join(parts)}. Each result belongs to the antenna "
            "together with what hung on the other ports; keep one companion throughout to "
            "compare the antennas alone.",
            "Column others of runs.csv.",
            part="appendix",
        )
    ]


@dataclass(frozen=True)
class RankTest:
    """Friedman's test over blocks that hold every antenna."""

    blocks: int
    antennas: int
    statistic: float
    p: float
    smallest_p: float
    exact: bool


def rank_test(values: pd.DataFrame) -> RankTest:
    """Return Friedman's test of a complete table, blocks as rows, antennas as columns.

    Exact p by enumeration where there are no ties and at most `MOST_RANK_PATTERNS` patterns
    (Hollander and Wolfe, table of Friedman's statistic); else chi-squared with the correction
    for ties (``scipy.stats.friedmanchisquare``). `smallest_p` is what the test would give if
    every block ranked alike.
    """
    from scipy import stats

    blocks, antennas = values.shape
    if (values.nunique(axis=1) == 1).all():  # all ties: nothing is ranked
        return RankTest(blocks, antennas, 0.0, 1.0, 1.0, False)
    result = stats.friedmanchisquare(*(values[c] for c in values))
    statistic = float(result.statistic)
    ties = any(row.nunique() < antennas for _, row in values.iterrows())
    smallest = float(math.factorial(antennas)) ** (1 - blocks)
    patterns = math.factorial(antennas) ** (blocks - 1)
    if ties or patterns > MOST_RANK_PATTERNS:
        return RankTest(blocks, antennas, statistic, float(result.pvalue), smallest, False)
    p = _exact_friedman(blocks, antennas, statistic)
    return RankTest(blocks, antennas, statistic, p, smallest, True)


def _exact_friedman(blocks: int, antennas: int, statistic: float) -> float:
    orders = np.array(list(permutations(range(1, antennas + 1))), dtype=float)
    sums = orders[:1]  # by symmetry the first block may stand still
    for _ in range(blocks - 1):
        sums = (sums[:, None, :] + orders[None, :, :]).reshape(-1, antennas)
    squares = ((sums - blocks * (antennas + 1) / 2) ** 2).sum(axis=1)
    null = 12 * squares / (blocks * antennas * (antennas + 1))
    return float((null >= statistic - 1e-9).mean())


def rank_findings(runs: pd.DataFrame, any_apart: bool, voice: Voice) -> list[Finding]:
    """Cross-check the ranking by ranks where some block holds every antenna."""
    table, block = _complete_blocks(runs)
    if table is None:
        return []
    test = rank_test(table)
    alpha = 1 - voice.confidence
    said = f"{block}s as blocks: {test.blocks} of them, {test.antennas} antennas"
    how = (
        f"Friedman's test by ranks, {said}; chi-squared {test.statistic:.2f}, {p_text(test.p)}"
        f"{' exact' if test.exact else ''}, smallest possible p {test.smallest_p:.2g}."
    )
    if block == "port":
        how += " The ports share mountings, so that this check sees differences too easily."
    numbers = (
        Quantity("p of Friedman's test", test.p),
        Quantity("smallest possible p", test.smallest_p),
    )
    if test.smallest_p > alpha:
        sentence = "The check by ranks can't say anything: there are too few blocks for it."
    elif any_apart == (test.p < alpha):
        sentence = "The check by ranks agrees with the verdict above."
    elif any_apart:
        sentence = (
            "The check by ranks does not see the difference that the verdict above claims; it is "
            "less sensitive, but look at the single mountings before relying on the claim."
        )
    else:
        sentence = (
            f"The check by ranks sees a difference that the verdict above does not: the {block}s "
            "rank the antennas alike. It takes these mountings as they are, the verdict asks "
            "whether others would do the same."
        )
    return [Finding("rank_check", sentence, how, numbers, "appendix")]


def _complete_blocks(runs: pd.DataFrame) -> tuple[pd.DataFrame | None, str]:
    for block in ("session", "position", "port"):
        if block not in runs or runs["antenna"].nunique() < 3:
            continue
        table = runs.dropna(subset=[block]).pivot_table(
            index=block, columns="antenna", values="value", aggfunc="mean"
        )
        table = table.dropna()
        if len(table) >= 2 and table.shape[1] == runs["antenna"].nunique():
            return table, {"position": "spot"}.get(block, block)
    return None, ""
