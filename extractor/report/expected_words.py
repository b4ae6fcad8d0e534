"""What physics expects, as page and report show it: sentences, one table, what they rest on."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from extractor.errors import ExtractorError
from extractor.radio.assessment import link_report
from extractor.radio.wording import said
from extractor.report.link_tables import expected_rows
from extractor.report.plain_words import explained, plain_table
from extractor.session.antennas import FILE_NAME


def expected_part(root: Path, field: str, measure: str | None = None) -> dict[str, Any] | None:
    """Return what `link_report` says of a session; None without ``antennas.csv``.

    Sentences come as pieces of `explained`. Where the files do not allow it, ``problem`` says why.
    """
    if not (root / FILE_NAME).exists():
        return None
    try:
        report = link_report(root, field=field, measure=measure)
    except ExtractorError as error:
        return {"problem": str(error)}
    told = [one.sentence for one in report.surprises]
    if report.judgements and not told:
        told = [said("surprise", "none")]
    notes = dict.fromkeys(note for one in report.expected for note in one.notes)
    doubted = [
        f"{one.antenna}: {rating.verdict} ({rating.reason})"
        for one, rating in zip(report.antennas, report.ratings, strict=True)
        if rating.verdict not in ("plausible", "")
    ]
    return {
        "sentences": [explained(text) for text in told],
        "how": explained(said("surprise", "how")),
        "table": plain_table("expected", expected_rows(report)),
        "notes": [explained(text) for text in (*doubted, *notes)],
    }
