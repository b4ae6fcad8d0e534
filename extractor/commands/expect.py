"""``extractor expect``: what link physics expects, and how the measurement stands to it."""

from __future__ import annotations

from itertools import groupby
from math import isinf, isnan
from typing import TYPE_CHECKING, Annotated

import typer

from extractor.commands.options import Measure, SessionFolder
from extractor.commands.screen import note, say, table

if TYPE_CHECKING:
    from extractor.radio.assessment import LinkReport
    from extractor.radio.link_budget import Span


def expect(
    session: SessionFolder,
    reference: Annotated[
        str | None,
        typer.Option(
            help="Antenna that the others are compared with.",
            show_default="the first of antennas.csv with a rated gain",
        ),
    ] = None,
    field: Annotated[str, typer.Option(help="Field of the results to hold against it.")] = (
        "bitrate"
    ),
    measure: Measure = None,
    threshold: Annotated[
        float | None,
        typer.Option(
            help="For a sweep: the level, in the field's unit, that must be kept.",
            show_default="no coverage shown",
        ),
    ] = None,
) -> None:
    """Say what antennas.csv lets one expect in dB, and whether the results agree."""
    from extractor.radio.assessment import link_report
    from extractor.report.link_tables import write_link_results

    report = link_report(
        session, reference=reference, field=field, measure=measure, threshold=threshold
    )
    show(report)
    for path in write_link_results(report, session):
        note(f"written: {path}")


def show(report: LinkReport) -> None:
    """Print the report: ratings, expectation, findings, disagreements, remarks, cautions."""
    from extractor.radio.cautions import NOT_A_COMPLIANCE_TOOL

    say("Ratings")
    table(
        ("antenna", "rated dBi", "verdict", "why", "source"),
        [
            (
                a.antenna,
                "" if a.gain_dbi is None else f"{a.gain_dbi:g}",
                r.verdict,
                r.reason,
                r.source,
            )
            for a, r in zip(report.antennas, report.ratings, strict=True)
        ],
    )
    _show_expected(report)
    _show_judgements(report)
    _show_findings(report)
    for remark in report.remarks:
        say(f"- {remark}")
    say(f"\n{NOT_A_COMPLIANCE_TOOL}")


def _show_expected(report: LinkReport) -> None:
    say(f"Expected difference to {report.reference.antenna} in dB, in line of sight")
    names = ("gain", "cable", "polarisation", "pointing", "mismatch", "total")
    rows = []
    for one in report.expected:
        values = [_number(getattr(one, name).value_db) for name in names]
        rows.append((one.antenna, *values, _range(one.total)))
    table(("antenna", *names, "range"), rows)
    for remark in dict.fromkeys(n for one in report.expected for n in one.notes):
        say(f"  {remark}")
    say()


def _show_judgements(report: LinkReport) -> None:
    if not report.judgements:
        return
    unit = report.judgements[0].measured.unit
    say(f"Expected against measured, {report.reference.antenna} as reference")
    table(
        ("antenna", "expected dB", f"measured {unit}", "interval", "verdict"),
        [
            (
                one.antenna,
                _range(one.expected),
                _number(one.measured.value),
                _ends(one.measured.low, one.measured.high),
                one.agreement,
            )
            for one in report.judgements
        ],
    )
    for one in report.judgements:
        if one.causes:
            say(f"- {one.sentence}")
            for i, cause in enumerate(one.causes, 1):
                say(f"    {i}. {cause.title}: {cause.reason}.")
    say()


def _show_findings(report: LinkReport) -> None:
    for how, findings in groupby(report.findings, key=lambda finding: finding.how_we_know):
        for finding in findings:
            say(f"- {finding.sentence}")
        say(f"  How we know: {how}")


def _number(value: float | None) -> str:
    return f"{value:+.1f}" if value is not None and value == value else "open"


def _range(span: Span) -> str:
    return _ends(span.low_db, span.high_db)


def _ends(low: float, high: float) -> str:
    if isnan(low) or (isinf(low) and isinf(high)):
        return "not known"
    if isinf(high):
        return f"at least {low:+.1f}"
    return f"at most {high:+.1f}" if isinf(low) else f"{low:+.1f} to {high:+.1f}"
