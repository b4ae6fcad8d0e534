"""The charts of a report: which there are, how large, what stands under them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import pandas as pd
from matplotlib.figure import Figure

from extractor.comparison.compare import Comparison
from extractor.comparison.drift import drifts
from extractor.comparison.model import records
from extractor.report import theme
from extractor.report.charts import clips, distribution, drift, ports, quality, ranking, style
from extractor.report.kept_looks import looks_of
from extractor.report.story import measured
from extractor.report.theme import Look
from extractor.results import Results
from extractor.session.overlay import Field
from extractor.statistics.dropouts import low_level

NO_ANTENNA = "(no antenna given)"


@dataclass(frozen=True)
class Chart:
    """One picture with its words."""

    name: str
    """Of its files; letters, digits, -."""
    section: str
    """Part of the report that it belongs to."""
    caption: str
    alt: str
    """What it shows, for those who do not see it."""
    figure: Figure


@dataclass(frozen=True)
class Material:
    """What the charts are drawn from."""

    results: tuple[Results, ...]
    field: Field
    second: Field | None
    comparison: Comparison | None

    @cached_property
    def looks(self) -> dict[str, Look]:
        """How each antenna is drawn."""
        ranked = () if self.comparison is None else map(str, self.comparison.ranking["antenna"])
        return looks_of(self.results, [*ranked, NO_ANTENNA])

    @property
    def measure(self) -> str:
        """What stands for a run, in words."""
        return f"Mean {self.field.name}" if self.comparison is None else measured(self.comparison)

    @cached_property
    def order(self) -> list[str]:
        """Antennas from top to bottom: as ranked, else by their mean."""
        runs = points(self.results, self.field.name)
        means = runs.groupby("antenna")["value"].mean()
        names = list(means.sort_values(ascending=self.field.direction == "lower").index)
        if self.comparison is None:
            return names
        ranked = [str(a) for a in self.comparison.ranking["antenna"]]
        return [a for a in ranked if a in names] + [a for a in names if a not in ranked]


def words(material: Material) -> list[str]:
    """Return the user's own words that the charts show, for the choice of fonts."""
    own = [look.label for look in material.looks.values()]
    for shown in (material.field, material.second):
        own += [] if shown is None else [shown.name, shown.unit]
    for one in material.results:
        for column in ("run", "port", "mounting"):
            own += [str(v) for v in one.summary[column].unique()]
    return own


def points(results: Sequence[Results], name: str) -> pd.DataFrame:
    """Return one row a run of one field: the summary's columns, ``session`` and ``value``."""
    parts = [one.rows(name).assign(session=one.name) for one in results]
    runs = pd.concat(parts, ignore_index=True)
    runs["antenna"] = runs["antenna"].replace("", NO_ANTENNA)
    return runs.assign(value=runs["mean"])


def charts(material: Material, groups: Iterable[int] | None = None) -> Iterator[Chart]:
    """Draw the charts one after the other; call inside `style.drawing`.

    `groups` are places in `GROUPS`; all when absent. Groups can be drawn in different processes.
    """
    for i in range(len(GROUPS)) if groups is None else groups:
        draw, what = GROUPS[i]
        part = getattr(material, what)
        if part is not None:
            yield from draw(material, part)


def _spread(material: Material, info: Field) -> Iterator[Chart]:
    yield _distribution(material, info)
    if material.second is not None:
        yield _beside(material, material.second)
    if material.comparison is not None:
        yield from _drift(material, material.comparison)


def _ranking(material: Material, comparison: Comparison) -> Iterator[Chart]:
    table = comparison.ranking
    figure = style.new_figure(9, 1.1 + 0.72 * len(table))
    ranking.draw_ranking(figure.subplots(), comparison, material.looks, material.measure)
    top = "best on top" if comparison.better else "highest number on top, which is no ranking"
    if comparison.better and comparison.fit.df_between == 0:
        top = "as recorded here, no verdict"
    caption = f"{comparison.factor.capitalize()}s, {top}. " + ranking_caption(comparison)
    spoken = [_spoken(row, comparison.unit) for row in records(table)]
    yield Chart("ranking", "ranking", caption, f"Ranking: {'; '.join(spoken)}.", figure)


def ranking_caption(comparison: Comparison) -> str:
    """Name what the ranking's marks are."""
    table = comparison.ranking
    words_ = ranking.interval_words(table, comparison.confidence)
    text = "Large mark and number: adjusted mean"
    if table["low"].notna().any():
        text += f"; thin bar: {words_}"
        if (table["inner_low"].notna() & (table["inner_low"] != table["low"])).any():
            text += "; thick bar: the same for these very mountings"
    else:
        text += f"; {words_}"
    text += "; ticks below: the runs."
    if comparison.order.together:
        text += (
            " A bracket joins those that can't be told apart; whether two bars overlap does not "
            "decide that."
        )
    if table["lower_bound"].any():
        text += " ≥: the link touched its ceiling, the real level may be higher."
    return text


def _spoken(row: Mapping[str, Any], unit: str) -> str:
    text = f"{row['antenna']} {row['mean']:.3g} {unit}"
    if math.isfinite(row["low"]):
        text += f" (interval {row['low']:.3g} to {row['high']:.3g})"
    return f"{text}, {row['runs']} runs in {row['mountings']} mountings"


def _ports(material: Material, comparison: Comparison) -> Iterator[Chart]:
    cells = ports.paired(comparison.runs)
    if not len(cells):
        return
    figure = style.new_figure(9, 4.2)
    ports.draw_ports(
        figure.subplots(), comparison.runs, material.looks, unit=comparison.unit,
        measure=material.measure,
    )  # fmt: skip
    caption = (
        "A line is one mounting, seen on the ports at its ends: it shows what changing the port "
        "did to it. Swaps of like with like are left out."
    )
    yield Chart("ports", "ports", caption, f"{len(cells)} mountings seen on both ports.", figure)


def _clips(material: Material, info: Field) -> Iterator[Chart]:
    drawn = run_series(material, info)
    scale = clips.common_scale(drawn)
    for part, at in enumerate(range(0, len(drawn), clips.MOST_RUNS), 1):
        some = drawn[at : at + clips.MOST_RUNS]
        figure = style.new_figure(*clips.runs_size(len(some)), arranged=False)
        clips.draw_runs(figure, some, scale, info.name, info.unit)
        suffix = f"-{part}" if len(drawn) > clips.MOST_RUNS else ""
        alt = f"{info.name} against time in {len(some)} runs, all on one scale."
        yield Chart(f"runs-{info.name}{suffix}", "clips", clips.LEGEND, alt, figure)


def run_series(material: Material, info: Field) -> list[clips.RunSeries]:
    """Return every run of a field as it is drawn, antenna by antenna."""
    many = len(material.results) > 1
    found = []
    for one in material.results:
        for row in records(one.rows(info.name)):
            name = str(row["antenna"]) or NO_ANTENNA
            title = run_title(row, material.looks[name].label)
            ceiling = _number(row.get("ceiling"))
            run = clips.RunSeries(
                title=f"{one.name[:14]}: {title}" if many else title,
                series=one.series(row, info.name),
                look=material.looks[name],
                mean=_number(row["mean"]),
                low=low_level(info.direction, info.low, ceiling),
                ceiling=ceiling,
            )
            place = material.order.index(name) if name in material.order else math.inf
            found.append((place, run))
    return [run for _, run in sorted(found, key=lambda pair: pair[0])]


def run_title(row: Mapping[str, Any], label: str) -> str:
    """Return ``Slab, Red, mounting 1``; the run's name where the antenna is not known."""
    if not row["antenna"]:
        return theme.short_names([str(row["run"])], 34)[str(row["run"])]
    parts = [label]
    if row.get("port"):
        parts.append(theme.short_names([str(row["port"])], 12)[str(row["port"])])
    if row.get("mounting"):
        parts.append("mounting " + theme.short_names([str(row["mounting"])], 8)[row["mounting"]])
    return ", ".join(parts)


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else math.nan


def _distribution(material: Material, info: Field) -> Chart:
    runs = points(material.results, info.name)
    order = material.order or sorted(set(runs["antenna"]))
    tallest = int(runs.groupby("antenna").size().max())
    figure = style.new_figure(9, 1.0 + len(order) * max(0.7, min(2.5, 0.12 * tallest)))
    distribution.draw_distribution(
        figure.subplots(), runs, order, material.looks, unit=info.unit,
        measure=f"{info.name}: mean (mark) and 5 to 95 % of the readings (line)",
    )  # fmt: skip
    caption = (
        "A mark is one run, its line reaches from the 5 % to the 95 % quantile of the readings in "
        "it; a dark bar is the mean of one mounting."
    )
    alt = f"{len(runs)} runs of {len(order)} antennas, each a dot."
    return Chart("distribution", "distribution", caption, alt, figure)


def _beside(material: Material, second: Field) -> Chart:
    order = material.order
    figure = style.new_figure(9, 1.0 + 0.62 * len(order))
    for axes, info, named in zip(
        figure.subplots(1, 2), (material.field, second), (True, False), strict=True
    ):
        better = f" ({info.direction} is better)" if info.direction else ""
        distribution.draw_distribution(
            axes, points(material.results, info.name), order, material.looks, unit=info.unit,
            measure=f"Mean {info.name}{better}", whiskers=False, named=named,
        )  # fmt: skip
    caption = "A dot is one run; a dark bar is the mean of one mounting. Rows as in the ranking."
    alt = f"{material.field.name} and {second.name} of each run, beside each other."
    return Chart("beside", "beside", caption, alt, figure)


def _drift(material: Material, comparison: Comparison) -> Iterator[Chart]:
    runs = comparison.runs
    if "order" not in runs or runs["order"].isna().all() or runs["session"].nunique() > 1:
        return
    found = next(iter(drifts(comparison.fit, runs)), None)
    figure = style.new_figure(9, 3.8)
    drift.draw_drift(figure.subplots(), comparison, material.looks, found)
    caption = (
        "Each run against its antenna's own level, in the order of recording. Dashed: the "
        "straight drift that is taken out; band: how steep it may be."
        if found is not None
        else "Each run against its antenna's own level, in the order of recording. No drift could "
        "be fitted."
    )
    yield Chart("drift", "drift", caption, f"{len(runs)} runs in the order of recording.", figure)


def _quality(material: Material, info: Field) -> Iterator[Chart]:
    runs = points(material.results, info.name)
    names = [
        run_title({**r, "antenna": "" if r["antenna"] == NO_ANTENNA else r["antenna"]},
                  material.looks[r["antenna"]].label)
        for r in records(runs)
    ]  # fmt: skip
    figure = style.new_figure(9, 1.1 + 0.24 * len(runs))
    quality.draw_quality(figure.subplots(), runs, names)
    caption = f"{info.name}: what the overlay showed at the sampled instants of each run."
    alt = f"Share of readable instants of {info.name} in {len(runs)} runs."
    yield Chart(f"quality-{info.name}", "quality", caption, alt, figure)


#: Charts that are drawn together, in the order of the report, and the part of `Material` that they
#: are of; where that is not there neither are they.
GROUPS: tuple[tuple[Callable[[Material, Any], Iterator[Chart]], str], ...] = (
    *((draw, "comparison") for draw in (_ranking, _ports)),
    *((_clips, field) for field in ("field", "second")),
    (_spread, "field"),
    *((_quality, field) for field in ("field", "second")),
)
