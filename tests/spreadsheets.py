"""Tables as spreadsheets of many countries save them."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from hypothesis import strategies as st

Cells = Sequence[Sequence[str | float | None]]


@st.composite
def saved(draw: st.DrawFn) -> tuple[str, str, str, str, int]:
    """Draw separator, decimal mark, line end, encoding and quoting."""
    return (
        draw(st.sampled_from([",", ";", "\t"])),
        draw(st.sampled_from([".", ","])),
        draw(st.sampled_from(["\n", "\r\n"])),
        draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"])),
        draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])),
    )


def save(rows: Cells, dialect: tuple[str, str, str, str, int]) -> bytes:
    separator, mark, end, encoding, quoting = dialect
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, delimiter=separator, lineterminator=end, quoting=quoting)
    for row in rows:
        writer.writerow(
            "" if c is None else c if isinstance(c, str) else f"{c:g}".replace(".", mark)
            for c in row
        )
    return stream.getvalue().encode(encoding)
