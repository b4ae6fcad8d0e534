"""Each antenna's colour and mark: chosen once, and kept in ``antennas.csv``."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import suppress

from extractor.errors import ExtractorError
from extractor.report.theme import Look, looks
from extractor.results import Results
from extractor.session.antennas import COLUMNS, FILE_NAME, read_antennas
from extractor.session.csv_editing import TableFile
from extractor.session.folder import Session
from extractor.session.spelling import folded


def looks_of(results: Sequence[Results], further: Iterable[str] = ()) -> dict[str, Look]:
    """Return how each antenna of some sessions is drawn.

    What stands in ``antennas.csv`` holds, that of the session named first before the others'; who
    has nothing yet gets it in the order of recording, and where a session has the file it is
    written there. A file that cannot be read or written is left alone.

    Parameters
    ----------
    results : sequence of Results
        The earliest first.
    further : iterable of str
        Names beyond those of the summaries.
    """
    kept: dict[str, tuple[str, str]] = {}
    names: list[str] = []
    for one in results:
        rows = one.summary.sort_values("order", kind="stable", na_position="last")
        own = list(dict.fromkeys(str(a) for a in rows["antenna"]))
        names += own
        with suppress(ExtractorError):
            table = read_antennas(one.session.root / FILE_NAME)
            spelt = {folded(name): name for name in own}
            for row in table:
                if row.colour or row.mark:
                    name = spelt.get(folded(row.antenna), row.antenna)
                    kept.setdefault(name, (row.colour, row.mark))
    found = looks([*names, *further], kept)
    for one in results:
        with suppress(ExtractorError):
            _keep(one.session, {a: found[a] for a in map(str, one.summary["antenna"]) if a})
    return found


def _keep(session: Session, chosen: dict[str, Look]) -> None:
    path = session.root / FILE_NAME
    if not path.exists():
        return  # to make one would say that no clip's name may hold another antenna
    with session.editing():
        table = TableFile.load(path, COLUMNS)
        rows = {folded(row.get("antenna", "")): row for row in table.rows}
        changed = False
        for name, look in chosen.items():
            row = rows.get(folded(name))
            if row is None:
                row = {"antenna": name}
                table.rows.append(row)
            for column in ("colour", "mark"):
                if not row.get(column):
                    table.set(row, column, getattr(look, column))
                    changed = True
        if changed:
            table.save()
