"""Did any link drop out? Named whatever the comparison counts by."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path

from extractor.comparison.compare import Comparison
from extractor.comparison.findings import MOST_NAMED, Finding, Moment, Quantity
from extractor.comparison.loading import session_names
from extractor.comparison.model import records
from extractor.results import Results, load
from extractor.statistics.dropouts import DROPOUT_S, UNSEEN_S, low_level
from extractor.tabulation.link_events import LinkEvent, link_events

#: So many moments are named at most, the longest.
MOST_MOMENTS = 12
#: What is said of one antenna or of several, and of a single moment.
_SAID = {
    "lost": ("{who} lost the link", "link lost"),
    "hidden": ("with {who} the overlay was hidden", "overlay hidden"),
    "frozen": ("with {who} the picture froze", "picture frozen"),
}


def events_in(paths: Sequence[str | Path], compared: Comparison) -> list[Finding]:
    """Say what happened to the links in the runs that were compared."""
    sessions = zip(map(Path, paths), session_names(list(map(Path, paths))), strict=True)
    results = [replace(load(path), name=name) for path, name in sessions if path.is_dir()]
    used = {(str(row["session"]), str(row["run"])) for row in records(compared.runs)}
    return lost_in(results, compared.field, used)


def lost_in(
    results: Sequence[Results], field: str, used: Collection[tuple[str, str]] | None = None
) -> list[Finding]:
    """Say what happened to the links of sessions; in these (session, run) where they are given."""
    if not results:
        return []
    found = [event for one in results for event in link_events(one, field)]
    found = [e for e in found if used is None or (e.session, e.run) in used]
    marked, ceilings = results[0].field(field), results[0].rows(field).get("ceiling")
    top = float(ceilings.max()) if ceilings is not None else math.nan
    low = low_level(marked.direction, marked.low, top)
    return lost_findings(found, "" if math.isnan(low) else f"{low:g} {marked.unit}".strip())


def lost_findings(found: Sequence[LinkEvent], level: str) -> list[Finding]:
    """Say which link was lost, hidden or frozen, how often and for how long.

    Parameters
    ----------
    found : sequence of LinkEvent
        Of all runs that were compared.
    level : str
        Below which the link counted as out, such as ``4 Mbit/s``; "" where nobody knows.
    """
    parts = [] if any(e.kind == "lost" for e in found) else ["no link dropped out"]
    numbers = []
    for kind, (text, _) in _SAID.items():
        own: dict[str, list[float]] = {}
        for event in (e for e in found if e.kind == kind):
            own.setdefault(event.antenna or event.run, []).append(event.length_s)
        worst = sorted(own, key=lambda name: -max(own[name]))
        if len(worst) > MOST_NAMED:
            many = text.format(who=f"{len(worst)} antennas")
            parts.append(f"{many}, {worst[0]} for the longest, {max(own[worst[0]]):.1f} s")
        else:
            parts += [f"{text.format(who=name)} {_times(own[name])}" for name in worst]
        numbers += [Quantity(f"{name}, {kind}", max(own[name]), "s") for name in worst]
    sentence = "; ".join(parts) + "."
    below = f"or below {level}" if level else "(no low level is known: set low in overlay.toml)"
    moments = [
        Moment(
            e.session,
            e.clip,
            round(e.time_s, 2),
            f"{e.antenna or e.run}: {_SAID[e.kind][1]}, {e.length_s:.1f} s",
        )
        for e in sorted(found, key=lambda e: -e.length_s)[:MOST_MOMENTS]
    ]
    return [
        Finding(
            "events",
            sentence[0].upper() + sentence[1:],
            f"Out: a dash {below} for at least {DROPOUT_S:g} s; hidden or frozen: at least "
            f"{UNSEEN_S:g} s; clip by clip in summary.csv (dropouts, longest_dropout_s).",
            tuple(numbers),
            moments=tuple(moments),
        )
    ]


def _times(lengths: Sequence[float]) -> str:
    often = {1: "once", 2: "twice"}.get(len(lengths), f"{len(lengths)} times")
    return f"{often}, for {'' if len(lengths) == 1 else 'up to '}{max(lengths):.1f} s"
