"""Looks: verdicts taken while mountings are still being added, by plan or without one."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from extractor.comparison.findings import Finding, Quantity, listed
from extractor.errors import TableError
from extractor.session.csv_tables import Table, read_table
from extractor.statistics.power import look_level

#: Who looks without a plan is reckoned to look after every mounting from 2 to so many, or to now.
UNPLANNED = 6


@dataclass(frozen=True)
class Looks:
    """At how many mountings of each antenna was or will be looked."""

    planned: tuple[int, ...] = ()
    """Fixed before the first clip, rising."""
    first: int | None = None
    """Of the earliest comparison that was written, where that is known."""

    def at(self, now: int) -> tuple[int, ...]:
        """Return the looks among which one at `now` mountings stands; only `now` if it is alone."""
        if now < 2:
            return (now,)
        if self.planned:
            return tuple(sorted({*self.planned, now}))
        if self.first is not None and 2 <= self.first < now:
            return tuple(range(2, max(now, UNPLANNED) + 1))
        return (now,)

    def confidence(self, now: int, antennas: int, confidence: float) -> float:
        """Return the confidence of one look that makes `confidence` in all."""
        looks = self.at(now)
        if len(looks) < 2:
            return confidence
        return round(1 - look_level(antennas, looks, 1 - confidence)[0], 4)


NO_LOOKS = Looks()


def planned_looks(table: Table) -> tuple[int, ...]:
    """Return the looks that ``runs.csv`` plans (column ``look``), in mountings of each antenna.

    Raises
    ------
    TableError
        If a cell of the column is no number.
    """
    mounted: dict[float, set[tuple[str, str]]] = {}
    for i, row in enumerate(table.rows):
        look = table.number(i, "look") if row.get("look") else None
        if look is not None and row.get("antenna"):
            mounted.setdefault(look, set()).add((row["antenna"], row.get("mounting", "")))
    names = {antenna for found in mounted.values() for antenna, _ in found}
    found = []
    for look in sorted(mounted):
        so_far = set().union(*(cells for at, cells in mounted.items() if at <= look))
        found.append(min(sum(antenna == name for antenna, _ in so_far) for name in names))
    return tuple(sorted({n for n in found if n > 1}))


def first_look(results: Path, antennas: Sequence[str]) -> int | None:
    """Return at how many mountings these antennas were first compared, as the tables there say.

    None where they do not say.
    """
    try:
        rows = read_table(results / "ranking.csv").rows
        said = json.loads((results / "findings.json").read_text("utf-8"))
        if {row["antenna"] for row in rows} != set(antennas):
            return None
        known = [n["value"] for f in said if f["kind"] == "looks" for n in f["numbers"][:1]]
        return int(min([*known, *(int(row["mountings"]) for row in rows)]))
    except (TableError, OSError, ValueError, LookupError, TypeError):
        return None


def look_findings(
    looks: Looks, now: int, antennas: int, best: str | None, confidence: float
) -> list[Finding]:
    """Say which look this is and whether to go on; nothing where there is only one.

    Parameters
    ----------
    looks : Looks
        Of the session.
    now : int
        Mountings of each antenna by now.
    antennas : int
        How many are compared.
    best : str, optional
        The one that is shown to be the best.
    confidence : float
        Of all looks together.
    """
    at, planned = looks.at(now), looks.planned
    if len(at) < 2:
        return []
    level, careless = look_level(antennas, at, 1 - confidence)
    numbers = (
        Quantity("mountings at the first look", float(at[0] if planned else looks.first or now)),
        Quantity("level of this look", level),
    )
    alpha = f"{100 * (1 - confidence):g} %"
    each = f"every look counts at {100 * level:.1f} %, so that all together stay at {alpha}"
    how = (
        f"Looks at {listed([str(n) for n in at])} mountings of each antenna: {each} (simulated; "
        "Jennison and Turnbull 2000). All intervals here are of that level."
    )
    if not planned:
        sentence = (
            f"You have looked before, without a plan: verdicts at {alpha} after every mounting "
            f"from 2 to {at[-1]} are false in {100 * careless:.1f} % of sessions with equal "
            f"antennas. So {each}; fewer looks, planned (extractor plan --looks), cost less."
        )
        return [Finding("looks", sentence, how, numbers)]
    left = [n for n in planned if n > now]
    where = f"Look {len(planned) - len(left)} of {len(planned)}"
    if now not in planned:
        where = f"A look beside the plan ({now} mountings)"
    if best is not None:
        sentence = f"{where}: {best} is best: you can stop."
    elif left:
        sentence = f"{where}: no best yet; record the next round (to {left[0]} mountings of each)."
    else:
        sentence = f"{where}, the last: what is open now stays open under this plan."
    return [Finding("looks", sentence, how, numbers)]
