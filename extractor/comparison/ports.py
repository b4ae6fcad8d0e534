"""Does the port matter? Mountings seen on both ports are the unit."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from extractor.comparison.findings import (
    CHECK_LEVEL,
    MOST_NAMED,
    Finding,
    Quantity,
    Voice,
    counted,
    listed,
    p_text,
)
from extractor.comparison.model import Array, Error, Fit, estimate, lay_out, mounting_error, records
from extractor.comparison.pairs import ROUNDING, judged, pair_table

COLUMNS = (
    "port",
    "against",
    "antenna",
    "role",
    "role_against",
    "difference",
    "low",
    "high",
    "mountings",
    "df",
    "p_t",
    "interaction_p",
    "basis",
)
_SAME_MOUNTING = "same mounting"
_OTHER_MOUNTINGS = "other mountings"
_ORDER = "order"


def port_table(fit: Fit, table: pd.DataFrame, confidence: float = 0.95) -> pd.DataFrame:
    """Compare the ports pairwise.

    Parameters
    ----------
    fit : Fit
        Of the runs; what it knows of a drift is taken out.
    table : DataFrame
        The runs, with ``value``; an empty ``port`` (a swap of like with like) takes no part.
    confidence : float
        Joint confidence over all pairs of ports (Bonferroni, for intervals and p-values alike).

    Returns
    -------
    DataFrame
        One row a pair of ports: the mean ``difference`` (port minus against) over mountings
        seen on both, its interval and p by t over those mountings. Without such mountings: from
        the model, with ``basis`` "other mountings". No interval where the order of the ports
        can't be told from a drift (``basis`` "order"). Where the ports act unlike
        (`CHECK_LEVEL`) a row for each ``antenna`` follows, these jointly.
    """
    ports = sorted(table["port"].dropna().unique()) if "port" in table else []
    pairs = list(combinations(ports, 2))
    rows: list[dict[str, object]] = []
    for port, against in pairs:
        row: dict[str, object] = {"port": port, "against": against, "antenna": ""}
        row |= {"role": _role(table, port), "role_against": _role(table, against)}
        found = _paired(fit, table, port, against)
        if not len(found.values):
            rows.append(row | _from_model(table, port, against, confidence))
            continue
        rows.append(row | _averaged(found, len(pairs), confidence))
        p = rows[-1].get("interaction_p")
        if isinstance(p, float) and p < CHECK_LEVEL:
            rows += [row | own for own in _by_antenna(found, len(pairs), confidence)]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _role(table: pd.DataFrame, port: str) -> str:
    if "port_role" not in table:
        return ""
    roles = table.loc[table["port"] == port, "port_role"].dropna().unique()
    return str(roles[0]) if len(roles) == 1 else ""


@dataclass(frozen=True)
class _Paired:
    """Mountings seen on both ports, one difference each, what is known of a drift taken out."""

    antennas: Array
    values: Array
    drift: Error = Error(np.zeros(()), np.ones(()))  # noqa: RUF009
    """Of the drift's share in their mean; 0 where it has none."""
    used: int = 1
    """Degrees of freedom that the differences themselves have spent."""
    lever: float = 0.0
    """Variance of their mean through a slope of their own, in squares of their spread."""
    confounded: bool = False


def _paired(fit: Fit, table: pd.DataFrame, port: str, against: str) -> _Paired:
    """Return the differences between two ports; a port recorded first gains from a drift."""
    chosen = table[table["port"].isin([port, against])]
    columns = ["value", "order"] if fit.layout.order != "not known" else ["value"]
    keys = ["session", "antenna", "mounting"]
    cells = chosen.groupby([*keys, "port"])[columns].mean().unstack().dropna()
    names = cells.index.get_level_values("antenna").to_numpy()
    values = (cells["value"][port] - cells["value"][against]).to_numpy(float)
    if len(columns) == 1 or not len(values):
        return _Paired(names, values)
    step = (cells["order"][port] - cells["order"][against]).to_numpy(float)
    layout = fit.layout
    if layout.order == "in the model":
        at = [layout.drifting.index(s) for s in cells.index.get_level_values("session")]
        left = values - step * (layout.slopes @ fit.mounting_means)[at]
        weight = (step[:, None] * layout.slopes[at]).mean(axis=0)
        if step.mean() == 0:
            return _Paired(names, left)
        return _Paired(names, left, mounting_error(fit, weight))
    moved = step - step.mean()
    if abs(step.mean()) <= 1e-9 * np.abs(step).max():
        return _Paired(names, values)  # each port led alike: a drift only adds noise
    if moved @ moved == 0 or len(values) < 3:
        return _Paired(names, values, confounded=True)
    slope = float(moved @ values / (moved @ moved))
    lever = float(step.mean() ** 2 / (moved @ moved))
    return _Paired(names, values - slope * step, used=2, lever=lever)


def _averaged(found: _Paired, pairs: int, confidence: float) -> dict[str, object]:
    count, mean = len(found.values), float(found.values.mean())
    row: dict[str, object] = {"difference": mean, "mountings": count, "basis": _SAME_MOUNTING}
    if found.confounded:
        return row | {"basis": _ORDER}
    df = count - found.used
    spread = float(((found.values - mean) ** 2).sum()) / df if df > 0 else 0.0
    row["interaction_p"] = min(1.0, pairs * _interaction_p(found))
    return row | _judged(mean, spread * (1 / count + found.lever), df, found, pairs, confidence)


def _judged(
    mean: float, variance: float, df: float, found: _Paired, pairs: int, confidence: float
) -> dict[str, object]:
    """Return interval and p of a mean, by t; Satterthwaite's df with the drift's own error."""
    from scipy.special import stdtr, stdtrit

    shares = ((variance, df), (float(found.drift.se) ** 2, float(found.drift.df)))
    total = sum(v for v, _ in shares)
    if df < 1 or total <= (ROUNDING * max(1.0, abs(mean))) ** 2:
        return {}  # no spread, or none that is known: nothing to judge by
    df = total**2 / sum(v**2 / d for v, d in shares)
    se = math.sqrt(total)
    half = float(-stdtrit(df, (1 - confidence) / pairs / 2)) * se
    p = min(1.0, pairs * 2 * float(stdtr(df, -abs(mean) / se)))
    return {"low": mean - half, "high": mean + half, "df": df, "p_t": p}


def _groups(found: _Paired) -> tuple[pd.Series, pd.Series, float, int]:
    """Return the antennas' mean differences, of how many, the variance around them and its df."""
    values = pd.Series(found.values).groupby(found.antennas)
    df = len(found.values) - values.ngroups - (found.used - 1)
    left = found.values - values.transform("mean").to_numpy(float)
    return values.mean(), values.size(), float(left @ left) / df if df > 0 else math.nan, df


def _interaction_p(found: _Paired) -> float:
    """Return the p-value of "the port effect differs between antennas"; NaN if it can't be told.

    F-test of the antennas' differences, mountings as the unit.
    """
    from scipy.special import fdtrc

    means, counts, variance, df = _groups(found)
    if df < 1 or len(means) < 2 or variance <= ROUNDING**2:
        return math.nan
    between = float((counts * (means - found.values.mean()) ** 2).sum()) / (len(means) - 1)
    return float(fdtrc(len(means) - 1, df, between / variance))


def _by_antenna(found: _Paired, pairs: int, confidence: float) -> list[dict[str, object]]:
    """Return the port effect of each antenna, all jointly (Bonferroni)."""
    means, counts, variance, df = _groups(found)
    return [
        {"antenna": name, "difference": mean, "mountings": count, "basis": _SAME_MOUNTING}
        | _judged(mean, variance / count, df, found, pairs * len(means), confidence)
        for name, mean, count in zip(means.index, means, counts, strict=True)
    ]


def _from_model(
    table: pd.DataFrame, port: str, against: str, confidence: float
) -> dict[str, object]:
    """Compare ports that never met in one mounting, adjusted for the antennas."""
    chosen = table.dropna(subset=["port"])
    swapped = chosen.assign(
        companion=chosen["antenna"],
        mounting=chosen["antenna"] + "/" + chosen["mounting"],
        antenna=chosen["port"],
    )
    layout = lay_out(swapped, ("companion",))
    fit = estimate(layout, swapped["value"].to_numpy(float))
    if "companion" in layout.dropped or len(judged(fit)) < len(layout.antennas):
        confounded = layout.order == "confounded"
        return {"mountings": 0, "basis": _ORDER if confounded else _OTHER_MOUNTINGS}
    pairs = pair_table(fit, confidence=confidence)
    pair = pairs[pairs["first"].isin([port, against]) & pairs["second"].isin([port, against])]
    found = pair.iloc[0]
    sign = 1.0 if found["first"] == port else -1.0
    low, high = sorted((sign * found["low"], sign * found["high"]))
    row = {"difference": sign * found["difference"], "low": low, "high": high, "df": found["df"]}
    row |= {"p_t": found["p_adjusted"], "mountings": len(layout.mountings)}
    return row | {"basis": _OTHER_MOUNTINGS}


def port_findings(ports: pd.DataFrame, table: pd.DataFrame, voice: Voice) -> Iterator[Finding]:
    """Say what `port_table` shows."""
    if ports.empty:
        seen = table["port"].dropna() if "port" in table else ()
        where = f"All runs used port {min(seen)}" if len(seen) else "No run names a port of its own"
        yield Finding(
            "ports",
            f"{where}, so nothing can be said about ports.",
            "A port effect needs the same mounting seen on at least two ports; a swap of like "
            "with like is a repeat and no comparison of ports.",
        )
    own = ports["antenna"] != ""
    for row in records(ports[~own]):
        pair = (ports["port"] == row["port"]) & (ports["against"] == row["against"])
        unlike = records(ports[own & pair])
        yield _unlike(row, unlike, voice) if unlike else _one_pair(row, voice)
    if own.any():
        yield _by_port(table, voice)


def _size(row: dict[str, Any], voice: Voice) -> str:
    """Return ``Green read 0.8 Mbit/s more than Red (95 % interval 0.5 to 1.1 Mbit/s)``."""
    more, less = row["port"], row["against"]
    low, high = float(row["low"]), float(row["high"])
    if row["difference"] < 0:
        more, less, low, high = less, more, -high, -low
    size = f"{more} read {voice.amount(abs(float(row['difference'])))} more than {less}"
    return f"{size} ({voice.interval(low, high)})" if math.isfinite(low) else size


def _one_pair(row: dict[str, Any], voice: Voice) -> Finding:
    low, high = float(row["low"]), float(row["high"])
    if not math.isfinite(low):
        return _unclear(row, voice)
    if low > 0 or high < 0:
        sentence = f"The port matters: {_size(row, voice)}."
    else:
        sentence = (
            f"No port effect was seen: {_size(row, voice)}; one inside that interval could have "
            "gone unseen."
        )
    return Finding("ports", sentence + _roles(row), _how(row, voice), _numbers(row, voice))


def _unlike(row: dict[str, Any], own: list[dict[str, Any]], voice: Voice) -> Finding:
    """Say how each antenna takes the port where they take it unlike."""
    own = sorted(own, key=lambda one: -abs(one["difference"] - row["difference"]))
    parts = [f"with {one['antenna']} {_size(one, voice)}" for one in own]
    if len(own) > MOST_NAMED:
        parts[MOST_NAMED:] = [f"less unlike with the other {len(own) - MOST_NAMED} (ports.csv)"]
    return Finding(
        "ports",
        f"The port does not act on every antenna alike: {listed(parts)}." + _roles(row),
        f"Each antenna's mountings seen on both ports ({counted(int(row['mountings']), 'mounting')}"
        f" in all), intervals joint; F-test of antenna x port {p_text(row['interaction_p'])}.",
        voice.quantities({f"{one['antenna']}, difference": one["difference"] for one in own}),
    )


def _by_port(table: pd.DataFrame, voice: Voice) -> Finding:
    """Rank the antennas port by port."""
    parts = []
    for port, part in table.groupby("port"):
        means = part.groupby(["antenna", "mounting"])["value"].mean().groupby("antenna").mean()
        said = [f"{a} {voice.number(m)}" for a, m in means.sort_values(ascending=False).items()]
        parts.append(f"on {port} {', '.join(said)} {voice.unit}".rstrip())
    return Finding(
        "ranking_by_port",
        f"Port by port the antennas read: {'; '.join(parts)}.",
        "Means of the mountings seen on each port, highest first; the ranking above is one "
        "over all ports.",
    )


def _roles(row: dict[str, Any]) -> str:
    if row["role"] and row["role_against"] and row["role"] != row["role_against"]:
        transmitting = row["port"] if row["role"] == "rxtx" else row["against"]
        return f" {transmitting} also transmits, so the two ports differ in their role as well."
    return ""


def _how(row: dict[str, Any], voice: Voice) -> str:
    if row["basis"] == _OTHER_MOUNTINGS:
        return (
            "No mounting was seen on both ports, so the ports are compared across mountings, "
            "adjusted for the antennas; that needs more mountings than a swap inside one."
        )
    count, p = int(row["mountings"]), float(row["interaction_p"])
    unlike = f"antenna x port {p_text(p)}" if math.isfinite(p) else "antenna x port can't be tested"
    if 2 ** (1 - count) > 1 - voice.confidence:
        unlike += f"; by chance alone all turn out one way in 1 of {2 ** (count - 1)} sessions"
    return (
        f"{counted(count, 'mounting')} seen on both ports, each compared with itself, what is known"
        f" of a drift taken out; by t over the mountings ({p_text(row['p_t'])}); {unlike}."
    )


def _numbers(row: dict[str, Any], voice: Voice) -> tuple[Quantity, ...]:
    return (
        *voice.quantities({n: float(row[n]) for n in ("difference", "low", "high")}),
        Quantity("mountings", float(row["mountings"])),
        Quantity("p of the t-test", float(row["p_t"])),
        Quantity("p of antenna x port", float(row["interaction_p"])),
    )


def _unclear(row: dict[str, Any], voice: Voice) -> Finding:
    names, mountings = f"{row['port']} and {row['against']}", row["mountings"]
    why = f"{names} differed by the very same in every mounting, which shows no spread"
    if row["basis"] == _ORDER:
        why = f"{names} were recorded in one and the same order, and a drift would look the same"
    elif mountings < 2:
        seen = "no mounting was" if mountings == 0 else "only one mounting was"
        why = f"{seen} seen on both {names}, so the port can't be told from the mounting"
    return Finding(
        "ports",
        f"Whether the port matters can't be said: {why}.",
        "A port effect needs at least two mountings, each seen on both ports, and ports that lead "
        "in turn.",
        voice.quantities({"difference": float(row["difference"])}),
    )
