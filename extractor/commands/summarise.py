"""``extractor summarise``: a series from anywhere."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from extractor.commands import options
from extractor.commands.screen import note, number, say, summary_table


def summarise(
    file: Annotated[Path, typer.Argument(metavar="FILE.csv", help="A table with a header line.")],
    time: Annotated[
        str,
        typer.Option(metavar="COLUMN", help="Column with the time: seconds, h:mm:ss or ISO 8601."),
    ],
    value: Annotated[
        str,
        typer.Option(
            metavar="COLUMN", help="Column with the number; empty: nothing shown; --: no link."
        ),
    ],
    unit: Annotated[str, typer.Option(help="Unit, for the printout.")] = "",
    decimals: options.Decimals = None,
    minimum: options.Minimum = None,
    maximum: options.Maximum = None,
    ceiling: options.Ceiling = None,
    low: options.Low = None,
    better: Annotated[
        options.Better | None,
        typer.Option(
            help="Which is better, higher or lower values.",
            show_default="as the column's name and unit say",
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE.csv", help="Write the statistics here too.")
    ] = None,
) -> None:
    """Clean and summarise a series from anywhere: a hand-kept log, another tool's CSV."""
    from extractor.results import summary_columns
    from extractor.session.csv_tables import write_table
    from extractor.session.overlay import unplaced
    from extractor.session.overlay_file import check_limits
    from extractor.tabulation import clip_tables

    values = (unit, decimals, minimum, maximum, ceiling, low, better)
    said: dict[str, Any] = dict(zip(options.FIELD_OPTIONS, values, strict=True))
    item = unplaced(value, **said)
    check_limits(item, str(file))
    row, notes = clip_tables.summarise_file(file, time, value, item)
    summary_table([row])
    for name in ("n", "n_effective", "median", "p05", "p95", "availability", "dropouts"):
        if number(row[name]):
            say(f"{name}: {number(row[name], 3)}")
    if item.direction is None:
        notes = (*notes, "without --better: no ceiling is looked for, no dropouts, no availability")
    for text in notes:
        note(f"note: {text}")
    if out is not None:
        write_table(out, summary_columns(), [row])
        say(f"Statistics: {out}")
