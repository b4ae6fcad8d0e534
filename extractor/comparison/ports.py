"""Does the port matter? Mountings seen on both ports are the unit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from extractor.comparison.findings import Finding, Quantity, Voice, counted, p_text
from extractor.comparison.model import Array, estimate, lay_out, records
from extractor.comparison.pairs import BETWEEN_MOUNTINGS, basis, pair_table
from extractor.statistics.power import smallest_detectable

#: Up to so many mountings all sign patterns are counted; beyond, 9,999 of them are drawn.
MOST_EXACT = 14
COLUMNS = (
    "port",
    "against",
    "role",
    "role_against",
    "difference",
    "low",
    "high",
    "mountings",
    "df",
    "p_t",
    "p_sign_flip",
    "smallest_p",
    "detectable",
    "interaction_p",
    "basis",
)
_SAME_MOUNTING = "same mounting"
_OTHER_MOUNTINGS = "other mountings"


@dataclass(frozen=True)
class SignFlip:
    """Exact test of a mean difference of zero by flipping signs."""

    p: float
    smallest_p: float
    """What the test would have given if every difference had pointed the same way."""


def sign_flip(differences: Array) -> SignFlip:
    """Test whether paired differences centre on zero (Fisher 1935, section 21).

    Two-sided; all ``2**n`` patterns up to `MOST_EXACT` differences, above that 9,999 drawn
    ones with a fixed seed.
    """
    from scipy import stats

    count = len(differences)
    exact = count <= MOST_EXACT
    result = stats.permutation_test(
        (differences,),
        np.mean,
        permutation_type="samples",
        vectorized=True,
        n_resamples=math.inf if exact else 9_999,
        rng=np.random.default_rng(0),
    )
    return SignFlip(float(result.pvalue), 2.0 ** (1 - count) if exact else 2 / 10_000)


def port_table(table: pd.DataFrame, confidence: float = 0.95) -> pd.DataFrame:
    """Compare the ports pairwise.

    Parameters
    ----------
    table : DataFrame
        Runs as `lay_out` takes them, with ``value``; an empty ``port`` (a swap of like with
        like) takes no part.
    confidence : float
        Joint confidence over all pairs of ports (Bonferroni where there are more than two).

    Returns
    -------
    DataFrame
        One row a pair of ports: the mean ``difference`` (port minus against) over mountings
        seen on both, its interval by t over those mountings, the p-values of t and of the
        sign-flip test, the smallest p that the latter could have given, and the smallest
        effect found four times out of five. Without such mountings: from the model, with
        ``basis`` "other mountings".
    """
    ports = sorted(table["port"].dropna().unique()) if "port" in table else []
    pairs = list(combinations(ports, 2))
    interaction = interaction_p(table) if pairs else float("nan")
    rows = []
    for port, against in pairs:
        row: dict[str, object] = {"port": port, "against": against}
        row |= {"role": _role(table, port), "role_against": _role(table, against)}
        differences = _differences(table, port, against)
        if len(differences) > 0:
            row |= _from_differences(differences, 1 - (1 - confidence) / len(pairs))
        else:
            row |= _from_model(table, port, against, confidence)
        rows.append(row | {"interaction_p": interaction})
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _role(table: pd.DataFrame, port: str) -> str:
    if "port_role" not in table:
        return ""
    roles = table.loc[table["port"] == port, "port_role"].dropna().unique()
    return str(roles[0]) if len(roles) == 1 else ""


def _differences(table: pd.DataFrame, port: str, against: str) -> Array:
    chosen = table[table["port"].isin([port, against])]
    cells = chosen.groupby(["session", "antenna", "mounting", "port"])["value"].mean().unstack()
    if port not in cells or against not in cells:
        return np.empty(0)
    return np.asarray((cells[port] - cells[against]).dropna().to_numpy(float))


def _from_differences(differences: Array, confidence: float) -> dict[str, object]:
    from scipy import stats

    count = len(differences)
    mean = float(differences.mean())
    row: dict[str, object] = {"difference": mean, "mountings": count, "basis": _SAME_MOUNTING}
    if count < 2:
        return row
    flip = sign_flip(differences)
    se, df = float(differences.std(ddof=1)) / math.sqrt(count), count - 1
    limit = float(stats.t.ppf(0.5 + confidence / 2, df))
    p_t = float(2 * stats.t.sf(abs(mean) / se, df)) if se > 0 else (0.0 if mean else 1.0)
    return row | {
        "low": mean - limit * se,
        "high": mean + limit * se,
        "df": df,
        "p_t": p_t,
        "p_sign_flip": flip.p,
        "smallest_p": flip.smallest_p,
        "detectable": smallest_detectable(se, df, limit),
    }


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
    row: dict[str, object] = {"mountings": 0, "basis": _OTHER_MOUNTINGS}
    fit = estimate(layout, swapped["value"].to_numpy(float))
    if "companion" in layout.dropped or basis(fit) != BETWEEN_MOUNTINGS:
        return row
    pairs = pair_table(fit, confidence=confidence)
    pair = pairs[pairs["first"].isin([port, against]) & pairs["second"].isin([port, against])]
    found = pair.iloc[0]
    sign = 1.0 if found["first"] == port else -1.0
    low, high = sorted((sign * found["low"], sign * found["high"]))
    return row | {
        "difference": sign * found["difference"],
        "low": low,
        "high": high,
        "df": found["df"],
        "p_t": found["p_adjusted"],
        "mountings": len(layout.mountings),
    }


def interaction_p(table: pd.DataFrame) -> float:
    """Return the p-value of "the port effect differs between antennas".

    F-test of antenna x port inside mountings; NaN where nothing is left to test against.
    """
    from scipy import stats

    keys = table["session"] + "/" + table["antenna"] + "/" + table["mounting"]
    blocks = [pd.get_dummies(keys), pd.get_dummies(table["port"])]
    plain = np.hstack([b.to_numpy(float) for b in blocks])
    cells = pd.get_dummies((table["antenna"] + "/" + table["port"]).where(table["port"].notna()))
    full = np.hstack([plain, cells.to_numpy(float)])
    values = table["value"].to_numpy(float)
    (left, rank), (left_full, rank_full) = _leftover(plain, values), _leftover(full, values)
    df, df_error = rank_full - rank, len(values) - rank_full
    if df == 0 or df_error == 0 or left_full <= 1e-18 * float(values @ values):
        return float("nan")
    ratio = max(0.0, left - left_full) / df / (left_full / df_error)
    return float(stats.f.sf(ratio, df, df_error))


def _leftover(matrix: Array, values: Array) -> tuple[float, int]:
    solution, _, rank, _ = np.linalg.lstsq(matrix, values, rcond=None)
    return float(((values - matrix @ solution) ** 2).sum()), int(rank)


def port_findings(ports: pd.DataFrame, table: pd.DataFrame, voice: Voice) -> list[Finding]:
    """Say what `port_table` shows."""
    if ports.empty:
        return [_nothing_to_compare(table)]
    findings = [_one_pair(row, voice) for row in records(ports)]
    findings += _interaction(float(ports["interaction_p"].iloc[0]), voice)
    return findings


def _nothing_to_compare(table: pd.DataFrame) -> Finding:
    seen = sorted(table["port"].dropna().unique()) if "port" in table else []
    where = f"All runs used port {seen[0]}" if seen else "No run names a port of its own"
    return Finding(
        "ports",
        f"{where}, so nothing can be said about ports.",
        "A port effect needs the same mounting seen on at least two ports; a swap of like "
        "with like is a repeat and no comparison of ports.",
    )


def _one_pair(row: dict[str, Any], voice: Voice) -> Finding:
    names = f"{row['port']} and {row['against']}"
    low, high = float(row["low"]), float(row["high"])
    if not math.isfinite(low):
        return _unclear(row, names, voice)
    difference = float(row["difference"])
    more, less = (row["port"], row["against"])
    if difference < 0:
        more, less, low, high = less, more, -high, -low
    size = f"{more} read {voice.amount(abs(difference))} more than {less}"
    range_ = voice.interval(low, high)
    reach = voice.amount(float(row["detectable"]))
    if low > 0:
        sentence = f"The port matters: {size} ({range_})."
    elif round(abs(difference), voice.digits) == 0:
        sentence = f"No port effect was seen: {names} read the same on average ({range_})."
    else:
        sentence = f"No port effect was seen: {size} ({range_})."
    if low <= 0:
        sentence += (
            f" That is not proof that there is none: only an effect of {reach} or more "
            "would have been found four times out of five."
        )
    sentence += _roles(row)
    return Finding("ports", sentence, _how(row), _numbers(row, voice))


def _roles(row: dict[str, Any]) -> str:
    if row["role"] and row["role_against"] and row["role"] != row["role_against"]:
        transmitting = row["port"] if row["role"] == "rxtx" else row["against"]
        return f" {transmitting} also transmits, so the two ports differ in their role as well."
    return ""


def _how(row: dict[str, Any]) -> str:
    if row["basis"] == _OTHER_MOUNTINGS:
        return (
            "No mounting was seen on both ports, so the ports are compared across mountings, "
            "adjusted for the antennas; that needs more mountings than a swap inside one."
        )
    count = int(row["mountings"])
    text = (
        f"{counted(count, 'mounting')} seen on both ports, each compared with itself; interval "
        f"by t over the mountings ({p_text(row['p_t'])}); exact sign-flip test "
        f"{p_text(row['p_sign_flip'])}"
    )
    smallest = float(row["smallest_p"])
    if smallest > 0.05:
        text += f", which with {count} mountings could not have gone below {smallest:.3g}"
    else:
        text += f" (the smallest it could have given is {smallest:.2g})"
    if (row["p_t"] < 0.05) != (row["p_sign_flip"] < 0.05) and smallest <= 0.05:
        text += "; the two disagree, so take the verdict with care"
    return text + "."


def _numbers(row: dict[str, Any], voice: Voice) -> tuple[Quantity, ...]:
    return (
        *voice.quantities({n: float(row[n]) for n in ("difference", "low", "high")}),
        voice.quantity("smallest effect found at 80 % power", float(row["detectable"])),
        Quantity("mountings", float(row["mountings"])),
        Quantity("p of the t-test", float(row["p_t"])),
        Quantity("p of the sign-flip test", float(row["p_sign_flip"])),
        Quantity("smallest possible p of the sign-flip test", float(row["smallest_p"])),
    )


def _unclear(row: dict[str, Any], names: str, voice: Voice) -> Finding:
    if row["mountings"] == 1:
        sentence = (
            f"Whether the port matters can't be said: only one mounting was seen on both {names}"
            f" ({voice.amount(float(row['difference']), sign=True)} on {row['port']})."
        )
    else:
        sentence = (
            f"Whether the port matters can't be said: no mounting was seen on both {names}, "
            "so the port can't be told from the mounting or the antenna."
        )
    return Finding(
        "ports",
        sentence,
        "A port effect needs at least two mountings, each seen on both ports.",
        (Quantity("mountings", float(row["mountings"])),),
    )


def _interaction(p: float, voice: Voice) -> list[Finding]:
    if not math.isfinite(p):
        return [
            Finding(
                "interaction",
                "Whether the port effect is the same for every antenna can't be checked here.",
                "That needs a second mounting of some antennas on both ports, or repeated clips.",
                part="appendix",
            )
        ]
    known = Quantity("p of antenna x port", p)
    how = f"F-test of antenna x port inside mountings ({p_text(p)})."
    if p < 1 - voice.confidence:
        sentence = (
            "The port does not act on every antenna alike: the port effect above is an average, "
            "and the ranking is one over all ports used."
        )
        return [Finding("interaction", sentence, how, (known,))]
    sentence = "No sign that the port effect differs between antennas; that is no proof of it."
    return [Finding("interaction", sentence, how, (known,), "appendix")]
