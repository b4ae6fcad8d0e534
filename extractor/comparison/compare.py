"""The comparison from end to end: a table of runs in, tables and findings out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from extractor.comparison import checks, linking
from extractor.comparison.admission import OWN_TABLE, refuse_counted_twice, refuse_twins
from extractor.comparison.advice import next_finding
from extractor.comparison.carried import Carried
from extractor.comparison.drift import drift_findings, unused_factors
from extractor.comparison.findings import (
    Finding,
    Quantity,
    Voice,
    counted,
    digits_for,
    listed,
    to_json,
    to_text,
)
from extractor.comparison.loading import CONDITIONS, UNNAMED_MOUNTING, RunTable, uncut
from extractor.comparison.looks import look_findings
from extractor.comparison.model import COVARIATES, Fit, estimate, lay_out, records
from extractor.comparison.pairs import Ordering, ordering, pair_table
from extractor.comparison.port_choice import port_choice
from extractor.comparison.ports import port_findings, port_table
from extractor.comparison.ranking import (
    best_finding,
    ranking_findings,
    ranking_table,
    spread_finding,
)
from extractor.errors import UsageError
from extractor.session.atomic import write_text
from extractor.session.csv_tables import write_table


@dataclass(frozen=True, kw_only=True)
class Comparison(RunTable):
    """The runs that were used, and everything that one comparison says of them."""

    confidence: float
    ranking: pd.DataFrame
    """See `ranking_table`."""
    ports: pd.DataFrame
    """See `port_table`."""
    pairs: pd.DataFrame
    """See `pair_table`."""
    order: Ordering
    findings: tuple[Finding, ...] = ()
    """Verdicts in the order in which they should be read, then the appendix."""
    fit: Fit
    reference: str | None = None
    """The antenna that all others were compared with alone."""
    equal_within: float | None = None
    """Difference, in the unit, up to which two antennas count as equal."""

    @property
    def voice(self) -> Voice:
        """How its numbers are said."""
        noun = self.factor.replace("_", " ")
        return Voice(self.unit, digits_for(self.runs["value"]), self.confidence, noun)

    def text(self) -> str:
        """Return the findings for reading."""
        return to_text(self.findings)

    def write(self, folder: Path) -> tuple[Path, ...]:
        """Write ``ranking.csv``, ``ports.csv``, ``pairs.csv`` and ``findings.json``.

        Raises
        ------
        StorageError
            If one cannot be written.
        """
        paths = []
        for name in ("ranking", "ports", "pairs"):
            table: pd.DataFrame = getattr(self, name)
            paths.append(folder / f"{name}.csv")
            write_table(paths[-1], [str(c) for c in table.columns], records(table))
        paths.append(folder / "findings.json")
        write_text(paths[-1], to_json(self.findings))
        return tuple(paths)


def compare_table(
    table: RunTable,
    *,
    reference: str | None = None,
    confidence: float = 0.95,
    pool: bool = False,
    equal_within: float | None = None,
    carried: Carried | None = None,
    also: Sequence[Finding] = (),
) -> Comparison:
    """Compare the antennas of a table of runs.

    Parameters
    ----------
    table : RunTable
        As from `load_sessions`, or made of a DataFrame with `prepare`.
    reference : str, optional
        Compare every antenna with this one alone.
    confidence : float
        Of all statements about pairs together, 0.5 to 0.999.
    pool : bool
        Pool runs that differ in rate mode, power, channel or width.
    equal_within : float, optional
        Difference, in the unit, up to which two antennas count as equal; more than 0.
    carried : Carried, optional
        Spread between mountings from other sessions, see `carried_spread`.
    also : sequence of Finding
        What others found in the same runs, to be read with the rest.

    Raises
    ------
    UsageError
        If fewer than two antennas are left, the reference is none of them, or sessions share
        no antenna.
    TableError
        If runs share seconds of a clip, or a name is written in two ways.

    Examples
    --------
    >>> import pandas as pd
    >>> from extractor import compare_table
    >>> from extractor.comparison.loading import RunTable, prepare
    >>> levels = {"Slab": (38.6, 37.8), "Coil": (30.7, 32.0), "Stub": (26.2, 24.8)}
    >>> rows = [
    ...     {"antenna": name, "mounting": mounting, "value": value}
    ...     for name, values in levels.items()
    ...     for mounting, value in enumerate(values, 1)
    ... ]
    >>> runs, skipped = prepare(pd.DataFrame(rows))
    >>> comparison = compare_table(RunTable(runs, "bitrate", "mean", "Mbit/s", "higher"))
    >>> comparison.ranking[["antenna", "mean"]].round(1).values.tolist()
    [['Slab', 38.2], ['Coil', 31.3], ['Stub', 25.5]]
    """
    if not 0.5 <= confidence <= 0.999:
        raise UsageError(f"confidence {confidence:g} is not between 0.5 and 0.999")
    if equal_within is not None and not equal_within > 0:
        raise UsageError(f"equal within {equal_within:g}: must be more than 0")
    refuse_twins(OWN_TABLE, table.runs, table.factor)
    refuse_counted_twice((), [table.runs])
    runs, mixed = _one_condition(table.runs, pool, table.factor)
    _check_levels(runs, reference, table.factor)
    table = uncut(replace(table, runs=runs))
    runs = table.runs
    linking.require_connected(runs)
    count, now = runs["antenna"].nunique(), _mounted(runs)
    over_all, confidence = confidence, table.looks.confidence(now, count, confidence)
    fit, ports = _fitted(runs, table.factor, confidence, carried)
    asked: dict[str, Any] = {"confidence": confidence, "reference": reference}
    pairs = pair_table(fit, better=table.better, equal_within=equal_within, **asked)
    order = ordering(fit, pairs, table.better, **asked)
    ranking = ranking_table(table, fit, order, confidence)
    if carried is not None and carried.unit != table.unit:
        raise UsageError(
            f"{listed(carried.names)}: the unit is '{carried.unit}', here '{table.unit}'; a spread "
            "is carried over between sessions of the same field"
        )
    comparison = Comparison(
        **vars(table),
        **asked,
        ranking=ranking.assign(field=table.field, measure=table.measure, unit=table.unit),
        ports=ports.assign(unit=table.unit),
        pairs=pairs.assign(unit=table.unit),
        order=order,
        fit=fit,
        equal_within=equal_within,
    )
    found = [*table.doubts, *checks.draft_findings(runs), *checks.outage_finding(comparison)]
    found += [*mixed, *_left_out(table.skipped, runs)]
    looked = look_findings(table.looks, now, count, order.best, over_all)
    found += _findings(comparison, looked, carried)
    found = [*(_secondary(f, table) for f in found), *also]
    return replace(comparison, findings=tuple(sorted(found, key=lambda f: f.part != "verdict")))


def _mounted(runs: pd.DataFrame) -> int:
    """Return how often each antenna was mounted at least."""
    each = runs[["session", "antenna", "mounting"]].drop_duplicates()
    return int(each["antenna"].value_counts().min())


def _fitted(
    runs: pd.DataFrame, factor: str, confidence: float, carried: Carried | None
) -> tuple[Fit, pd.DataFrame]:
    """Return the fit and what the ports do; where they act unlike, clips are free of that."""
    factors = [c for c in COVARIATES if c != factor]
    values = runs["value"].to_numpy(float)
    layout = lay_out(runs, factors)
    known = (carried.mean_square(layout), carried.df) if carried is not None else (0.0, 0.0)
    fit = estimate(layout, values, known)
    ports = port_table(fit, runs, confidence)
    if (ports["antenna"] != "").any():
        fit = estimate(lay_out(runs, factors, own_ports=True), values, known)
    if runs["session"].nunique() > 1:
        fit = linking.with_shifts(fit)
    return replace(fit, hidden=checks.all_at_ceiling(runs)), ports


def _secondary(finding: Finding, table: RunTable) -> Finding:
    """Mark what is said of who is ahead by a number that does not decide the session."""
    if table.primary in ("", table.field) or finding.kind not in ("ranking", "pairs"):
        return finding
    how = f" {table.primary} decides this session; {table.field} only describes it."
    return replace(
        finding,
        sentence=f"Secondary, {table.field}: {finding.sentence}",
        how_we_know=finding.how_we_know + how,
    )


def _findings(
    comparison: Comparison, looked: list[Finding], carried: Carried | None
) -> list[Finding]:
    runs, fit, voice = comparison.runs, comparison.fit, comparison.voice
    known = comparison.better is not None
    return [
        *ranking_findings(comparison),
        *checks.ceiling_findings(comparison),
        *port_findings(comparison.ports, runs, voice),
        *port_choice(comparison),
        *drift_findings(fit, runs, voice),
        *([carried.finding(voice)] if carried is not None else []),
        *linking.link_findings(fit, runs, voice),
        *linking.side_findings(runs, voice, comparison.better),
        *checks.outlier_findings(fit, runs, voice),
        *checks.unlike_spread_findings(fit, voice),
        *(checks.few_mountings_finding(fit, voice) if known else []),
        *unused_factors(fit.layout.dropped),
        *(looked or ([next_finding(comparison)] if known else [])),
        spread_finding(fit, voice),
        *best_finding(comparison.ranking),
        *checks.companion_findings(runs),
        *checks.thin_clip_findings(runs),
    ]


def _check_levels(runs: pd.DataFrame, reference: str | None, factor: str) -> None:
    names = sorted(runs["antenna"].unique())
    if len(names) < 2:
        raise UsageError(
            f"only {listed(names) or 'nothing'} is left to compare in '{factor}'; a comparison "
            "needs at least two"
        )
    if reference is not None and reference not in names:
        raise UsageError(f"reference '{reference}' is not among {', '.join(names)}")


def _one_condition(
    runs: pd.DataFrame, pool: bool, factor: str
) -> tuple[pd.DataFrame, list[Finding]]:
    """Keep, in each session, the condition with the most runs, unless told to pool."""
    known = [c for c in CONDITIONS if c in runs and c != factor]
    if not known:
        return runs, []
    labels = runs[known].apply(
        lambda row: ", ".join(f"{c} {row[c]}" for c in known if pd.notna(row[c])), axis=1
    )
    runs = runs.assign(condition=labels)
    counts = runs.groupby(["session", "condition"]).size()
    if len(counts) == runs["session"].nunique():
        return runs, []
    what = "; ".join(
        f"{row['condition'] or 'not given'}: {counted(row['runs'], 'run')}"
        for row in records(counts.reset_index(name="runs"))
    )
    how = f"Columns {listed(known)} of runs.csv over session.toml."
    if pool:
        sentence = (
            f"Runs under different conditions are pooled, as you asked ({what}). Differences "
            "between antennas may not be the same under each of them."
        )
        return runs, [Finding("conditions", sentence, how)]
    main = runs.groupby("session")["condition"].transform(lambda c: c.value_counts().index[0])
    kept = runs[runs["condition"] == main].reset_index(drop=True)
    sentence = (
        f"The runs differ in their conditions ({what}) and are not pooled: this comparison uses "
        f"{'; '.join(sorted(kept['condition'].unique()))} only ({counted(len(kept), 'run')} of "
        f"{len(runs)}). Pool them with --pool, or compare them with --factor."
    )
    return kept, [Finding("conditions", sentence, how, (Quantity("runs used", float(len(kept))),))]


def _left_out(skipped: Sequence[str], runs: pd.DataFrame) -> Iterator[Finding]:
    if skipped:
        yield Finding(
            "left_out",
            f"{counted(len(skipped), 'run')} left out: {listed(skipped)}.",
            "Rows of the summary without antenna or value.",
        )
    unnamed = runs[runs["mounting"].str.endswith(UNNAMED_MOUNTING)]
    if unnamed.groupby(["session", "antenna"]).size().gt(1).any():
        yield Finding(
            "mounting_unknown",
            "The column mounting is empty, so all clips of an antenna count as one mounting. "
            "If an antenna was taken off and put on again between clips, number the "
            "mountings in runs.csv: it makes a stronger statement possible.",
            "Column mounting of runs.csv.",
        )
