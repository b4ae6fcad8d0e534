"""``extractor compare``: which antenna is better, and whether that is real."""

from __future__ import annotations

from pathlib import Path

from extractor.commands.screen import note, say


def compare(
    sessions: list[Path],
    field: str | None = None,
    measure: str | None = None,
    factor: str = "antenna",
    reference: str | None = None,
    confidence: float = 0.95,
    pool: bool = False,
    equal_within: float | None = None,
    spread_from: list[Path] | None = None,
    out: Path | None = None,
) -> None:
    """Compare antennas and ports: ranking, what can't be told apart, drift, what to do next."""
    from extractor.pipeline import compare_sessions
    from extractor.report.pack import opened_all
    from extractor.session.folder import results_folder

    with opened_all(sessions) as folders, opened_all(spread_from or ()) as lending:
        comparison = compare_sessions(
            folders,
            field=field,
            measure=measure,
            factor=factor,
            reference=reference,
            confidence=confidence,
            pool=pool,
            equal_within=equal_within,
            spread_from=lending,
        )
    written = comparison.write(out if out is not None else results_folder(sessions[0]))
    say(comparison.text())
    note("Written: " + ", ".join(str(path) for path in written))
