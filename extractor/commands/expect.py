"""``extractor expect``: what link physics expects, and how the measurement stands to it."""

from __future__ import annotations

from itertools import groupby
from math import isinf, isnan
from pathlib import Path
from typing import TYPE_CHECKING

from extractor.commands.screen import note, say, table

if TYPE_CHECKING:
    from extractor.radio.assessment import LinkReport
    from extractor.radio.discrepancies import Judgement
    from extractor.radio.link_budget import Span


def expect(
    session: Path,
    reference: str | None = None,
    field: str = "bitrate",
    measure: str | None = None,
    threshold: float | None = None,
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
    """Print the report: surprises with their budgets first, then what they rest on."""
    from extractor.radio.cautions import NOT_A_COMPLIANCE_TOOL
    from extractor.radio.wording import said

    for one in report.surprises:
        _show_surprise(one)
    if report.surprises:
        say(f"  How we know: {said('surprise', 'how')}\n")
    _show_expected(report)
    say("Ratings")
    rated = ("" if one.gain_dbi is None else f"{one.gain_dbi:g}" for one in report.antennas)
    rows = [
        (one.antenna, dbi, rating.verdict, rating.reason, rating.source)
        for one, dbi, rating in zip(report.antennas, rated, report.ratings, strict=True)
    ]
    table(("antenna", "rated dBi", "verdict", "why", "source"), rows)
    _show_findings(report)
    for remark in report.remarks:
        say(f"- {remark}")
    say(f"\n{NOT_A_COMPLIANCE_TOOL}")


def _show_surprise(one: Judgement) -> None:
    """Print the sentence, the budget that adds up, and the clips that would tell."""
    say(one.sentence)
    start = one.expected.middle["gain"] if one.rated_db is None else one.rated_db
    measured = one.measured
    counted = [cause for cause in one.causes if cause.counted]
    rows = [("believed gain" if one.rated_db is None else "ratings", _number(start), "")]
    rows += [(c.title, _number(c.size.value_db), _range(c.size)) for c in counted]
    rows += [("expected here", _number(one.expected.here.value_db), _range(one.expected.here))]
    shown = f"{_number(measured.value)} {measured.unit}"
    rows += [("measured", shown, _ends(measured.low, measured.high))]
    rows += [("left over", f"{one.left_over_db:+.1f}" if one.left_over_db else "nothing", "")]
    if one.own is not None:
        rows += [("measured, ports undone", _number(one.own.value_db), _range(one.own))]
    table(("budget", "dB", "range"), rows)
    clips = [
        (
            *(c.title, f"{'' if c.counted else 'up to '}{_number(c.size.value_db)}"),
            *(f"{c.clip} ({c.name})", f"{c.if_so_db:+.1f}", f"{c.if_not_db:+.1f}", c.verdict),
        )
        for c in one.causes
    ]
    heads = ("could explain", "dB", "the clip that would tell (--tell)", "if so", "if not", "told")
    table(heads, clips)


def _show_expected(report: LinkReport) -> None:
    say(f"Expected difference to {report.reference.antenna} in dB")
    names = ("gain", "cable", "polarisation", "pointing", "mismatch")
    rows = []
    for one in report.expected:
        values = [_number(getattr(one, name).value_db) for name in names]
        spans = (one.total, one.ports, one.here)
        ranges = (f"{_number(span.value_db)} ({_range(span)})" for span in spans)
        rows.append((one.antenna, *values, *ranges))
    table(("antenna", *names, "alone, in sight", "with the ports", "and walls"), rows)
    if report.judgements:
        unit = report.judgements[0].measured.unit
        seen = [(one.antenna, one.measured, one.agreement) for one in report.judgements]
        told = [(a, _number(m.value), _ends(m.low, m.high), verdict) for a, m, verdict in seen]
        table(("antenna", f"measured {unit}", "interval", "verdict"), told)
    for remark in dict.fromkeys(text for one in report.expected for text in one.notes):
        say(f"  {remark}")
    say()


def _show_findings(report: LinkReport) -> None:
    for how, findings in groupby(report.findings, key=lambda finding: finding.how_we_know):
        for finding in findings:
            say(f"- {finding.sentence}")
        say(f"  How we know: {how}")


def _number(value: float | None) -> str:
    return f"{round(value, 1) + 0.0:+.1f}" if value is not None and value == value else "open"


def _range(span: Span) -> str:
    return _ends(span.low_db, span.high_db)


def _ends(low: float, high: float) -> str:
    if isnan(low) or (isinf(low) and isinf(high)):
        return "not known"
    if isinf(high):
        return f"at least {low:+.1f}"
    return f"at most {high:+.1f}" if isinf(low) else f"{low:+.1f} to {high:+.1f}"
