"""The plan on disk and on paper: ``runs.csv`` and the printable run sheet."""

from __future__ import annotations

import math
import shlex
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from extractor.comparison.run_order import (
    REFERENCE_MOUNTINGS,
    OrderKind,
    PlannedRun,
    Timing,
    batteries,
    packs_needed,
    plan_runs,
    total_minutes,
)
from extractor.errors import UsageError
from extractor.radio.cautions import Caution, session_cautions
from extractor.radio.combining import added_db
from extractor.radio.fading import SLIDE_M, SPOT_DISTANCE_MM
from extractor.report.filling import filled
from extractor.session.atomic import write_text
from extractor.session.csv_tables import write_table
from extractor.session.folder import Session
from extractor.session.runs_editing import is_draft
from extractor.session.user_tables import RUN_COLUMNS
from extractor.statistics.power import Spreads, mountings_for_ports, mountings_needed

COLUMNS = (*RUN_COLUMNS[:-1], "battery", RUN_COLUMNS[-1])
#: What hangs on the other ports when the user does not say it.
COMPANION = "companion"
SHEET = "run_sheet.html"
#: Mountings of one antenna that a plan may have.
MOST_PLANNED = 50


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
    companions: tuple[str, ...] = (COMPANION,)
    """On the ports that are not under test: one name for all, or one for each but one port."""
    timing: Timing = field(default_factory=Timing)
    looks: tuple[int, ...] = ()
    """Mountings of each antenna at which to look, the last of them `mountings`."""

    def runs(self) -> tuple[PlannedRun, ...]:
        """Return the runs; see `plan_runs`."""
        asked = ("mountings", "repeats", "reference", "seed", "kind", "looks")
        options: dict[str, Any] = {name: getattr(self, name) for name in asked}
        return plan_runs(self.antennas, self.ports, **options)

    def others(self, port: str) -> dict[str, str]:
        """Return what hangs on the other ports; each companion at home, or in the tested's place.

        So a change of port swaps two leads: the first port is the home of what is under test.
        """
        first, *homes = self.ports
        given = self.companions if len(self.companions) > 1 else self.companions * len(homes)
        if not given:
            return {}
        hung = dict(zip(homes, given, strict=True))
        if port != first:
            hung = {first: hung.pop(port), **hung}
        return hung

    @property
    def more(self) -> str:
        """Say, if so, that the reference is put up more often than was asked."""
        if self.reference is None or self.mountings >= REFERENCE_MOUNTINGS:
            return ""
        return (
            f"{self.reference} is put up {REFERENCE_MOUNTINGS} times, the others "
            f"{self.mountings}: as the reference it stands at start, middle and end."
        )

    def check(self) -> None:
        """Raise `UsageError` where the companions are neither one nor one for each other port."""
        if len(self.companions) not in (0, 1, len(self.ports) - 1):
            raise UsageError(
                f"--companion: {len(self.companions)} names for {len(self.ports) - 1} other ports; "
                "give one for all or one for each, commas between"
            )


@dataclass(frozen=True)
class Size:
    """How large a plan must be for a question, to have its answer four times in five."""

    question: Literal["antennas", "ports"]
    """Which of all antennas is better, or whether two ports differ."""
    mountings: int | None
    """Of each antenna; None: too many to be worth it."""
    clips: int = 0
    minutes: float = 0.0

    def sentence(self, amount: str) -> str:
        """Say it of a difference, such as "2 Mbit/s"."""
        what = "Two antennas" if self.question == "antennas" else "Two ports"
        if self.mountings is None:
            return f"{what} that differ by {amount} can't be told apart with a bearable number."
        return (
            f"{what} that differ by {amount} are told apart, four times in five, with "
            f"{self.mountings} mounting{'s' if self.mountings > 1 else ''} of each antenna: "
            f"{self.clips} clips, about {self.minutes:.0f} minutes."
        )


def sizes(plan: Plan, detect: float, spreads: Spreads) -> list[Size]:
    """Return what a difference of `detect` needs, of antennas and, where there are two, of ports.

    All pairs of the antennas are judged together. Nothing is said of ports where the spread between
    clips of one mounting is not known (0).

    Raises
    ------
    UsageError
        If a number is out of range.
    """
    count, clips = len(plan.antennas), len(plan.ports) * plan.repeats
    needed: dict[Literal["antennas", "ports"], int | None] = {}
    needed["antennas"] = mountings_needed(detect, spreads, clips, antennas=count)
    if len(plan.ports) > 1 and plan.kind != "full" and spreads.clip > 0:
        needed["ports"] = mountings_for_ports(detect, spreads, count, plan.repeats)
    found = []
    for question, mountings in needed.items():
        if mountings is None or mountings > MOST_PLANNED:
            found.append(Size(question, None))
            continue
        runs = replace(plan, mountings=mountings, looks=()).runs()
        found.append(Size(question, mountings, len(runs), total_minutes(runs, plan.timing)))
    return found


def run_rows(plan: Plan, runs: Sequence[PlannedRun]) -> list[dict[str, object]]:
    """Return the rows of ``runs.csv``, clips still empty."""
    packs = batteries(runs, plan.timing)
    width = len(str(len(runs)))
    return [
        {
            "run": f"r{run.order:0{width}d}",
            "antenna": run.antenna,
            "port": run.port,
            "others": ";".join(f"{p}={name}" for p, name in plan.others(run.port).items()),
            "mounting": run.mounting,
            "position": f"spot {run.spot}" if run.spot else "",
            "repeat": run.repeat,
            "order": run.order,
            "battery": "" if plan.kind == "listed" else pack,  # told, not planned
            "look": run.look,
        }
        for run, pack in zip(runs, packs, strict=True)
    ]


def render_sheet(plan: Plan, runs: Sequence[PlannedRun], cautions: Sequence[Caution]) -> str:
    """Return the run sheet as one HTML page that needs nothing else.

    Parameters
    ----------
    plan : Plan
        What was asked.
    runs : sequence of PlannedRun
        As from `Plan.runs`.
    cautions : sequence of Caution
        To be printed with it.
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
        cautions=cautions,
        command=_command(plan),
    )


def _shown_of_10_db(others: int, pad_db: float) -> float:
    lines = [-pad_db] * others
    return float(added_db([10.0, *lines]) - added_db([0.0, *lines]))


def _command(plan: Plan) -> str:
    parts = [
        "extractor plan SESSION",
        f"--antennas {_typed(plan.antennas)}",
        f"--ports {_typed(plan.ports)}",
        f"--looks {','.join(map(str, plan.looks))}" * bool(plan.looks)
        or f"--mountings {plan.mountings}",
        f"--repeats {plan.repeats}",
        f"--companion {_typed(plan.companions)}",
        f"--seconds {plan.timing.seconds:g}",
        f"--order {plan.kind}",
        f"--seed {plan.seed}",
    ]
    if plan.reference is not None:
        parts.insert(5, f"--reference {_typed((plan.reference,))}")
    return " ".join(parts)


def _typed(names: Sequence[str]) -> str:
    return shlex.quote(",".join(names))


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
    plan.check()
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
        sheet = render_sheet(plan, runs, session_cautions(session))
        columns = (*COLUMNS, "look") if plan.looks else COLUMNS
        write_table(session.runs_path, columns, run_rows(plan, runs), keep_previous=True)
        write_text(sheet_path, sheet)
    return session.runs_path, sheet_path
