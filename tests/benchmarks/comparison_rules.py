"""The rules of the comparison, each alone: order in the model, moderated spreads, the best, alarms.

Simulates whole sessions with known truth and sends them through the package's own `lay_out`,
`estimate` and `outer_error`, and for the alarms through the checks. Spread between mountings is 1,
all else in that unit; clips have no noise of their own, but for the alarms. Run by hand:

    python tests/benchmarks/comparison_rules.py [SESSIONS [SEED]]

Prints Markdown tables. The rules were chosen on seeds 1 to 120; the default seed is none of them.
"false claim": share of sessions with at least one "A is ahead of B" that is not so.
"""

from __future__ import annotations

import multiprocessing
import sys
from dataclasses import replace
from functools import cache, partial
from itertools import combinations

import numpy as np
import pandas as pd

from extractor.comparison.checks import outlier_findings, unlike_spread_findings
from extractor.comparison.drift import drift_findings
from extractor.comparison.findings import Voice
from extractor.comparison.loading import prepare
from extractor.comparison.model import Fit, estimate, lay_out, mounting_error, outer_error
from extractor.comparison.ports import port_findings, port_table
from extractor.comparison.run_order import mounting_order, plan_runs
from extractor.statistics.power import many_one_critical, studentised_critical

_GRID = np.array([1, 1.25, 1.5, 1.75, 2, 2.5, 3, 3.5, 4, 5, 6, 7, 8, 10, 12, 16, 24, 60, 1000.0])
ALARMS = {"order_confounded", "warm_up", "unlike_spread", "outlier_runs"}


def main() -> None:
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 4000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1001
    order_rule(sessions, seed)
    spreads(sessions, seed + 100)
    best(sessions, seed + 200)
    alarms(sessions, seed + 300)


def turns(antennas: int, mountings: int, order: str = "plan", counts=None) -> pd.DataFrame:  # type: ignore[no-untyped-def]
    """Return one clip of each mounting, in the order of a plan, of turns, or antenna by antenna."""
    names = [f"a{i}" for i in range(antennas)]
    counts = dict(zip(names, counts or [mountings] * antennas, strict=True))
    if order == "plan" and len(set(counts.values())) == 1:
        row = [slot.antenna for slot in mounting_order(names, counts[names[0]], seed=0)]
    elif order == "antenna by antenna":
        row = [name for name in names for _ in range(counts[name])]
    else:
        row = [n for i in range(max(counts.values())) for n in names if counts[n] > i]
    frame = pd.DataFrame({"session": "s", "antenna": row, "order": range(len(row))})
    return frame.assign(mounting=frame.groupby("antenna").cumcount().astype(str))


def drawn(table: pd.DataFrame, sessions: int, seed: int, drift=0.0, spread=(), level=()):  # type: ignore[no-untyped-def]
    """Return n x S values; `drift` from first to last; spreads and levels by antenna."""
    rng = np.random.default_rng(seed)
    own = table["antenna"].str[1:].astype(int).to_numpy()
    sd, mean = np.ones(own.max() + 1), np.zeros(own.max() + 1)
    sd[: len(spread)], mean[: len(level)] = spread, level
    place = (table["order"] - table["order"].mean()) / np.ptp(table["order"])
    moved = mean[own] + drift * place.to_numpy()
    return moved[:, None] + sd[own][:, None] * rng.standard_normal((len(table), sessions))


def pooled(fit: Fit) -> Fit:
    """Return the fit with one spread for all."""
    shape = fit.variances.shape
    return replace(
        fit,
        variances=np.broadcast_to(fit.ms_between, shape),
        df_variances=np.full(shape, 1e12),
        own_noise=np.full(shape, fit.layout.mean_noise),
    )


@cache
def _known(count: int, sides: int) -> np.ndarray:
    if sides == 0:
        return np.array([studentised_critical(count, float(df)) for df in _GRID])
    return np.array([many_one_critical(count - 1, float(df), 0.5) for df in _GRID])


def critical(count: int, df: np.ndarray, sides: int = 0) -> np.ndarray:
    """Return critical values, all pairs (0) or with the best (1); log on a line in 1/df."""
    return np.exp(np.interp(1 / df, 1 / _GRID[::-1], np.log(_known(count, sides))[::-1]))


def claims(fit: Fit, able=None) -> tuple[np.ndarray, float]:  # type: ignore[no-untyped-def]
    """Return in which sessions a pair of equals is told apart, and the mean half-width."""
    count = len(fit.layout.antennas)
    wrong, width = np.zeros(fit.means.shape[1], dtype=bool), []
    for a, b in combinations(able or range(count), 2):
        contrast = np.eye(count)[a] - np.eye(count)[b]
        error = outer_error(fit, contrast)
        half = critical(count, error.df) * error.se
        wrong |= np.abs(contrast @ fit.means) > half
        width.append(half.mean())
    return wrong, float(np.mean(width))


def order_rule(sessions: int, seed: int) -> None:
    print(
        "| design, order | drift | order always in | in where p < 0.1 | never in | width, always |"
    )
    print("|---|---|---|---|---|---|")
    for mountings in (3, 2):
        table = turns(4, mountings)
        without = lay_out(table.drop(columns="order"))
        base = claims(pooled(estimate(without, drawn(table, sessions, seed))))[1]
        for order in ("plan", "turns", "antenna by antenna"):
            for drift in (0, 2, 5):
                table = turns(4, mountings, order)
                layout, values = lay_out(table), drawn(table, sessions, seed, drift)
                plain = pooled(estimate(without_order(table), values))
                never = claims(plain)[0]
                name = f"4 x {mountings}, {order} | {drift}"
                if layout.order != "in the model":
                    print(f"| {name} | no verdict | no verdict | {never.mean():.1%} | |")
                    continue
                fit = pooled(estimate(layout, values))
                always, width = claims(fit)
                error = mounting_error(fit, layout.slopes[0])
                seen = np.abs(layout.slopes[0] @ fit.mounting_means) > _t(0.1, layout) * error.se
                tried = np.where(seen, always, never)
                print(
                    f"| {name} | {always.mean():.1%} | {tried.mean():.1%} | {never.mean():.1%} | "
                    f"{width / base:.2f} |"
                )
    print()


def without_order(table: pd.DataFrame):  # type: ignore[no-untyped-def]
    return lay_out(table.drop(columns="order"))


def _t(level: float, layout) -> float:  # type: ignore[no-untyped-def]
    from scipy import stats

    return float(stats.t.isf(level / 2, layout.df_between))


def spreads(sessions: int, seed: int) -> None:
    print(
        "| antennas x mountings | equal: false claim, width | one spread 6 | pooled, one spread 6 |"
        " one spread 6: its own interval covers |"
    )
    print("|---|---|---|---|---|")
    for counts in (
        *((3, 3, 3), (3,) * 4, (4,) * 4, (3,) * 5, (3,) * 8),
        *((2, 2), (2,) * 3, (2,) * 4, (2,) * 5, (2,) * 8),
        *((2, 2, 3, 3), (2, 4, 4, 4), (4, 2, 2, 2), (3, 3, 3, 6), (3, 4, 5, 6)),
        *((4, 3, 2, 1), (1, 3, 3, 3)),
    ):
        table = turns(len(counts), 0, counts=counts)
        layout = lay_out(table)
        able = [i for i, c in enumerate(counts) if c > 1]
        equal = estimate(layout, drawn(table, sessions, seed))
        wild = estimate(layout, drawn(table, sessions, seed, spread=[6.0]))
        wrong, width = claims(equal, able)
        print(
            f"| {len(counts)} x {'/'.join(map(str, dict.fromkeys(counts)))} {counts} | "
            f"{wrong.mean():.1%}, {width / claims(pooled(equal), able)[1]:.2f} | "
            f"{claims(wild, able)[0].mean():.1%} | {claims(pooled(wild), able)[0].mean():.1%} | "
            f"{own_covered(wild) if counts[0] > 1 else ''} |",
            flush=True,
        )
    print()


def own_covered(fit: Fit) -> str:
    """Return how often the first antenna's own 95 % interval holds its level, 0."""
    error = outer_error(fit, np.eye(len(fit.means))[0])
    half = critical(2, error.df) * error.se  # of two means: Student's t
    return f"{(np.abs(fit.means[0]) <= half).mean():.1%}"


def named(fit: Fit) -> np.ndarray:
    """Return which antenna is named the best in each session; -1 where none is."""
    count = len(fit.layout.antennas)
    left = np.ones((count, fit.means.shape[1]), dtype=bool)
    for i in range(count):
        for j in (j for j in range(count) if j != i):
            contrast = np.eye(count)[i] - np.eye(count)[j]
            error = outer_error(fit, contrast)
            left[i] &= contrast @ fit.means + critical(count, error.df, 1) * error.se > 0
    return np.where(left.sum(axis=0) == 1, left.argmax(axis=0), -1)


def best(sessions: int, seed: int) -> None:
    print("| 4 x 3, levels | spreads | best named | wrongly | ahead of all by Tukey-Kramer |")
    print("|---|---|---|---|---|")
    table = turns(4, 3)
    for drop in (["order"], []):
        layout = lay_out(table.drop(columns=drop))
        for level in ((3.0,), (0.0,), (3.0, 3.0)):
            values = drawn(table, sessions, seed, level=level)
            for kind, fit in (
                ("pooled", pooled(estimate(layout, values))),
                ("moderated", estimate(layout, values)),
            ):
                found, ties = named(fit), len(level) > 1 or level[0] == 0
                ahead = np.ones(sessions, dtype=bool)
                for j in range(1, 4):
                    contrast = np.eye(4)[0] - np.eye(4)[j]
                    error = outer_error(fit, contrast)
                    ahead &= contrast @ fit.means > critical(4, error.df) * error.se
                wrong = (found >= 0) if ties else (found > 0)
                print(
                    f"| {level} above the others, {layout.df_between} df | {kind} | "
                    f"{(found == 0).mean():.1%} | {wrong.mean():.1%} | {ahead.mean():.1%} |"
                )
    print()


def alarms(sessions: int, seed: int) -> None:
    """Count sessions in which nothing is going on and some finding says that something is."""
    print("| design | any alarm | drift | port | antenna x port | odd | unlike | warm-up |")
    print("|---|---|---|---|---|---|---|---|")
    kinds = ("drift", "port", "interaction", "outlier_runs", "unlike_spread", "warm_up")
    for mountings in (2, 3):
        with multiprocessing.Pool() as pool:
            work = partial(alarms_of, mountings)
            found = pool.map(work, range(seed, seed + sessions), chunksize=20)
        each = (np.mean([kind in seen for seen in found]) for kind in kinds)
        shares = " | ".join(f"{share:.1%}" for share in (np.mean([bool(f) for f in found]), *each))
        print(f"| 4 x {mountings} x 2 ports, {sessions} sessions | {shares} |", flush=True)


def alarms_of(mountings: int, seed: int) -> set[str]:
    rng = np.random.default_rng(seed)
    runs = plan_runs(["a", "b", "c", "d"], ["p", "q"], mountings=mountings, seed=seed)
    put_up = rng.standard_normal((4, mountings + 1))
    rows = [
        {
            "antenna": r.antenna,
            "port": r.port,
            "mounting": str(r.mounting),
            "order": r.order,
            "value": 30 + put_up["abcd".index(r.antenna), r.mounting] + rng.standard_normal(),
            "trend_per_min": rng.standard_normal(),
        }
        for r in runs
    ]
    prepared, _ = prepare(pd.DataFrame(rows))
    fit, voice = estimate(lay_out(prepared), prepared["value"].to_numpy(float)), Voice()
    found = [
        *drift_findings(fit, prepared, voice),
        *port_findings(port_table(fit, prepared), prepared, voice),
        *outlier_findings(fit, prepared, voice),
        *unlike_spread_findings(fit, voice),
    ]
    seen = {f.kind for f in found if f.kind in ALARMS and f.part == "verdict"}
    for f in found:
        if f.sentence.startswith("The link drifted"):
            seen.add("drift")
        if f.sentence.startswith("The port matters"):
            seen.add("port")
        if f.sentence.startswith("The port does not act"):
            seen.add("interaction")
    return seen


if __name__ == "__main__":
    main()
