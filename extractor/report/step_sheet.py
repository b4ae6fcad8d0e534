"""Attenuator steps planned into a session and printed; refused where they could tell nothing."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from extractor.errors import UsageError
from extractor.radio.cautions import session_cautions
from extractor.report.filling import filled
from extractor.results import Results, load
from extractor.session.atomic import write_text
from extractor.session.folder import Session
from extractor.session.numerals import parse_number
from extractor.session.runs_editing import add_planned
from extractor.session.user_tables import Run
from extractor.statistics.dropouts import low_level

SHEET = "step_sheet.html"
#: Decibels of the pads, up and back down: a link that drifts meanwhile is noticed.
STEPS_DB = (0, 3, 6, 9, 12, 15, 12, 9, 6, 3, 0)
#: With less than so many times the level at which the link counts as out nothing is left to fall.
LEAST_ROOM = 2.0
#: Where the pad is, for people.
PLACES = {"transmitter": "at the transmitter", "all": "in the lines of all ports"}
Padded = Literal["transmitter", "all"]


def write_steps(root: Path, antenna: str, padded: Padded = "transmitter") -> tuple[Path, Path]:
    """Plan the steps of a calibration with one antenna, left as it stands, and print the sheet.

    Parameters
    ----------
    root : Path
        A session whose clips were read.
    antenna : str
        The strongest: it is stepped through the pads.
    padded : {"transmitter", "all"}
        Where the pad is.

    Returns
    -------
    tuple of Path
        ``runs.csv`` and the sheet.

    Raises
    ------
    UsageError
        If steps could not work here, or are planned already; nothing is written.
    """
    session = Session(root)
    results = load(root)
    run = _as_before(session, antenna)
    _refuse_pads(session, padded)
    _refuse_level(results, antenna)
    first = max((parse_number(r.cell("order")) or 0.0 for r in session.runs()), default=0.0)
    rows = [
        {
            "run": f"step-{i:02d}",
            **{name: run.cell(name) for name in ("antenna", "port", "others", "port_role")},
            "mounting": "steps",
            "order": f"{first + i:g}",
            "attenuation_db": f"{step}",
            "padded": padded,
            "notes": f"pad of {step} dB {PLACES[padded]}" if step else "no pad",
        }
        for i, step in enumerate(STEPS_DB, 1)
    ]
    add_planned(session, rows)
    path = session.results / SHEET
    shown = {"antenna": antenna, "place": PLACES[padded], "padded": padded}
    write_text(path, filled(SHEET, rows=rows, cautions=session_cautions(session), **shown))
    return session.runs_path, path


def _as_before(session: Session, antenna: str) -> Run:
    runs = [r for r in session.runs() if r.cell("antenna") == antenna]
    if not runs:
        known = ", ".join(dict.fromkeys(r.cell("antenna") for r in session.runs()))
        raise UsageError(f"steps: no run of '{antenna}' in runs.csv (there are: {known or 'none'})")
    return runs[0]


def _refuse_pads(session: Session, padded: Padded) -> None:
    if padded not in PLACES:
        raise UsageError(f"steps: the pad is 'transmitter' or 'all', not '{padded}'")
    if padded == "transmitter":
        return
    roles = {r.cell("port"): r.cell("port_role") for r in session.runs() if r.cell("port")}
    unsafe = sorted(port for port, role in roles.items() if role != "rx")
    if unsafe:
        raise UsageError(
            f"steps: no pad may come into a line that transmits, and nothing says that "
            f"{', '.join(unsafe)} only receives. Put one pad at the transmitter, within its power "
            "rating; or write rx into port_role of runs.csv where that is so"
        )


def _refuse_level(results: Results, antenna: str) -> None:
    name = results.session.primary_field([f.name for f in results.fields])
    field = results.field(name)
    if field.direction != "higher":
        raise UsageError(
            f"steps: they turn a number into dB that grows with the signal, and '{name}' does not "
            "(better = higher in overlay.toml)"
        )
    own = results.rows(name)
    own = own[own["antenna"] == antenna]
    level, ceiling = float(own["mean"].mean()), float(own.get("ceiling", own["mean"] * 0).max())
    low = low_level(field.direction, field.low, ceiling)
    if level < LEAST_ROOM * low:
        raise UsageError(
            f"steps: {antenna} reads {level:.1f} {field.unit} without any pad, the link is out "
            f"below {low:g}: nothing is left to step down. Come nearer, or step the strongest"
        )
