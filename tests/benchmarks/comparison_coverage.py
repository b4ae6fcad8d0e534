"""Do the intervals between antennas cover, and how often is a difference claimed that is none?

Simulates whole sessions with known truth, 2,000 for each row, and sends them through the
package's own `lay_out`, `estimate` and `outer_error`. Beside them the two naive ways: every
sample a replicate, every clip a replicate. Run by hand, about two minutes on one core:

    python tests/benchmarks/comparison_coverage.py [SESSIONS]

Prints a Markdown table. Clip spread is 1; everything else is in that unit. "any false claim":
with all antennas equal, the share of sessions with at least one "A beats B".
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from functools import cache
from itertools import combinations

import numpy as np
import pandas as pd
from scipy.signal import lfilter

from extractor.comparison.model import Fit, Layout, estimate, lay_out, outer_error
from extractor.comparison.pairs import best_probability
from extractor.statistics.power import studentised_critical

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
    print(
        "| design (clip spread 1) | 95 % interval of one pair covers | any false claim | "
        "clips as replicates: any false claim | samples as replicates: any false claim |"
    )
    print("|---|---|---|---|---|")
    for number, row in enumerate(ROWS):
        cells = " | ".join(f"{100 * share:.1f} %" for share in one_row(row, sessions, number))
        print(f"| {row.name} | {cells} |", flush=True)
    print()
    print("| probability of being best, as stated | sessions | was the best |")
    print("|---|---|---|")
    for low, count, share in calibration(sessions):
        print(f"| {low:.1f} to {low + 0.2:.1f} | {count} | {share:.2f} |")


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


def calibration(sessions: int) -> list[tuple[float, int, float]]:
    """How often the antenna said to be best with probability p is the best.

    True means are spread wide (sd 2 clip spreads), as the flat prior assumes.
    """
    rng = np.random.default_rng(99)
    row = Row("")
    table = design(row)
    layout = lay_out(table)
    truth = rng.normal(0, 2, (row.antennas, sessions))
    values, _ = simulate(row, table, sessions, rng)
    values = values + truth[pd.factorize(table["antenna"])[0]]
    stated, right = [], []
    for s in range(sessions):
        chance = best_probability(estimate(layout, values[:, s]), "higher", draws=2000, seed=s)
        stated.append(chance)
        right.append(np.arange(row.antennas) == truth[:, s].argmax())
    p, hit = np.concatenate(stated), np.concatenate(right)
    rows = []
    for low in (0.0, 0.2, 0.4, 0.6, 0.8):
        chosen = (p >= low) & ((p < low + 0.2) | (low == 0.8))
        rows.append((low, int(chosen.sum()), float(hit[chosen].mean())))
    return rows


if __name__ == "__main__":
    main()
