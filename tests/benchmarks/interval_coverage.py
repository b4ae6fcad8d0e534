"""How often does the 95 % interval for a clip's mean hold the true mean?

Run by hand: ``python tests/benchmarks/interval_coverage.py [TRIALS]`` (default 2000, about two
minutes on one core). Prints three tables in Markdown: coverage by kind of series and number of
samples, with the interval's usual width over that of an observer who knows the true spread, the
median of the effective sizes found over the true one, and the naive interval beside it; the same
for the first-order closed form; then how often a ceiling is found where there is none and where
there is one.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
from scipy.signal import lfilter
from scipy.stats import t as student

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]
from series_making import ar1_effective_size  # noqa: E402

from extractor.statistics.autocorrelation import autocorrelation, mean_interval  # noqa: E402
from extractor.statistics.ceiling import find_ceiling  # noqa: E402

SIZES = (30, 120, 300, 600)
SEED = 20260501


def ar1(rng, rows, n, rho):
    noise = rng.standard_normal((rows, n)) * math.sqrt(1 - rho**2)
    noise[:, 0] /= math.sqrt(1 - rho**2)
    return lfilter([1], [1, -rho], noise, axis=1)


def held(rng, rows, n, rho, hold):
    """Numbers that each stand for `hold` samples; `rho` from number to number."""
    numbers = ar1(rng, rows, n // hold + 2, rho)
    places = (np.arange(n) + rng.integers(0, hold, (rows, 1))) // hold
    return np.take_along_axis(numbers, places, axis=1)


def moving_average(rng, rows, n, width):
    noise = rng.standard_normal((rows, n + width - 1))
    sums = np.cumsum(np.pad(noise, ((0, 0), (1, 0))), axis=1)
    return (sums[:, width:] - sums[:, :-width]) / math.sqrt(width)


def steps(rng, rows, n, dwell):
    """Two levels, two noise deviations apart, that change at random every `dwell` samples."""
    state = np.cumsum(rng.random((rows, n)) < 1 / dwell, axis=1) + rng.integers(0, 2, (rows, 1))
    return (state % 2) * 2.0 - 1 + ar1(rng, rows, n, 0.5)


def with_noise(rng, rows, n, rho):
    return ar1(rng, rows, n, rho) + rng.standard_normal((rows, n))


def long_memory(rng, rows, n, d):
    """Fractionally integrated noise (Hosking 1981): correlations that fall like lag^(2d - 1)."""
    lags = np.arange(1, n)
    known = np.concatenate([[1.0], np.cumprod((lags - 1 + d) / (lags - d))])
    powers = np.fft.rfft(np.concatenate([known, known[-2:0:-1]])).real.clip(0)
    white = np.fft.rfft(rng.standard_normal((rows, 2 * n - 2)), axis=1)
    return np.fft.irfft(white * np.sqrt(powers), 2 * n - 2, axis=1)[:, :n]


KINDS: dict[str, Callable[..., np.ndarray]] = {
    "independent": lambda g, r, n: ar1(g, r, n, 0.0),
    "AR(1) 0.5": lambda g, r, n: ar1(g, r, n, 0.5),
    "AR(1) 0.8": lambda g, r, n: ar1(g, r, n, 0.8),
    "AR(1) 0.9": lambda g, r, n: ar1(g, r, n, 0.9),
    "AR(1) 0.95": lambda g, r, n: ar1(g, r, n, 0.95),
    "AR(1) 0.98": lambda g, r, n: ar1(g, r, n, 0.98),
    "AR(1) 0.99": lambda g, r, n: ar1(g, r, n, 0.99),
    "AR(1) -0.5": lambda g, r, n: ar1(g, r, n, -0.5),
    "held 5, independent": lambda g, r, n: held(g, r, n, 0.0, 5),
    "held 5, AR(1) 0.5": lambda g, r, n: held(g, r, n, 0.5, 5),
    "held 5, AR(1) 0.7": lambda g, r, n: held(g, r, n, 0.7, 5),
    "held 2, AR(1) 0.9": lambda g, r, n: held(g, r, n, 0.9, 2),
    "moving average of 10": lambda g, r, n: moving_average(g, r, n, 10),
    "AR(1) 0.95 + noise": lambda g, r, n: with_noise(g, r, n, 0.95),
    "AR(1) 0.98 + noise": lambda g, r, n: with_noise(g, r, n, 0.98),
    "steps every 2 s": lambda g, r, n: steps(g, r, n, 20),
    "steps every 5 s": lambda g, r, n: steps(g, r, n, 50),
    "held 5, 0.5, a third missing": lambda g, r, n: _thinned(g, held(g, r, n, 0.5, 5)),
    "long memory, d = 0.2": lambda g, r, n: long_memory(g, r, n, 0.2),
    "long memory, d = 0.4": lambda g, r, n: long_memory(g, r, n, 0.4),
}

#: Series without a ceiling: display step, standard deviation, AR(1) from number to number, hold.
BELLS = (
    (0.1, 4, 0.5, 1),
    (0.1, 4, 0.5, 5),
    (1, 8, 0.5, 5),
    (0.1, 4, 0.9, 3),
    (0.1, 4, 0.97, 3),
    (1, 8, 0.97, 3),
)


def _thinned(rng, series):
    series[rng.random(series.shape) < 1 / 3] = np.nan
    return series


def coverage_cell(series: np.ndarray) -> str:
    found = [mean_interval(row) for row in series]
    inside = 100 * np.mean([f.low <= 0 <= f.high for f in found])
    true_error = float(np.std([f.mean for f in found]))
    width = np.median([f.high - f.low for f in found]) / 2 / (1.96 * true_error)
    true_size = np.nanvar(series) / true_error**2
    size = np.median([f.n_effective for f in found]) / min(true_size, series.shape[1])
    count = np.sum(np.isfinite(series), axis=1)
    reach = student.ppf(0.975, count - 1) * np.nanstd(series, axis=1, ddof=1) / np.sqrt(count)
    naive = 100 * np.mean(np.abs([f.mean for f in found]) <= reach)
    return f"{inside:.1f} ({naive:.0f}) {width:.2f} {size:.2f}"


def print_coverage(trials: int) -> None:
    rng = np.random.default_rng(SEED)
    print("covered % (naive %), median half-width over ideal, median n_effective over true\n")
    print("| series | " + " | ".join(f"n = {n}" for n in SIZES) + " |")
    print("|---|" + "---|" * len(SIZES))
    for name, make in KINDS.items():
        cells = [coverage_cell(make(rng, trials, n)) for n in SIZES]
        print(f"| {name} | " + " | ".join(cells) + " |", flush=True)


def print_closed_form(trials: int) -> None:
    """The alternative that was not taken: first-order closed form with the lag-1 found."""
    rng = np.random.default_rng(SEED)
    print("\nfirst-order closed form instead, n = 600: covered %, median half-width over ideal\n")
    print("| series | covered | width |\n|---|---|---|")
    n = 600
    for name, make in KINDS.items():
        series = make(rng, trials, n)
        if np.isnan(series).any():
            continue
        means, reach = series.mean(axis=1), np.empty(trials)
        for i, row in enumerate(series):
            lag1 = float(autocorrelation(row, 1)[1])
            lag1 = float(np.clip(lag1 + (1 + 4 * lag1) / n, -0.9, 0.995))  # its bias taken out
            size = ar1_effective_size(n, lag1)
            reach[i] = student.ppf(0.975, max(1, size - 1)) * row.std(ddof=1) / math.sqrt(size)
        inside = 100 * np.mean(np.abs(means) <= reach)
        print(f"| {name} | {inside:.1f} | {np.median(reach) / 1.96 / means.std():.2f} |")


def print_ceiling(trials: int) -> None:
    rng = np.random.default_rng(SEED)
    print("\nceiling found, % of series\n")
    print("| series | share at the top | n = 120 | n = 600 |")
    print("|---|---|---|---|")
    for step, spread, rho, hold in BELLS:
        cells = []
        for n in (120, 600):
            rows = np.round((30 + spread * held(rng, trials, n, rho, hold)) / step) * step
            cells.append(f"{100 * np.mean([find_ceiling(r, step) is not None for r in rows]):.1f}")
        label = f"none: step {step:g}, sd {spread}, held {hold}, {rho}"
        print(f"| {label} | - | " + " | ".join(cells) + " |")
    for level, spread in ((36, 3), (38, 2), (38, 4), (39, 4), (41, 3)):
        cells, share = [], 0.0
        for n in (120, 600):
            rows = np.minimum(np.round(level + spread * held(rng, trials, n, 0.7, 3), 1), 40)
            share = float(np.mean(rows >= 39.8))
            cells.append(f"{100 * np.mean([find_ceiling(r, 0.1) == 40 for r in rows]):.1f}")
        print(
            f"| cut at 40: mean {level}, sd {spread}, held 3 | {share:.2f} | {' | '.join(cells)} |"
        )


if __name__ == "__main__":
    trials_asked = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    print_coverage(trials_asked)
    print_closed_form(trials_asked)
    print_ceiling(max(200, trials_asked // 2))
