"""What must be settled before runs are compared: nothing counts twice, no name stands for two."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from extractor.comparison.model import records
from extractor.errors import TableError
from extractor.session.folder import Session
from extractor.session.recordings import Span, counted_twice, digests_of, lengths_of, originals
from extractor.session.spelling import objections
from extractor.session.user_tables import clips_of

#: What messages call runs that come from no file.
OWN_TABLE = "the table of runs"


def refuse_twins(where: str, runs: pd.DataFrame, factor: str) -> None:
    """Refuse names that are likely one: as two they pass for two antennas, ports or mountings.

    Parameters
    ----------
    where : str
        Where the runs stand, for the message.
    runs : DataFrame
        As `prepare` gives it.
    factor : str
        What the column ``antenna`` holds.

    Raises
    ------
    TableError
        With the first of such names.
    """
    for objection in objections(records(runs), factor):
        raise TableError(f"{where}: {objection}; then compare again")


def refuse_counted_twice(paths: Sequence[Path], tables: Sequence[pd.DataFrame]) -> None:
    """Refuse runs that share seconds of one recording, under whatever names it lies there.

    Parameters
    ----------
    paths : sequence of Path
        Sessions or hand-made tables; none: the clips are known by name alone.
    tables : sequence of DataFrame
        Their runs, as `prepare` gives them.

    Raises
    ------
    TableError
        With the first two of such runs.
    """
    rows = [(i, row, _keys(i, row)) for i, runs in enumerate(tables) for row in records(runs)]
    several = len(paths) > 1
    digests: dict[Hashable, str] = {}
    lengths: dict[Hashable, float] = {}
    for i, path in enumerate(paths):
        if path.is_dir():
            session, own = Session(path), [keys for place, _, keys in rows if place == i]
            clips = {key: key[2] for keys in own for key in keys}
            known = digests_of(session, dict.fromkeys(clips.values()), alone=not several)
            digests |= {key: known[clip] for key, clip in clips.items()}
            if any(len(keys) > 1 for keys in own):  # else lengths do not matter
                long = lengths_of(session, dict.fromkeys(clips.values()))
                lengths |= {key: long[clip] for key, clip in clips.items() if clip in long}
    first = originals(digests)
    spans = [
        Span.of(
            f"run '{row['run']}' ({row['clip']})" + f" of {row['session']}" * several,
            [first.get(key, key) for key in keys],
            *(None if pd.isna(cell := row.get(c)) else cell for c in ("start_s", "end_s")),
        )
        for _, row, keys in rows
        if keys
    ]
    found = counted_twice(spans, {first.get(key, key): s for key, s in lengths.items()})
    if found is None:
        return
    where = ", ".join(map(str, paths)) or OWN_TABLE
    raise TableError(
        f"{where}: {found[0].label} and {found[1].label} count the same seconds of one recording, "
        "so they are no two measurements; take one of the two rows out "
        "of runs.csv, or correct clip, start_s and end_s, then compare again"
    )


def _keys(place: int, row: Mapping[str, Any]) -> list[tuple[int, str, str]]:
    return [(place, row["session"], clip) for clip in clips_of(row.get("clip") or "")]
