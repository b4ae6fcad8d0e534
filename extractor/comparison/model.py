"""The model behind every statement: antenna + port + order (+ session), mounting as random.

Two strata, as in the analysis of a split plot. Clips inside a mounting tell about ports and
give the clip spread. Each mounting then counts once: its mean, adjusted for the ports it was
seen on, enters the analysis of antennas, whose error is the spread between mountings. A drift,
straight over the recording order of a session, is part of both strata; every antenna has a
spread between mountings of its own, moderated by what all show together.

Everything is linear in the runs' values, so a design is worked out once (`Layout`) and then
applied to one set of values or to thousands of simulated ones (`estimate`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from extractor.comparison.recording_order import (
    Array,
    OrderState,
    adds,
    order_state,
    places,
    rank,
    spare,
)
from extractor.statistics.autocorrelation import student_t_quantile

if TYPE_CHECKING:
    from extractor.comparison.linking import Shifting

#: Factors beside the antenna, adjusted for where the table has more than one level of them.
COVARIATES = ("port", "battery", "companion", "transmitter_antenna")
#: Own variance over that of the others at which these lend half of what they lend.
HALF_LENT = 2.0
#: Degrees of freedom that the others lend at least, before that.
LEAST_LENT = 0.5
#: Degrees of freedom of the spread of an antenna with two mountings, the larger of two.
DF_OF_TWO = 1.5
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
    order: OrderState
    drifting: tuple[str, ...]
    """Sessions with a drift in the model."""
    places: Array
    """m x drifting sessions: the mountings' places in the recording order, centred."""
    slopes: Array
    """One row a drifting session x m: from the mountings' means to the drift a run."""
    between: Array
    """m x m: projector on what antennas, sessions and drifts leave over."""
    df_between: int
    own: Array
    """k x m: 1 where the mounting is one of the antenna's."""
    noise: Array
    """m x m: covariance of the mountings' means for a clip variance of 1."""
    dropped: tuple[str, ...]
    """Factors that cannot be told from the antenna in this design."""

    @property
    def df_own(self) -> Array:
        """k: share of each antenna in `df_between`."""
        return np.asarray(self.own @ np.diag(self.between))

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
    variances: Array
    """k: variance of one mounting's mean, moderated, for each antenna."""
    df_variances: Array
    """k: their degrees of freedom."""
    own_noise: Array
    """k: share of the clip variance in them."""
    df_carried: float = 0.0
    """Degrees of freedom of the spread between mountings that other sessions lend."""
    shifting: Shifting | None = None
    """How unlike the antennas shift from session to session, where that can be estimated."""
    hidden: bool = False
    """The link's ceiling hides all differences: nothing is to be judged by these values."""

    @property
    def df_between(self) -> float:
        """Degrees of freedom of the spread between mountings, what was carried over included."""
        return self.layout.df_between + self.df_carried

    @property
    def clip_variance(self) -> Array | float:
        """Mean square between clips of one mounting, 0 where it is not known."""
        return 0.0 if self.layout.df_within == 0 else self.ms_within

    @property
    def mounted_once(self) -> NDArray[np.bool_]:
        """k: antennas whose spread between mountings nobody knows."""
        return np.asarray((self.layout.own.sum(axis=1) == 1) & (self.df_carried == 0))


@dataclass(frozen=True)
class Error:
    """Standard error of one contrast and its degrees of freedom."""

    se: Array
    df: Array

    def half_width(self, probability: float) -> float:
        """Return half of an interval by t whose upper end is this quantile, for one data set."""
        return student_t_quantile(probability, float(self.df)) * float(self.se)


def records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows as dictionaries."""
    return [{str(k): v for k, v in row.items()} for row in table.to_dict("records")]


def _coded(levels: pd.Series) -> Array:
    """Code a factor so that its effects sum to zero; empty cells stand for the average."""
    columns = _indicators(levels)
    return np.ascontiguousarray(columns[:, :-1] - columns[:, -1:])


def _indicators(levels: pd.Series) -> Array:
    """Return a column of 0 and 1 for each level, in their order; empty cells are 0 in all."""
    return np.ascontiguousarray(pd.get_dummies(levels), dtype=float)


def lay_out(
    table: pd.DataFrame, covariates: Sequence[str] = COVARIATES, *, own_ports: bool = False
) -> Layout:
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
    own_ports : bool
        Take out of the clip spread that a port acts on each antenna in its own way.
    """
    keys = ["session", "antenna", "mounting"]
    mountings = table[keys].drop_duplicates().reset_index(drop=True)
    own = _indicators(table.groupby(keys, sort=False).ngroup())
    inside, counts = own, own.sum(axis=0)
    antennas = tuple(sorted(table["antenna"].unique()))
    belongs = _indicators(mountings["antenna"])
    outside = np.hstack([belongs, _coded(mountings["session"])])
    alone, dropped = outside, []
    for name in covariates:
        if name not in table or table[name].nunique() < 2:
            continue
        block = _coded(table[name])
        if adds(inside, block):
            inside = np.hstack([inside, block])
            continue
        between_block = (own.T @ block) / counts[:, None]
        if adds(outside, between_block) and spare(outside, between_block) >= 2:
            outside = np.hstack([outside, between_block])
        else:
            dropped.append(name)
    adjust: Array = np.linalg.pinv(inside).astype(float)[: len(mountings)]
    place, drifting = places(table)
    state, columns = order_state(table, place, adjust, alone, outside)
    if state == "in the model":
        outside = np.hstack([outside, columns])
    moved = place - own @ (own.T @ place / counts[:, None])
    if adds(inside, moved) and spare(inside, moved) >= 2:
        inside = np.hstack([inside, moved])
    if own_ports:
        inside = np.hstack([inside, _indicators(table["antenna"] + "/" + table["port"])])
    back: Array = np.linalg.pinv(outside).astype(float)
    kept = columns.shape[1] if state == "in the model" else 0
    return Layout(
        antennas=antennas,
        mountings=mountings,
        adjust=adjust,
        within=np.eye(len(table)) - inside @ np.linalg.pinv(inside),
        df_within=len(table) - rank(inside),
        weights=back[: len(antennas)],
        order=state,
        drifting=drifting if kept else (),
        places=columns[:, :kept],
        slopes=back[len(back) - kept :],
        between=np.eye(len(mountings)) - outside @ back,
        df_between=len(mountings) - rank(outside),
        own=belongs.T,
        noise=adjust @ adjust.T,
        dropped=tuple(dropped),
    )


def estimate(layout: Layout, values: Array, carried: tuple[float, float] = (0.0, 0.0)) -> Fit:
    """Apply a design to values.

    Parameters
    ----------
    layout : Layout
        Of n runs.
    values : ndarray
        n values, or n x S for S data sets at once.
    carried : (float, float)
        Mean square between mountings that is known from elsewhere, and its degrees of freedom.
    """
    mounting_means = layout.adjust @ values

    def mean_square(projector: Array, data: Array, df: int) -> Array:
        if df == 0:
            return np.full(values.shape[1:], np.nan)
        return np.asarray(((projector @ data) ** 2).sum(axis=0) / df)

    pooled = mean_square(layout.between, mounting_means, layout.df_between)
    if carried[1] > 0:
        weighted = np.nan_to_num(pooled) * layout.df_between + carried[0] * carried[1]
        pooled = weighted / (layout.df_between + carried[1])
    variances, df_variances, own_noise = _moderated(layout, mounting_means, pooled, carried[1])
    return Fit(
        layout=layout,
        means=layout.weights @ mounting_means,
        mounting_means=mounting_means,
        ms_between=pooled,
        ms_within=mean_square(layout.within, values, layout.df_within),
        variances=variances,
        df_variances=df_variances,
        own_noise=own_noise,
        df_carried=carried[1],
    )


def _moderated(
    layout: Layout, mounting_means: Array, pooled: Array, df_carried: float
) -> tuple[Array, Array, Array]:
    """Return each antenna's variance between mountings, its df, and its share of clip variance.

    ``(d0 s_0^2 + d_i s_i^2) / (d0 + d_i)`` (the form: Smyth 2004) with the others' variance s_0^2.
    Their D degrees of freedom lend ``d0 = (D - 2) / (1 + (s_i^2 / s_0^2 / HALF_LENT)^2)``: the
    less, the more an antenna scatters beyond them. With two mountings, which cannot show that, the
    larger of its own and the pooled one. One that was mounted once has the pooled one.
    """

    def column(of: Array) -> Array:
        return of.reshape(-1, *(1,) * (mounting_means.ndim - 1))

    total = layout.df_between + df_carried
    df = column(layout.df_own)
    known, two = df > _TINY, (column(layout.own.sum(axis=1)) == 2) & (df > _TINY)
    squares = layout.own @ (layout.between @ mounting_means) ** 2
    noise = column(layout.own @ np.diag(layout.between @ layout.noise @ layout.between))
    rest = np.maximum(total - df, _TINY)
    others = np.maximum(total * pooled - squares, 0.0) / rest
    own = squares / np.where(known, df, 1.0)
    unlike = own / np.maximum(others, _TINY * own + 1e-300) / HALF_LENT
    lent = np.where(rest > _TINY, np.maximum(rest - 2, LEAST_LENT), 0.0) / (1 + unlike**2)
    lent = np.where(known, lent, total)
    weight, larger = lent / np.maximum(lent + df, _TINY), two & (own > pooled)
    average = layout.mean_noise
    own_noise = noise / np.where(known, df, 1.0)
    shares = weight * (total * average - noise) / rest + (1 - weight) * own_noise
    return (
        np.where(two, np.maximum(own, pooled), weight * others + (1 - weight) * own),
        np.where(two, DF_OF_TWO, lent + df),
        np.where(larger, own_noise, np.where(two, average, shares)),
    )


def outer_error(fit: Fit, contrast: Array) -> Error:
    """Return the error of a contrast of antenna means (k weights) with mountings as the unit."""
    return mounting_error(fit, contrast @ fit.layout.weights)


def mounting_error(fit: Fit, weight: Array) -> Error:
    """Return the error of a weighted sum of the mountings' means.

    Parameters
    ----------
    fit : Fit
        With degrees of freedom between mountings.
    weight : ndarray
        m weights.

    Notes
    -----
    A combination of the antennas' moderated variances and of the clips' mean square, the latter
    with weight 0 in a balanced design. Satterthwaite's degrees of freedom (1946), never above
    those between mountings (and clips, where these widen it). Variances are not cut at zero on
    the way: doing so made intervals too short (coverage benchmark).
    """
    layout = fit.layout
    a = layout.own @ weight**2
    parts = a.reshape(-1, *(1,) * (fit.variances.ndim - 1)) * fit.variances
    variance, squares = parts.sum(axis=0), (parts**2 / fit.df_variances).sum(axis=0)
    most: Array | float = fit.df_between
    if layout.df_within > 0:
        share = float(weight @ layout.noise @ weight) - np.tensordot(a, fit.own_noise, 1)
        share = np.where(np.abs(share) > _TINY * float(a.sum()), share, 0.0)
        second = share * fit.ms_within
        # A negative share can eat up a small variance; half of it is left as a floor.
        variance = np.maximum(variance + second, 0.5 * variance)
        squares = squares + second**2 / layout.df_within
        most = np.asarray(most + layout.df_within * (share > 0.0), dtype=float)
    if fit.shifting is not None:
        added, uncertain = fit.shifting.of(weight)
        variance, squares = variance + added, squares + uncertain
    with np.errstate(invalid="ignore", divide="ignore"):
        df = variance**2 / squares
    return Error(np.sqrt(variance), np.clip(np.nan_to_num(df, nan=1.0), 1.0, most))


def inner_error(fit: Fit, contrast: Array) -> Error:
    """Return the error of a contrast for these very mountings: clip spread alone."""
    weight = contrast @ fit.layout.weights
    variance = float(weight @ fit.layout.noise @ weight) * fit.ms_within
    return Error(np.sqrt(variance), np.full_like(variance, fit.layout.df_within))


def mean_covariance(fit: Fit, *, outer: bool) -> Array:
    """Return the k x k covariance of the antennas' adjusted means."""
    layout = fit.layout
    covariance = layout.noise * fit.clip_variance
    if outer:
        own = layout.own.T @ (fit.variances - fit.own_noise * fit.clip_variance)
        covariance = covariance + np.diag(own)
        if fit.shifting is not None:
            covariance = covariance + fit.shifting.covariance
    return np.asarray(layout.weights @ covariance @ layout.weights.T)


def mounting_spread(fit: Fit) -> float:
    """Return the spread between mountings (sd), the clips' share taken out; NaN if unknown."""
    if fit.df_between == 0:
        return float("nan")
    own = float(fit.ms_between - fit.layout.mean_noise * fit.clip_variance)
    return float(np.sqrt(max(0.0, own)))


def clip_spread(fit: Fit) -> float:
    """Return the spread between clips of one mounting (sd); NaN if unknown."""
    return float(np.sqrt(fit.ms_within))
