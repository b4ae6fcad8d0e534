"""The plan on disk and on paper: ``runs.csv`` and the printable run sheet."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from extractor.comparison.run_order import (
    OrderKind,
    PlannedRun,
    Timing,
    batteries,
    packs_needed,
    plan_runs,
    total_minutes,
)
from extractor.errors import UsageError
from extractor.radio.cautions import cautions
from extractor.radio.combining import added_db
from extractor.radio.fading import SLIDE_M, SPOT_DISTANCE_MM
from extractor.report.filling import filled
from extractor.session.atomic import write_text
from extractor.session.csv_tables import write_table
from extractor.session.folder import Session
from extractor.session.runs_editing import is_draft
from extractor.session.user_tables import RUN_COLUMNS

COLUMNS = (*RUN_COLUMNS[:-1], "battery", RUN_COLUMNS[-1])
#: What hangs on the other ports when the user does not say it.
COMPANION = "companion"
SHEET = "run_sheet.html"


@dataclass(frozen=True)
class Plan:
    """A planned session."""

    antennas: tuple[str, ...]
    ports: tuple[str, ...]
    mountings: int = 3
    repeats: int = 1
    reference: str | None = None
    seed: int = 0
    kind: OrderKind = "split"
    companion: str = COMPANION
    """Antenna on the ports that are not under test, the same in every run."""
    timing: Timing = field(default_factory=Timing)
    looks: tuple[int, ...] = ()
    """Mountings of each antenna at which to look, the last of them `mountings`."""

    def runs(self) -> tuple[PlannedRun, ...]:
        """Return the runs; see `plan_runs`."""
        asked = ("mountings", "repeats", "reference", "seed", "kind", "looks")
        options: dict[str, Any] = {name: getattr(self, name) for name in asked}
        return plan_runs(self.antennas, self.ports, **options)


def run_rows(plan: Plan, runs: Sequence[PlannedRun]) -> list[dict[str, object]]:
    """Return the rows of ``runs.csv``, clips still empty."""
    packs = batteries(runs, plan.timing)
    width = len(str(len(runs)))
    return [
        {
            "run": f"r{run.order:0{width}d}",
            "antenna": run.antenna,
            "port": run.port,
            "others": ";".join(f"{p}={plan.companion}" for p in plan.ports if p != run.port),
            "mounting": run.mounting,
            "position": f"spot {run.spot}",
            "repeat": run.repeat,
            "order": run.order,
            "battery": pack,
            "look": run.look,
        }
        for run, pack in zip(runs, packs, strict=True)
    ]


def render_sheet(plan: Plan, runs: Sequence[PlannedRun], power_mw: float | None = None) -> str:
    """Return the run sheet as one HTML page that needs nothing else.

    Parameters
    ----------
    plan : Plan
        What was asked.
    runs : sequence of PlannedRun
        As from `Plan.runs`.
    power_mw : float, optional
        Transmitter power in milliwatts, for the cautions.
    """
    return filled(
        SHEET,
        plan=plan,
        rows=[{"row": r, "run": run} for r, run in zip(run_rows(plan, runs), runs, strict=True)],
        minutes=math.ceil(total_minutes(runs, plan.timing)),
        packs=packs_needed(runs, plan.timing),
        spots=max(run.spot for run in runs),
        spot_distance_mm=SPOT_DISTANCE_MM,
        slide_m=SLIDE_M,
        shown_db=[_shown_of_10_db(len(plan.ports) - 1, pad) for pad in (0.0, 20.0)],
        cautions=cautions(power_mw),
        command=_command(plan),
    )


def _shown_of_10_db(others: int, pad_db: float) -> float:
    lines = [-pad_db] * others
    return float(added_db([10.0, *lines]) - added_db([0.0, *lines]))


def _command(plan: Plan) -> str:
    parts = [
        "extractor plan SESSION",
        f"--antennas {','.join(plan.antennas)}",
        f"--ports {','.join(plan.ports)}",
        f"--looks {','.join(map(str, plan.looks))}" * bool(plan.looks)
        or f"--mountings {plan.mountings}",
        f"--repeats {plan.repeats}",
        f"--seconds {plan.timing.seconds:g}",
        f"--order {plan.kind}",
        f"--seed {plan.seed}",
    ]
    if plan.reference is not None:
        parts.insert(5, f"--reference {plan.reference}")
    return " ".join(parts)


def write_plan(root: Path, plan: Plan, *, replace: bool = False) -> tuple[Path, Path]:
    """Write ``runs.csv`` and ``results/run_sheet.html`` of a session.

    Parameters
    ----------
    root : Path
        The session folder; made when missing.
    plan : Plan
        What to plan.
    replace : bool
        Overwrite a ``runs.csv`` that is there; the one before is kept as
        ``.runs.csv.previous``. A draft that nobody changed is overwritten anyway.

    Raises
    ------
    UsageError
        If ``runs.csv`` is there and `replace` is not set, or the plan can't be made.
    StorageError
        If a file cannot be written.
    """
    runs = plan.runs()
    root.mkdir(parents=True, exist_ok=True)
    session = Session(root)
    sheet_path = session.results / SHEET
    with session.editing():
        if session.runs_path.exists() and not (replace or is_draft(session)):
            raise UsageError(
                f"{session.runs_path}: is there already and is never overwritten unasked; add "
                "--replace (the one before is kept as .runs.csv.previous)"
            )
        power = session.conditions().get("power_mw")
        sheet = render_sheet(plan, runs, float(power) if isinstance(power, int | float) else None)
        columns = (*COLUMNS, "look") if plan.looks else COLUMNS
        write_table(session.runs_path, columns, run_rows(plan, runs), keep_previous=True)
        write_text(sheet_path, sheet)
    return session.runs_path, sheet_path
