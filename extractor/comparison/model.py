"""The model behind every statement: antenna + port (+ session), mounting as random.

Two strata, as in the analysis of a split plot. Clips inside a mounting tell about ports and
give the clip spread. Each mounting then counts once: its mean, adjusted for the ports it was
seen on, enters the analysis of antennas, whose error is the spread between mountings.

Everything is linear in the runs' values, so a design is worked out once (`Layout`) and then
applied to one set of values or to thousands of simulated ones (`estimate`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Factors beside the antenna, adjusted for where the table has more than one level of them.
COVARIATES = ("port", "battery", "companion", "transmitter_antenna")
_TINY = 1e-9


@dataclass(frozen=True)
class Layout:
    """One design as matrices; n runs, m mountings, k antennas."""

    antennas: tuple[str, ...]
    mountings: pd.DataFrame
    """m rows: session, antenna, mounting."""
    adjust: Array
    """m x n: from the runs' values to the mountings' adjusted means."""
    within: Array
    """n x n: projector on what mountings and ports leave over."""
    df_within: int
    weights: Array
    """k x m: from the mountings' means to the antennas' adjusted means."""
    between: Array
    """m x m: projector on what antennas and sessions leave over."""
    df_between: int
    noise: Array
    """m x m: covariance of the mountings' means for a clip variance of 1."""
    dropped: tuple[str, ...]
    """Factors that cannot be told from the antenna in this design."""

    @property
    def mean_noise(self) -> float:
        """Share of the clip variance in the mean square between mountings."""
        if self.df_between == 0:
            return 0.0
        return float(np.trace(self.between @ self.noise)) / self.df_between


@dataclass(frozen=True)
class Fit:
    """Estimates of one comparison; with S columns of values each entry has S columns."""

    layout: Layout
    means: Array
    """k: adjusted means of the antennas."""
    mounting_means: Array
    """m: adjusted means of the mountings."""
    ms_between: Array
    """Mean square between mountings of one antenna; NaN without degrees of freedom."""
    ms_within: Array
    """Mean square between clips of one mounting; NaN without degrees of freedom."""


@dataclass(frozen=True)
class Error:
    """Standard error of one contrast and its degrees of freedom."""

    se: Array
    df: Array


def records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows as dictionaries."""
    return [{str(k): v for k, v in row.items()} for row in table.to_dict("records")]


def _coded(levels: pd.Series) -> Array:
    """Code a factor so that its effects sum to zero; empty cells stand for the average."""
    names = sorted(levels.dropna().unique())
    columns = np.zeros((len(levels), max(0, len(names) - 1)))
    for j, name in enumerate(names[:-1]):
        columns[:, j] = (levels == name).to_numpy(float) - (levels == names[-1]).to_numpy(float)
    columns[levels.isna().to_numpy()] = 0.0
    return columns


def _indicators(levels: pd.Series, names: Sequence[object]) -> Array:
    return np.column_stack([(levels == name).to_numpy(float) for name in names])


def _rank(matrix: Array) -> int:
    return int(np.linalg.matrix_rank(matrix)) if matrix.size else 0


def _adds(base: Array, block: Array) -> bool:
    """Tell whether every column of `block` can be told from `base`."""
    if block.shape[1] == 0:
        return False
    return _rank(np.hstack([base, block])) == _rank(base) + block.shape[1]


def lay_out(table: pd.DataFrame, covariates: Sequence[str] = COVARIATES) -> Layout:
    """Work out the design of a table of runs.

    Parameters
    ----------
    table : DataFrame
        One row a run, with ``session``, ``antenna``, ``mounting`` and, where known, the
        columns of `covariates`. A ``port`` that is empty means: no port in particular (a
        swap of like with like).
    covariates : sequence of str
        Columns to adjust for. One that changes inside mountings is adjusted for there, one
        that changes only between them among the mountings, and one that cannot be told from
        the antenna is left out and named in `Layout.dropped`.
    """
    keys = ["session", "antenna", "mounting"]
    mountings = table[keys].drop_duplicates().reset_index(drop=True)
    number = table[keys].merge(mountings.reset_index(names="number"), on=keys)["number"]
    inside = _indicators(number, range(len(mountings)))
    counts = inside.sum(axis=0)
    antennas = tuple(sorted(table["antenna"].unique()))
    outside = np.hstack([_indicators(mountings["antenna"], antennas), _coded(mountings["session"])])
    dropped: list[str] = []
    for name in covariates:
        if name not in table or table[name].nunique() < 2:
            continue
        block = _coded(table[name])
        if _adds(inside, block):
            inside = np.hstack([inside, block])
            continue
        between_block = (_indicators(number, range(len(mountings))).T @ block) / counts[:, None]
        if _adds(outside, between_block) and _spare(outside, between_block) >= 2:
            outside = np.hstack([outside, between_block])
        else:
            dropped.append(name)
    inverse: Array = np.linalg.pinv(inside).astype(float)
    adjust = inverse[: len(mountings)]
    back: Array = np.linalg.pinv(outside).astype(float)
    return Layout(
        antennas=antennas,
        mountings=mountings,
        adjust=adjust,
        within=np.eye(len(table)) - inside @ inverse,
        df_within=len(table) - _rank(inside),
        weights=back[: len(antennas)],
        between=np.eye(len(mountings)) - outside @ back,
        df_between=len(mountings) - _rank(outside),
        noise=adjust @ adjust.T,
        dropped=tuple(dropped),
    )


def _spare(base: Array, block: Array) -> int:
    """Count the degrees of freedom that remain with `block`; 2 are the least worth having."""
    return base.shape[0] - _rank(base) - block.shape[1]


def estimate(layout: Layout, values: Array) -> Fit:
    """Apply a design to values.

    Parameters
    ----------
    layout : Layout
        Of n runs.
    values : ndarray
        n values, or n x S for S data sets at once.
    """
    mounting_means = layout.adjust @ values

    def mean_square(projector: Array, data: Array, df: int) -> Array:
        if df == 0:
            return np.full(values.shape[1:], np.nan)
        return np.asarray(((projector @ data) ** 2).sum(axis=0) / df)

    return Fit(
        layout=layout,
        means=layout.weights @ mounting_means,
        mounting_means=mounting_means,
        ms_between=mean_square(layout.between, mounting_means, layout.df_between),
        ms_within=mean_square(layout.within, values, layout.df_within),
    )


def outer_error(fit: Fit, contrast: Array) -> Error:
    """Return the error of a contrast of antenna means with mountings as the unit.

    Parameters
    ----------
    fit : Fit
        With degrees of freedom between mountings.
    contrast : ndarray
        k weights.

    Notes
    -----
    The variance is a combination of the two mean squares, ``a * MS_between + b * MS_within``;
    ``b`` is 0 in a balanced design, and the t-test is then exact. Elsewhere the degrees of
    freedom are Satterthwaite's (1946), never above those between mountings when ``b < 0``.
    Variances are not cut at zero on the way: doing so made intervals too short (coverage
    benchmark).
    """
    layout = fit.layout
    weight = contrast @ layout.weights
    a = float(weight @ weight)
    b = float(weight @ layout.noise @ weight) - a * layout.mean_noise
    if layout.df_within == 0 or abs(b) < _TINY * max(a, _TINY):
        variance = a * fit.ms_between
        return Error(np.sqrt(variance), np.full_like(variance, layout.df_between))
    first, second = a * fit.ms_between, b * fit.ms_within
    # A negative share can eat up a small mean square; half of it is left as a floor.
    variance = np.maximum(first + second, 0.5 * first)
    with np.errstate(invalid="ignore", divide="ignore"):
        df = variance**2 / (first**2 / layout.df_between + second**2 / layout.df_within)
    most = layout.df_between + layout.df_within if b > 0 else layout.df_between
    df = np.clip(np.nan_to_num(df, nan=layout.df_between), 1.0, most)
    return Error(np.sqrt(variance), df)


def inner_error(fit: Fit, contrast: Array) -> Error:
    """Return the error of a contrast for these very mountings: clip spread alone."""
    weight = contrast @ fit.layout.weights
    variance = float(weight @ fit.layout.noise @ weight) * fit.ms_within
    return Error(np.sqrt(variance), np.full_like(variance, fit.layout.df_within))


def mean_covariance(fit: Fit, *, outer: bool) -> Array:
    """Return the k x k covariance of the antennas' adjusted means."""
    layout = fit.layout
    noise = layout.weights @ layout.noise @ layout.weights.T
    if not outer:
        return np.asarray(noise * fit.ms_within)
    plain = layout.weights @ layout.weights.T
    clip = 0.0 if layout.df_within == 0 else fit.ms_within
    return np.asarray(plain * fit.ms_between + (noise - plain * layout.mean_noise) * clip)


def mounting_spread(fit: Fit) -> float:
    """Return the spread between mountings (sd), the clips' share taken out; NaN if unknown."""
    if fit.layout.df_between == 0:
        return float("nan")
    clip = 0.0 if fit.layout.df_within == 0 else float(fit.ms_within)
    return float(np.sqrt(max(0.0, float(fit.ms_between) - fit.layout.mean_noise * clip)))


def clip_spread(fit: Fit) -> float:
    """Return the spread between clips of one mounting (sd); NaN if unknown."""
    return float(np.sqrt(fit.ms_within))
