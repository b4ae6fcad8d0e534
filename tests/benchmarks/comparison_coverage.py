"""Do the intervals between antennas cover, and how often is a difference claimed that is none?

Simulates whole sessions with known truth, 2,000 for each row, and sends them through the
package's own `lay_out`, `estimate` and `outer_error`. Beside them the two naive ways: every
sample a replicate, every clip a replicate. Run by hand, about an hour on one core; the whole of
`compare_table` takes all cores.

Prints Markdown tables. In the first, clip spread is 1 and everything else in that unit; "any false
claim": with all antennas equal, the share of sessions with at least one "A beats B". The others
hold a measured number against its goal, spread between mountings 1: ceiling, looks, spreads carried
over, linked rounds, how well probabilities are calibrated, and the whole of `compare_table` with
order, moderation, looks, ceiling and ports together. `comparison_rules.py` does the same for order,
moderation, the best and the alarms, each alone. The rules were chosen on seeds below 100.

    python tests/benchmarks/comparison_coverage.py [SESSIONS [PART]]    (PART: one function's name)
"""

from __future__ import annotations

import multiprocessing
import sys
from dataclasses import dataclass
from functools import cache, partial
from itertools import combinations, product

import numpy as np
import pandas as pd
from scipy.signal import lfilter
from scipy.stats import norm, t

from extractor.comparison.carried import Carried
from extractor.comparison.compare import compare_table
from extractor.comparison.linking import with_shifts
from extractor.comparison.loading import RunTable, prepare
from extractor.comparison.looks import Looks
from extractor.comparison.model import Fit, Layout, estimate, lay_out, outer_error
from extractor.comparison.run_order import plan_runs
from extractor.comparison.simulated_repeats import posterior
from extractor.statistics.ceiling import uncut_measure
from extractor.statistics.power import look_level, studentised_critical

SESSIONS = 2000
SAMPLES = 600
AUTOCORRELATION = 0.95
#: Missing cells differ from session to session; so many patterns share the sessions.
PATTERNS = 40
_GRID = np.concatenate([np.arange(1, 13, 0.5), np.arange(13, 60, 3.0), [100.0, 1000.0]])


@dataclass(frozen=True)
class Row:
    name: str
    antennas: int = 4
    mountings: int = 2
    ports: int = 2
    spread: float = 1.0
    interaction: float = 0.0
    missing: int = 0
    autocorrelated: bool = False
    uneven: bool = False
    heavy: bool = False
    unlike: bool = False


ROWS = (
    *(Row(f"4 antennas x 2 mountings x 2 ports, spread {s}", spread=s) for s in (0, 1, 2, 3)),
    *(Row(f"5 antennas x 3 mountings x 2 ports, spread {s}", 5, 3, spread=s) for s in (0, 1, 2, 3)),
    Row("port effect 1.5, other for each antenna (sd 1)", interaction=1.0),
    Row("autocorrelated samples (0.95), clip spread from them", autocorrelated=True),
    *(Row(f"3 of 16 clips missing, spread {s}", missing=3, spread=s) for s in (0, 1, 2, 3)),
    Row("3 of 16 missing and port effects unequal (sd 1)", missing=3, interaction=1.0),
    *(
        Row(f"1 to 4 mountings an antenna, spread {s}", 4, 4, spread=s, uneven=True)
        for s in (0, 1, 3)
    ),
    Row("3 ports, 5 of 36 clips missing, spread 1", 4, 3, 3, missing=5),
    Row("heavy-tailed mountings (t, 3 df), spread 1", 4, 3, heavy=True),
    Row("one antenna's spread 3, the others' 0.5, 2 mountings", unlike=True),
    Row("one antenna's spread 3, the others' 0.5, 4 mountings", 4, 4, unlike=True),
)


def main() -> None:
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else SESSIONS
    parts = (designs, ceiling, looks, carried, linked, calibration, whole)
    for part in parts:
        if sys.argv[2:] in ([], [part.__name__]):
            part(sessions)
            print(flush=True)


def designs(sessions: int) -> None:
    print(
        "| design (clip spread 1) | 95 % interval of one pair covers | any false claim | "
        "clips as replicates: any false claim | samples as replicates: any false claim |"
    )
    print("|---|---|---|---|---|")
    for number, row in enumerate(ROWS):
        cells = " | ".join(f"{100 * share:.1f} %" for share in one_row(row, sessions, number))
        print(f"| {row.name} | {cells} |", flush=True)


def against_goals(name: str, rows) -> None:  # type: ignore[no-untyped-def]
    print(f"| {name} | measured | goal |\n|---|---|---|")
    for what, measured, goal in rows:
        print(f"| {what} | {measured} | {goal} |", flush=True)


def percent(share) -> str:  # type: ignore[no-untyped-def]
    return f"{100 * float(share):.1f} %"


def mountings(counts: dict[str, int], session: str = "s") -> pd.DataFrame:
    """Return one run a mounting, order not known."""
    return pd.DataFrame(
        {"session": session, "antenna": name, "mounting": str(m)}
        for name, count in counts.items()
        for m in range(count)
    )


def ceiling(sessions: int) -> None:
    """Bias and coverage of the best's lead of 3 at 4 x 3, sd of samples 2.5, lag-1 0.9."""
    rng, layout = np.random.default_rng(301), lay_out(mountings(dict.fromkeys("abcd", 3)))
    lead, rows = np.array([1.0, -1.0, 0.0, 0.0]), []
    goals = {
        "mean": ("-0.4 to -0.7", "40 to 87 %"), "median": ("-0.05 to -0.2", ""),
        "p25": ("under 0.05", "95 to 96 %"), "by the rule": ("", "94 to 96 %"),
    }  # fmt: skip
    for share in (0.35, 0.6):
        cut = 3 + norm.isf(share) * np.hypot(2.5, 1)
        found: dict[str, list[np.ndarray]] = {name: [] for name in goals}
        for _ in range(max(1, sessions // 200)):
            level = np.repeat([3.0, 0, 0, 0], 3)[:, None] + rng.standard_normal((12, 200))
            noise = rng.standard_normal((300, 12, 200)) * 2.5 * np.sqrt(1 - 0.81)
            noise[0] /= np.sqrt(1 - 0.81)
            samples = np.minimum(level + lfilter([1.0], [1.0, -0.9], noise, axis=0), cut)
            values = {
                "mean": samples.mean(axis=0),
                **dict(zip(("p25", "median"), np.quantile(samples, (0.25, 0.5), axis=0))),  # noqa: B905
            }
            shares = (samples >= cut - 0.2).mean(axis=0)
            chosen = [uncut_measure(column) for column in shares.T]
            values["by the rule"] = np.column_stack(
                [values[name][:, s] for s, name in enumerate(chosen)]
            )
            for name, of in values.items():
                fit = estimate(layout, of)
                error = outer_error(fit, lead)
                miss = lead @ fit.means - 3
                found[name].append([miss, np.abs(miss) <= critical(2, error.df) * error.se])
        for name, parts in found.items():
            miss, inside = np.concatenate(parts, axis=1)
            where = f"{name}, {100 * share:.0f} % of the best at the ceiling"
            bias, cover = goals[name] if (share == 0.35) else ("", goals[name][1])
            rows.append((f"{where}: bias of a lead of 3", f"{miss.mean():+.2f}", bias))
            rows.append(
                (
                    f"{where}: its 95 % interval covers",
                    percent(inside.mean()),
                    cover * (share == 0.6),
                )
            )
    against_goals("ceiling", rows)


def looks(sessions: int) -> None:
    """False claims and power with one level at all looks; Tukey's limits, pooled spread."""
    rows = []
    for at, goal in (((2, 3, 4), 0.0206), ((2, 3, 4, 5, 6), 0.0144), ((2, 4, 6, 8), 0.0159)):
        level, careless = look_level(4, at)
        said = f"looks at {', '.join(map(str, at))} mountings"
        rows.append((f"{said}: level", f"{level:.4f}", f"{goal}"))
        false, _ = _claimed(at, level, 0.0, 10 * sessions, 401)
        rows.append((f"{said}: any false claim", percent(false.mean()), "5.0 to 5.1 %"))
        if at[-1] == 6:
            rows.append((f"{said}, each at 5 %: any false claim", percent(careless), "14.9 %"))
    found, when = _claimed((2, 4, 6, 8), look_level(4, (2, 4, 6, 8))[0], 3.0, sessions, 402)
    rows.append(("the same, gap of 3: the best is told from all", percent(found.mean()), "99 %"))
    rows.append(("the same: mountings of each on average", f"{when.mean():.1f}", "5.0"))
    against_goals("looks, 4 antennas", rows)


def _claimed(at, level, gap, sessions, seed):  # type: ignore[no-untyped-def]
    """Tell for each session whether a claim was made at a look, and at how many mountings."""
    y = np.random.default_rng(seed).standard_normal((at[-1], 4, sessions))
    y[:, 0] += gap
    claimed, when = np.zeros(sessions, dtype=bool), np.full(sessions, at[-1])
    for n in at:
        means = y[:n].mean(axis=0)
        limit = studentised_critical(4, 4 * (n - 1), 1 - level)
        half = limit * np.sqrt(2 / n * y[:n].var(axis=0, ddof=1).mean(axis=0))
        ahead = means[0] - means[1:].max(axis=0) if gap else np.ptp(means, axis=0)
        when[~claimed & (ahead > half)] = n
        claimed |= ahead > half
    return claimed, when


def carried(sessions: int) -> None:
    """Four antennas mounted once; a session of 4 x 3 (8 degrees of freedom) lends its spread."""
    old, new = (
        lay_out(mountings(dict.fromkeys("abcd", 3))),
        lay_out(mountings(dict.fromkeys("abcd", 1))),
    )
    rows = []
    for tau, goal in ((0.0, "0.8 %"), (0.3, "2.2 %"), (0.5, "5.3 %")):
        rng = np.random.default_rng(501)
        before = estimate(old, rng.standard_normal((12, sessions)))
        lent = Carried(("before",), "", before)
        scale = np.exp(tau * rng.standard_normal(sessions))
        fit = estimate(
            new, rng.standard_normal((4, sessions)) * scale, (before.ms_between, lent.df)
        )
        rows.append((f"true tau {tau}: any false claim", percent(claims(fit)), goal))
        error = outer_error(fit, contrasts(4)[0])
        half = critical(4, error.df) * error.se
        rows.append((f"true tau {tau}: half-width of a pair", f"{half.mean():.1f}", "about 6"))
    against_goals("spread carried over, one mounting each", rows)


def linked(sessions: int) -> None:
    """Two rounds of four antennas, three mountings each: a pair across them."""
    rows = []
    for shared, shift, goal in (
        (1, 0.0, "95 %"), (1, 0.5, "91 %"), (3, 0.0, "95 % or more"), (3, 0.5, "95 %"),
        (3, 1.0, "95 %"),
    ):  # fmt: skip
        second = [*"abcd"[:shared], "e", "f"]
        table = pd.concat(
            [mountings(dict.fromkeys("abcd", 3), "1"), mountings(dict.fromkeys(second, 3), "2")],
            ignore_index=True,
        )
        layout, rng = lay_out(table), np.random.default_rng(601)
        cell = pd.factorize(table["session"] + table["antenna"])[0]
        pair = (np.array(layout.antennas) == "d") * 1.0 - (np.array(layout.antennas) == "e")
        inside = []
        for _ in range(sessions):
            moved = rng.standard_normal(cell.max() + 1) * shift / np.sqrt(2)
            fit = with_shifts(estimate(layout, moved[cell] + rng.standard_normal(len(cell))))
            error = outer_error(fit, pair)
            inside.append(abs(pair @ fit.means) <= t.ppf(0.975, float(error.df)) * error.se)
        what = f"{shared} shared, shifts {shift}: a pair's 95 % interval covers"
        rows.append((what, percent(np.mean(inside)), goal))
    against_goals("linked rounds", rows)


#: Families of true levels, sd 1 (one of them far off): none is the prior's.
FAMILIES = {
    "uniform": lambda rng, k: rng.uniform(-1.73, 1.73, k),
    "exponential": lambda rng, k: rng.exponential(1, k),
    "minus exponential": lambda rng, k: -rng.exponential(1, k),
    "two clusters": lambda rng, k: rng.choice([-1.0, 1.0], k) + 1e-6 * rng.standard_normal(k),
    "t, 3 df": lambda rng, k: rng.standard_t(3, k) / 1.73,
}


def calibration(sessions: int) -> None:
    """Are the probabilities right, levels drawn from `FAMILIES` at 0.3 to 10 mounting spreads?"""
    for each, first in product((3, 2), (1.0, 6.0)):
        print(f"{each} mountings each, spread of the first antenna {first:g}, of the others 1:\n")
        calibrated(sessions, each, np.array([first, 1.0, 1.0, 1.0]))


def calibrated(sessions: int, each: int, spread: np.ndarray) -> None:
    rng, layout = np.random.default_rng(701), lay_out(mountings(dict.fromkeys("abcd", each)))
    said, right, stays, again = [], [], [], []
    cases = [(f, s) for f in FAMILIES.values() for s in (0.3, 1, 3, 10)]
    for number in range(sessions):
        family, scale = cases[number % len(cases)]
        level = scale * family(rng, 4)
        noise = np.repeat(spread, each) * rng.standard_normal(4 * each)
        fit = estimate(layout, np.repeat(level, each) + noise)
        levels, means = posterior(fit, 1000, seed=number)  # type: ignore[misc]
        said.append(np.bincount(levels.argmax(axis=1), minlength=4) / 1000)
        right.append(np.arange(4) == level.argmax())
        first = int(fit.means.argmax())
        stays.append(np.mean(means.argmax(axis=1) == first))
        repeats = level + spread * rng.standard_normal((400, 4)) / np.sqrt(each)
        again.append(np.mean(repeats.argmax(axis=1) == first))
    for name, stated, true in (
        ("probability of being best", np.concatenate(said), np.concatenate(right)),
        ("stays first", np.array(stays), np.array(again)),
    ):
        print(f"| {name}, as stated | of so many | stated on average | true |\n|---|---|---|---|")
        for low, high in ((0, 0.2), (0.2, 0.4), (0.4, 0.6), (0.6, 0.8), (0.8, 0.95), (0.95, 1.01)):
            chosen = (stated >= low) & (stated < high)
            if chosen.any():
                pair = f"{stated[chosen].mean():.2f} | {true[chosen].mean():.2f}"
                print(f"| {low} to {min(high, 1)} | {chosen.sum()} | {pair} |", flush=True)
        print()


@dataclass(frozen=True)
class Whole:
    name: str
    gap: float = 0.0
    spreads: tuple[float, ...] = (1.0, 1.0, 1.0, 1.0)
    at_ceiling: float = 0.0
    goal: str = "at most 5 %"


WHOLES = (
    Whole("all equal"),
    Whole("equal, one with 3 times the spread", spreads=(3.0, 1.0, 1.0, 1.0), goal="4.1 to 7.0 %"),
    Whole("equal, one with 6 times the spread", spreads=(6.0, 1.0, 1.0, 1.0), goal="4.1 to 7.0 %"),
    Whole("best ahead by 4", 4.0),
    Whole("best ahead by 4, 35 % of it at the ceiling", 4.0, at_ceiling=0.35),
)


def whole(sessions: int) -> None:
    """All rules at once: looks at 2, 3 and 4, drift of 2, a port effect of 0.8, clips of 200."""
    rows = []
    for number, case in enumerate(WHOLES):
        outcomes = in_parallel(
            partial(one_whole, case), [(811 + number, s) for s in range(sessions)]
        )
        false, missed, named, covered_, stopped = np.array(outcomes, dtype=float).T
        rows += [
            (f"{case.name}: false 'ahead' or 'best' at a look", percent(false.mean()), case.goal),
            (f"{case.name}: a pair's interval misses at a look", percent(missed.mean()), case.goal),
            (
                f"{case.name}: port's interval at the last look covers",
                percent(covered_.mean()),
                "95 %",
            ),
        ]
        if case.gap:
            rows.append((f"{case.name}: the best is named", percent(named.mean()), ""))
            rows.append((f"{case.name}: mountings of each on average", f"{stopped.mean():.1f}", ""))
    against_goals("the whole of compare_table, 4 antennas, 2 ports", rows)


def in_parallel(work, seeds):  # type: ignore[no-untyped-def]
    """Return what each seed gives, worked out on all cores."""
    with multiprocessing.Pool() as pool:
        return pool.map(work, seeds, chunksize=20)


def one_whole(case: Whole, seed: tuple[int, int]) -> tuple[bool, bool, bool, bool, int]:
    """Return false claim, interval missed, best named, port covered, mountings when it stopped."""
    rng = np.random.default_rng(seed)
    names, at = ("a0", "a1", "a2", "a3"), (2, 3, 4)
    # Balanced plans are looked for among many and differ little: twenty of them serve.
    plan = _plan(names, at, seed[1] % 20)
    spot = {(n, m): rng.normal(0, case.spreads[int(n[1])]) for n in names for m in range(1, 5)}
    cut = case.gap + norm.isf(case.at_ceiling) * 2.7 if case.at_ceiling else np.inf
    rows = []
    for run in plan:
        level = case.gap * (run.antenna == "a0") + spot[run.antenna, run.mounting]
        level += 0.8 * (run.port == "Q") + 2.0 * run.order / len(plan)
        samples = level + rng.normal(0, 0.3) + 2.5 * rng.standard_normal(200)
        samples = 30 + np.minimum(samples, cut)
        low, middle = np.quantile(samples, (0.25, 0.5))
        rows.append(
            {"run": run.order, "antenna": run.antenna, "port": run.port, "mounting": run.mounting,
             "order": run.order, "look": run.look, "value": samples.mean(), "mean": samples.mean(),
             "median": middle, "p25": low, "ceiling_share": np.mean(samples >= 30 + cut - 0.2)}
        )  # fmt: skip
    table = pd.DataFrame(rows)
    false = missed = False
    stopped = at[-1]
    for number, mounted in enumerate(at, 1):
        runs, _ = prepare(table[table["look"] <= number].reset_index(drop=True))
        found = compare_table(
            RunTable(runs, "rate", "mean", "", "higher", looks=Looks(at), free=True)
        )
        ahead = set(found.pairs.loc[found.pairs["told_apart"], "first"])
        best = found.order.best
        false |= bool((ahead | ({best} - {None})) - ({"a0"} if case.gap else set()))
        first, second = (found.pairs[c] == "a0" for c in ("first", "second"))
        true = case.gap * (first.astype(float) - second)
        missed |= not true.between(found.pairs["low"], found.pairs["high"]).all()
        if best is not None:
            stopped = mounted
            break
    port = found.ports.iloc[0]
    effect = 0.8 if port["port"] == "Q" else -0.8
    inside = port["low"] <= effect <= port["high"]
    return false, missed, best == "a0" and case.gap > 0, inside, stopped


@cache
def _plan(names, looks, seed):  # type: ignore[no-untyped-def]
    return plan_runs(names, ("P", "Q"), mountings=looks[-1], looks=looks, seed=seed)


def design(row: Row) -> pd.DataFrame:
    """Return the runs of one session, all cells present."""
    runs = [
        {"session": "s", "antenna": f"a{a}", "mounting": str(m), "port": f"p{p}"}
        for a in range(row.antennas)
        for m in range(1 + a if row.uneven else row.mountings)
        for p in range(row.ports)
    ]
    return pd.DataFrame(runs)


def one_row(row: Row, sessions: int, seed: int) -> tuple[float, float, float, float]:
    rng = np.random.default_rng(seed)
    full = design(row)
    patterns = PATTERNS if row.missing else 1
    each = sessions // patterns
    totals = np.zeros(4)
    for _ in range(patterns):
        table = thinned(full, row.missing, rng)
        values, sample_sd = simulate(row, table, each, rng)
        layout = lay_out(table)
        fit = estimate(layout, values)
        single = covered(fit)
        clips = table.assign(mounting=[str(i) for i in range(len(table))])
        naive = estimate(lay_out(clips), values)
        totals += [
            single,
            claims(fit),
            claims(naive),
            sample_claims(layout, table, fit, sample_sd),
        ]
    return tuple(totals / patterns)  # type: ignore[return-value]


def thinned(table: pd.DataFrame, missing: int, rng: np.random.Generator) -> pd.DataFrame:
    """Drop clips at random, as long as every antenna keeps a clip."""
    while True:
        keep = np.sort(rng.permutation(len(table))[missing:])
        left = table.iloc[keep].reset_index(drop=True)
        if left["antenna"].nunique() == table["antenna"].nunique():
            return left


def simulate(
    row: Row, table: pd.DataFrame, sessions: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Return n x S clip means, all antennas equal, and the samples' own sd (S)."""
    keys = table["antenna"] + "/" + table["mounting"]
    number = pd.factorize(keys)[0]
    count = number.max() + 1
    if row.heavy:
        mounting = rng.standard_t(3, (count, sessions)) / np.sqrt(3)
    else:
        mounting = rng.standard_normal((count, sessions))
    if row.unlike:
        antenna = table["antenna"].groupby(number).first().to_numpy()
        mounting *= np.where(antenna == "a0", 3.0, 0.5)[:, None]
    port = table["port"].map({"p0": 0.0, "p1": 1.5, "p2": -0.7}).to_numpy()[:, None]
    clip, sample_sd = clip_noise(row, len(table), sessions, rng)
    values = row.spread * mounting[number] + port + clip
    if row.interaction:
        values = values + unequal_ports(row, table, sessions, rng)
    return values, sample_sd


def unequal_ports(
    row: Row, table: pd.DataFrame, sessions: int, rng: np.random.Generator
) -> np.ndarray:
    """Return port effects of each antenna's own that cancel over its ports."""
    own = rng.standard_normal((row.antennas, row.ports, sessions)) * row.interaction
    own -= own.mean(axis=1, keepdims=True)
    antenna = pd.factorize(table["antenna"])[0]
    port = table["port"].str[1:].astype(int).to_numpy()
    return own[antenna, port]


def clip_noise(
    row: Row, clips: int, sessions: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Return the clips' own noise (sd 1) and the sd of the samples inside them."""
    inflation = (1 + AUTOCORRELATION) / (1 - AUTOCORRELATION)
    sample_sd = np.sqrt(SAMPLES / inflation)  # gives clip means of sd 1
    if not row.autocorrelated:
        return rng.standard_normal((clips, sessions)), np.full(sessions, sample_sd)
    means, spread = np.empty((clips, sessions)), np.empty((clips, sessions))
    step = sample_sd * np.sqrt(1 - AUTOCORRELATION**2)
    for i in range(clips):
        shocks = rng.standard_normal((SAMPLES, sessions)) * step
        shocks[0] /= np.sqrt(1 - AUTOCORRELATION**2)
        series = lfilter([1.0], [1.0, -AUTOCORRELATION], shocks, axis=0)
        means[i], spread[i] = series.mean(axis=0), series.std(axis=0, ddof=1)
    return means, np.sqrt((spread**2).mean(axis=0))


def contrasts(count: int) -> list[np.ndarray]:
    pairs = combinations(range(count), 2)
    return [np.eye(count)[a] - np.eye(count)[b] for a, b in pairs]


def covered(fit: Fit) -> float:
    """Share of single 95 % intervals of a pair that hold the true difference, 0."""
    inside = []
    for contrast in contrasts(len(fit.layout.antennas)):
        error = outer_error(fit, contrast)
        limit = critical(2, error.df)
        inside.append(np.abs(contrast @ fit.means) <= limit * error.se)
    return float(np.mean(inside))


def claims(fit: Fit) -> float:
    """Share of sessions with at least one difference claimed."""
    count = len(fit.layout.antennas)
    wrong = np.zeros(fit.means.shape[1], dtype=bool)
    for contrast in contrasts(count):
        error = outer_error(fit, contrast)
        wrong |= np.abs(contrast @ fit.means) > critical(count, error.df) * error.se
    return float(wrong.mean())


def sample_claims(layout: Layout, table: pd.DataFrame, fit: Fit, sample_sd: np.ndarray) -> float:
    """Share of sessions with a claim when every sample counts as a replicate."""
    count = len(layout.antennas)
    clips = table["antenna"].value_counts().reindex(list(layout.antennas)).to_numpy()
    limit = studentised_critical(count, 1e5)
    wrong = np.zeros(fit.means.shape[1], dtype=bool)
    for contrast in contrasts(count):
        a, b = np.flatnonzero(contrast)
        se = sample_sd * np.sqrt((1 / clips[a] + 1 / clips[b]) / SAMPLES)
        wrong |= np.abs(contrast @ fit.means) > limit * se
    return float(wrong.mean())


@cache
def _table(count: int) -> np.ndarray:
    return np.array([studentised_critical(count, float(df)) for df in _GRID])


def critical(count: int, df: np.ndarray) -> np.ndarray:
    """Return critical values; between the grid's, the line in 1/df of the logarithm."""
    if np.all(df == df.flat[0]):
        return np.full(df.shape, studentised_critical(count, float(df.flat[0])))
    x = 1 / _GRID[::-1]
    return np.exp(np.interp(1 / df, x, np.log(_table(count))[::-1]))


if __name__ == "__main__":
    main()
