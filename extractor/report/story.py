"""What cards and films tell: the ranking in rows and sentences, from any number of rounds."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from extractor.comparison.compare import Comparison
from extractor.comparison.findings import Finding, digits_for, listed
from extractor.comparison.linking import shifting, shifts_of
from extractor.comparison.model import records
from extractor.errors import UsageError
from extractor.pipeline import compare_sessions
from extractor.report import pack
from extractor.report.kept_looks import looks_of
from extractor.report.theme import Look, counts
from extractor.results import Results, load, main_field
from extractor.session.overlay import Field

_CONDITIONS = ("place", "distance_m", "walls", "channel_mhz", "power_mw", "rate_mode")
_UNITS = {"distance_m": "m", "channel_mhz": "MHz", "power_mw": "mW"}
#: What the band of a row is, by the ranking's ``basis``, for who knows no statistics.
_BANDS = {
    "mountings": "In {of_100} of 100 such tests the band holds the antenna's true level.",
    "clips of one mounting": "Bands: from clip to clip, as recorded here; none for the antennas.",
    "none": "No bands: nothing to judge them by.",
}


@dataclass(frozen=True)
class Row:
    """One antenna; numbers in the field's unit, NaN where not known."""

    name: str
    look: Look
    mean: float
    low: float
    high: float
    bound: bool
    """The link was at its ceiling, the real level may be higher."""
    place: str
    """``1``, or ``2–3`` where others can't be told from it; empty where there is no ranking."""
    values: tuple[float, ...]
    """Of each run."""
    n: str


@dataclass(frozen=True)
class Story:
    """All that there is to show of some rounds."""

    results: tuple[Results, ...]
    field: Field
    comparison: Comparison | None
    looks: Mapping[str, Look]
    rows: tuple[Row, ...]
    title: str
    verdict: str
    measure: str
    """What is shown, its unit and which way is better, in words."""
    unit: str
    digits: int
    method: str
    """n, and what the bands are."""
    rounds: tuple[str, ...]
    """What changed from round to round; empty for one."""

    @property
    def conditions(self) -> str:
        """The conditions that matter most, the same ones of several rounds once, as one line."""
        return " | ".join(dict.fromkeys(condition_line(r.conditions) for r in self.results))

    def number(self, value: float) -> str:
        """Return a number as this story writes them."""
        return f"{value:.{self.digits}f}"

    def texts(self) -> str:
        """Return the user's own words, for the choice of fonts."""
        names = [row.look.label for row in self.rows]
        return "".join([self.title, self.verdict, self.conditions, *names])


@contextmanager
def told(
    sessions: Sequence[str | Path],
    *,
    title: str | None = None,
    field: str | None = None,
    compared: bool = True,
) -> Iterator[Story]:
    """Give the story of sessions and packs; packs are open as long as the block lasts.

    One antenna alone has a story too, without a ranking; and what can't be compared, if it need
    not be `compared`.

    Raises
    ------
    UsageError
        If a session was not read, or the sessions don't join.
    SessionFileError
        If a file is wrong.
    """
    with pack.opened_all([Path(one) for one in sessions]) as folders:
        results = tuple(load(one) for one in folders)
        info = main_field(results, field)
        try:
            comparison = compare_sessions(folders, field=info.name)
        except UsageError:
            names = {str(a) for one in results for a in one.rows(info.name)["antenna"] if a}
            if len(names) != 1 and compared:
                raise
            comparison = None
        looks = looks_of(results)
        yield _story(results, info, comparison, looks, title)


def _story(
    results: tuple[Results, ...], info: Field, comparison: Comparison | None,
    looks: Mapping[str, Look], title: str | None,
) -> Story:  # fmt: skip
    if comparison is None:
        rows, unit, measure = _alone(results, info, looks), info.unit, info.name
        better, said = info.direction, "By itself: a comparison needs at least two antennas."
        method = rows[0].n if rows else ""
        noun = "antenna"
    else:
        rows, unit, measure = _ranked(comparison, looks), comparison.unit, measured(comparison)
        better, noun = comparison.better, comparison.factor
        said, method = verdict(comparison, looks), _method(comparison)
    way = f", {better} is better" if better else ""
    return Story(
        results, info, comparison, looks, rows,
title or (f"{len(rows)} {noun}s compared" if len(rows) != 1 else rows[0].look.label),
        said, f"{measure[:1].upper()}{measure[1:]}{f' in {unit}' * bool(unit)}{way}", unit,
        digits_for([row.mean for row in rows]), method,
        tuple(f.sentence for f in round_findings(results, comparison)),
    )  # fmt: skip


def measured(comparison: Comparison) -> str:
    """Say in words what stands for a run."""
    if comparison.measure == "mean":
        return f"Mean {comparison.field}"
    return f"{comparison.field} ({comparison.measure.replace('_', ' ')})"


def _ranked(comparison: Comparison, looks: Mapping[str, Look]) -> tuple[Row, ...]:
    table, rows = records(comparison.ranking), []
    claimed = _claimed(comparison)
    names = [str(row["antenna"]) for row in table]
    for i, row in enumerate(table):
        tied = [names.index(t) for t in _names(row["not_told_apart_from"], names)]
        first = 1 + sum(j < i and j not in tied for j in range(len(table)))
        last = len(table) - sum(j > i and j not in tied for j in range(len(table)))
        place = str(first) if first == last else f"{first}–{last}"
        runs = comparison.runs
        rows.append(
            Row(
                names[i], looks[names[i]], row["mean"], row["low"], row["high"],
                bool(row.get("lower_bound")), place if claimed else "",
                tuple(runs.loc[runs["antenna"] == names[i], "value"]),
                counts(int(row["runs"]), int(row["mountings"])),
            )
        )  # fmt: skip
    return tuple(rows)


def _names(cell: object, known: Sequence[str]) -> list[str]:
    parts = str(cell or "").split(";")
    return [p.strip() for p in parts if p.strip() in known]


def _alone(results: Sequence[Results], info: Field, looks: Mapping[str, Look]) -> tuple[Row, ...]:
    """Return the one row of one antenna: the mean over its mountings."""
    values, means = [], []
    for one in results:
        runs = one.rows(info.name)
        runs = runs[runs["antenna"] != ""]
        values += runs["mean"].dropna().tolist()
        means += runs.groupby("mounting")["mean"].mean().dropna().tolist()
    names = {str(a) for one in results for a in one.summary["antenna"] if a}
    if len(names) != 1:
        return ()
    (name,) = names
    mean = sum(means) / len(means) if means else math.nan
    nan = math.nan
    n = counts(len(values), len(means))
    return (Row(name, looks[name], mean, nan, nan, False, "", tuple(values), n),)


def _claimed(comparison: Comparison) -> bool:
    """Tell whether places are more than the order in which the numbers fell here."""
    known = (comparison.ranking["basis"] == "mountings").any()
    return comparison.better is not None and comparison.fit.df_between > 0 and bool(known)


def verdict(comparison: Comparison, looks: Mapping[str, Look]) -> str:
    """Return the one sentence: who leads, who ties, or that nothing can be said."""
    if comparison.better is None:
        return (
            f"No ranking, highest number on top: whether a higher or a lower {comparison.field} is "
            "better was not said."
        )
    found = next(f.sentence for f in comparison.findings if f.kind == "ranking")
    ties = [group for group in comparison.order.together if len(group) > 1]
    if ties and _claimed(comparison) and "told apart" not in found:
        named = "; ".join(listed([looks[n].label for n in group]) for group in ties)
        found += f" {named} can't be told apart."
    return found


def _method(comparison: Comparison) -> str:
    table = comparison.ranking
    known = [str(b) for b in table["basis"] if b != "none"]  # one mounted once may have none
    band = _BANDS[next(iter(known), "none")].format(
        of_100=math.floor(100 * comparison.confidence + 1e-9)
    )
    text = counts(int(table["runs"].sum()), int(table["mountings"].sum()))
    text = f"{text[0]}{text[1:].replace(',', ' in')}. {band} Ticks: the runs."
    if table["lower_bound"].any():
        text += " ≥: link at its ceiling, the real level may be higher."
    return text


def round_findings(
    results: Sequence[Results], comparison: Comparison | None
) -> tuple[Finding, ...]:
    """Say what changed from round to round, and why a number differs from that of one round.

    Nothing for a single round.
    """
    if comparison is None or len(results) < 2 or comparison.runs["session"].nunique() < 2:
        return ()
    titles = {one.name: one.title for one in results}
    if len(set(titles.values())) < len(titles):
        titles = {name: name for name in titles}
    unit, digits = comparison.unit, digits_for(comparison.ranking["mean"])
    found = shifts_of(comparison.fit)
    unlike = shifting(comparison.fit).p < 1 - comparison.confidence
    sentences = []
    for pair in dict.fromkeys((a, b) for _, a, b, _ in found):
        own = {name: shift for name, a, b, shift in found if (a, b) == pair}
        mean = sum(own.values()) / len(own)
        before, after = (titles.get(name, name) for name in pair)
        if unlike:
            each = listed([f"{name} {shift:+.{digits}f}" for name, shift in own.items()])
            sentences.append(
                f"From {before} to {after} the antennas changed unlike: {each} {unit}."
            )
            continue
        amount = f"{abs(mean):.{digits}f} {unit}".strip()
        whose = "for all" if len(own) > 1 else f"by {next(iter(own))}, the only one in both"
        way = "more" if mean > 0 else "less"
        same = float(f"{mean:.{digits}f}") == 0
        sentences.append(
            f"{after} read the same as {before} {whose}." if same
            else f"{after} read {amount} {way} than {before} {whose}."
        )  # fmt: skip
    how = "Each shared antenna's mean in the later round minus the earlier, their mean."
    shifts = [Finding("rounds", " ".join(sentences), how)] if sentences else []
    return (*shifts, *_alone_and_linked(results, comparison, titles, digits))


def _alone_and_linked(
    results: Sequence[Results], comparison: Comparison, titles: Mapping[str, str], digits: int
) -> list[Finding]:
    linked = dict(zip(comparison.ranking["antenna"], comparison.ranking["mean"], strict=True))
    parts = []
    for one in results:
        try:
            alone = compare_sessions(
                [one.session.root], field=comparison.field, measure=comparison.measure,
                factor=comparison.factor,
            )  # fmt: skip
        except UsageError:
            continue
        own = [
            f"{name} {mean:.{digits}f} (here {linked[name]:.{digits}f})"
            for name, mean in zip(alone.ranking["antenna"], alone.ranking["mean"], strict=True)
            if name in linked and f"{mean:.{digits}f}" != f"{linked[name]:.{digits}f}"
        ]
        parts += [f"{titles[one.name]}: {listed(own)}"] if own else []
    if not parts:
        return []
    sentence = (
        f"By itself each round gives other numbers: {'; '.join(parts)}. Here all rounds are put on "
        "one level by the antennas they share, and every mounting counts."
    )
    return [Finding("rounds_alone", sentence, "Each round compared by itself.", part="appendix")]


def condition_line(conditions: Mapping[str, Any]) -> str:
    """Return the conditions that matter most as one line."""
    parts = []
    for key in _CONDITIONS:
        value = conditions.get(key)
        if value in (None, "") or isinstance(value, dict | list):
            continue
        text = f"{value:g}" if isinstance(value, float) else str(value)
        if key == "walls":
            text = f"{text} wall{'s' * (text != '1')}"
        parts.append(f"{text} {_UNITS[key]}" if key in _UNITS else text)
    return " · ".join(parts)
