"""What file names say about runs: which part is the antenna, the port, the mounting."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

_PARTS = re.compile(r"[_\-. ]+")
_MOUNTING = re.compile(r"(?:m|mount|mounting)(\d{1,3})", re.IGNORECASE)
_REPEAT = re.compile(r"(?:r|rep|repeat|take|t)(\d{1,3})", re.IGNORECASE)
_COUNTER = re.compile(r"\d{3}")
#: A receiver has few ports; a part of the name with more values is something else.
MOST_PORTS = 4


@dataclass(frozen=True, slots=True)
class Proposal:
    """Columns of ``runs.csv`` as the file names suggest them."""

    values: Mapping[str, Mapping[str, str]]
    """By clip and column."""

    def levels(self) -> dict[str, list[str]]:
        """Return for each column its different values, sorted."""
        columns = dict.fromkeys(c for cells in self.values.values() for c in cells)
        return {c: sorted({cells[c] for cells in self.values.values()}) for c in columns}


def propose(clips: Sequence[str]) -> Proposal | None:
    """Guess antenna, port, mounting and repeat from names such as ``slab_m1_red.mp4``.

    All names must have the same number of parts; dates and running numbers are passed over. A
    part like ``m1`` is a mounting, ``r2`` or ``take2`` a repeat; of what else differs, the part
    with most values is the antenna and another, with at most four, the port.

    Returns
    -------
    Proposal or None
        None where the names do not say which clip is which antenna.
    """
    split = {clip: _PARTS.split(PurePosixPath(clip).stem) for clip in clips}
    counts = {len(parts) for parts in split.values()}
    if len(clips) < 2 or len(counts) != 1:
        return None
    columns: dict[str, int] = {}
    open_ = []
    for i in range(counts.pop()):
        seen = [parts[i] for parts in split.values()]
        if all(_MOUNTING.fullmatch(s) for s in seen):
            columns.setdefault("mounting", i)
        elif all(_REPEAT.fullmatch(s) for s in seen):
            columns.setdefault("repeat", i)
        elif len(set(seen)) > 1 and not any(s.isdecimal() or _COUNTER.search(s) for s in seen):
            open_.append((i, len(set(seen))))
    if not open_ or len(open_) > 2:
        return None
    antenna = max(open_, key=lambda one: (one[1], -one[0]))
    # As many antennas as clips: then it is more likely a date or a running number.
    if antenna[1] == len(clips) and len(clips) > 4:
        return None
    columns["antenna"] = antenna[0]
    rest = [one for one in open_ if one is not antenna and one[1] <= MOST_PORTS]
    if rest:
        columns["port"] = rest[0][0]
    order = [c for c in ("antenna", "port", "mounting", "repeat") if c in columns]
    return Proposal({c: {k: _value(k, split[c][columns[k]]) for k in order} for c in clips})


def _value(column: str, text: str) -> str:
    if column in ("mounting", "repeat"):
        match = _MOUNTING.fullmatch(text) or _REPEAT.fullmatch(text)
        return str(int(match[1])) if match else text
    return text.capitalize() if text.islower() else text
