"""The clips that would tell a cause, planned into a session and printed."""

from __future__ import annotations

from pathlib import Path

from extractor.errors import UsageError
from extractor.radio.assessment import link_report
from extractor.radio.causes import COLUMN, PAIRED, Cause
from extractor.radio.cautions import session_cautions
from extractor.radio.discrepancies import Judgement
from extractor.report.filling import filled
from extractor.session.atomic import write_text
from extractor.session.folder import Session
from extractor.session.runs_editing import add_planned
from extractor.session.user_tables import Run

SHEET = "tell_sheet.html"


def write_tell(root: Path, name: str) -> tuple[Cause, Path, Path]:
    """Plan the clips that tell the cause `name` of the session's first surprise that has it.

    The changed clip stands between two of the same antenna left as it was, all in one mounting;
    where a pair tells, both antennas are changed alike.

    Raises
    ------
    UsageError
        If no surprise of the session has such a cause, its clips are planned already, or a pad
        would come into a line that may transmit.
    """
    session = Session(root)
    surprises = link_report(root).surprises
    found = [(one, c) for one in surprises for c in one.causes if c.name == name]
    if not found:
        known = ", ".join(dict.fromkeys(c.name for one in surprises for c in one.causes))
        raise UsageError(f"--tell {name}: no surprise here has it; these are: {known or 'none'}")
    surprise, cause = found[0]
    rows = _rows(session, surprise, cause)
    add_planned(session, rows)
    path = session.results / SHEET
    write_text(path, filled(SHEET, rows=rows, cause=cause, cautions=session_cautions(session)))
    return cause, session.runs_path, path


def _rows(session: Session, surprise: Judgement, cause: Cause) -> list[dict[str, str]]:
    pair = (surprise.antenna, surprise.reference)
    other = pair[1] if cause.subject == pair[0] else pair[0]
    asked = [(cause.subject, False), (cause.subject, True), (cause.subject, False)]
    if cause.name in PAIRED:
        asked = [(cause.subject, True), (other, True), (cause.subject, True), (other, True)]
    changed = {"notes": cause.clip, COLUMN: cause.name}
    return [
        {
            "run": f"tell-{cause.name}-{i}",
            **_as_before(session, antenna, cause.name == "ports"),
            "mounting": f"tell-{cause.name}",
            **(changed if is_changed else {"notes": "as it was"}),
        }
        for i, (antenna, is_changed) in enumerate(asked, 1)
    ]


def _as_before(session: Session, antenna: str, padded: bool) -> dict[str, str]:
    """Port and companions of an earlier run; for a pad one that is not known to transmit."""
    runs = [run for run in session.runs() if run.counts and run.cell("antenna") == antenna]

    def receives(run: Run) -> bool:
        return not (padded and "tx" in run.cell("port_role"))

    usable = sorted(filter(receives, runs), key=lambda run: run.cell("port_role") != "rx")
    if not usable:
        raise UsageError(
            f"{antenna} has no run on a port that only receives: no pad and no load may come into "
            "a line that transmits"
        )
    return {name: usable[0].cell(name) for name in ("antenna", "port", "others", "port_role")}
