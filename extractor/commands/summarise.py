"""``extractor summarise``: a series from anywhere."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from extractor.commands import options
from extractor.commands.screen import note, number, say, summary_table


def summarise(
    file: Path,
    time: str,
    value: str,
    unit: str = "",
    decimals: int | None = None,
    minimum: float | None = None,
    maximum: float | None = None,
    ceiling: float | None = None,
    low: float | None = None,
    better: options.Better | None = None,
    out: Path | None = None,
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
