"""``extractor compare``: which antenna is better, and whether that is real."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from extractor.commands.options import (
    Confidence,
    EqualWithin,
    Factor,
    Field,
    Measure,
    Pool,
    Reference,
)
from extractor.commands.screen import note, say
from extractor.errors import UsageError


def compare(
    sessions: Annotated[
        list[Path],
        typer.Argument(
            help="One or more session folders, files of extractor pack, or a hand-made TABLE.csv "
            "with the columns antenna, value and, where known, port and mounting.",
            metavar="SESSION...",
            show_default=False,
        ),
    ],
    field: Field = None,
    measure: Measure = None,
    factor: Factor = "antenna",
    reference: Reference = None,
    confidence: Confidence = 0.95,
    pool: Pool = False,
    equal_within: EqualWithin = None,
    spread_from: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="SESSION",
            help="Earlier session, pack or table whose spread between mountings counts too; may "
            "be repeated.",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder for the tables.", show_default="results/ of the first session"),
    ] = None,
) -> None:
    """Compare antennas and ports: ranking, what can't be told apart, drift, what to do next."""
    from extractor.pipeline import compare_sessions
    from extractor.report.pack import opened_all
    from extractor.session.folder import results_folder

    for path in (*sessions, *(spread_from or ())):
        if not path.exists():
            raise UsageError(f"{path}: not there; give a session folder or a CSV table")
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
