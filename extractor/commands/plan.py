"""``extractor plan``: run sheets, and how many mountings a difference needs."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from extractor.commands.screen import say
from extractor.errors import UsageError

if TYPE_CHECKING:
    from extractor.report.run_sheet import Plan
    from extractor.statistics.power import Spreads


def plan(
    session: Path | None = None,
    antennas: str = "",
    ports: str = "",
    mountings: int = 3,
    looks: str = "",
    repeats: int = 1,
    reference: str | None = None,
    companion: str = "companion",
    order: Literal["split", "full", "listed"] = "split",
    seconds: float = 60.0,
    settle: float = 30.0,
    port_change: float = 45.0,
    remount: float = 4.0,
    pack: float = 20.0,
    seed: int | None = None,
    replace: bool = False,
    detect: float | None = None,
    sd: float | None = None,
    clip_sd: float = 0.0,
    from_: Path | None = None,
    field: str = "bitrate",
    tell: str = "",
    steps: str = "",
    padded: Literal["transmitter", "all"] = "transmitter",
    spots: float | None = None,
) -> None:
    """Plan a session: a balanced random order and a run sheet, or how many mountings are needed."""
    names, sockets = _split(antennas), _split(ports)
    if tell and session is not None:
        from extractor.report.tell_sheet import write_tell

        cause, *paths = write_tell(session, tell)
        say(f"{cause.clip}: {cause.if_so_db:+.1f} dB if so, {cause.if_not_db:+.1f} dB if not")
        say(f"Written: {', '.join(map(str, paths))} (print it, mind its cautions)")
        return
    if steps and session is not None:
        from extractor.report.step_sheet import write_steps

        say(f"Written: {', '.join(map(str, write_steps(session, steps, padded)))} (print it)")
        return
    if spots is not None:
        _echo_spots(spots, session, max(1, len(sockets)))
        return
    if detect is not None:
        clips = max(1, len(sockets) or 2) * repeats
        spreads, count = _spreads(sd, clip_sd, from_, field), max(2, len(names) or 4)
        _echo_sizes(detect, spreads, clips, count)
        _echo_ports(detect, spreads, count, repeats)
        return
    if session is None or not names or not sockets:
        raise UsageError(
            "give a session folder with --antennas A,B,C and --ports P,Q, or --detect X with --sd S"
        )
    import secrets

    from extractor.comparison.run_order import Timing
    from extractor.report.run_sheet import Plan

    at = tuple(_mountings(part) for part in _split(looks))
    planned = Plan(
        antennas=names,
        ports=sockets,
        mountings=at[-1] if at else mountings,
        repeats=repeats,
        reference=reference if at or order == "listed" else reference or names[0],
        seed=secrets.randbelow(100_000) if seed is None else seed,
        kind=order,
        companions=_split(companion),
        timing=Timing(seconds, settle, port_change, remount, pack),
        looks=at,
    )
    _write(session, planned, replace)


def _split(text: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in text.split(",")) if text.strip() else ()


def _mountings(text: str) -> int:
    if not text.isdecimal():
        raise UsageError(f"--looks: '{text}' is no number of mountings; give some such as 2,3,4")
    return int(text)


def _write(session: Path, plan_: Plan, replace: bool) -> None:
    from extractor.comparison.run_order import packs_needed, total_minutes
    from extractor.radio.cautions import cautions
    from extractor.report.run_sheet import write_plan

    runs_path, sheet_path = write_plan(session, plan_, replace=replace)
    runs = plan_.runs()
    minutes = total_minutes(runs, plan_.timing)
    say(
        f"{len(runs)} clips, about {minutes:.0f} minutes, "
        f"{packs_needed(runs, plan_.timing)} battery pack(s); seed {plan_.seed}"
    )
    if plan_.kind == "split" and len(plan_.ports) > 1:
        other = dataclasses.replace(plan_, kind="full")
        longer = total_minutes(other.runs(), plan_.timing)
        say(f"(put up anew for every port, --order full: about {longer:.0f} minutes)")
    if plan_.more:
        say(plan_.more)
    say(f"Written: {runs_path}, {sheet_path} (print it)")
    say("Cautions (in full on the sheet):")
    for caution in cautions():
        say(f"- {caution.title}")


def _spreads(sd: float | None, clip_sd: float, source: Path | None, field: str) -> Spreads:
    from extractor.statistics.power import Spreads

    if source is not None:
        from extractor.pipeline import earlier_spread
        from extractor.report.pack import opened_all

        with opened_all([source]) as folders:
            return earlier_spread(folders, field).planning()
    if sd is None or sd < 0:
        raise UsageError("--detect needs --sd S, the spread between mountings, or --from SESSION")
    return Spreads(sd, clip_sd)


def _echo_spots(half_width_db: float, session: Path | None, ports: int) -> None:
    from extractor.radio.fading import spots_told
    from extractor.session.folder import Session

    width = None if session is None else Session(session).conditions().get("width_mhz")
    known = float(width) if isinstance(width, int | float) and width > 0 else None
    for line in spots_told(half_width_db, known, ports):
        say(line)


def _echo_ports(detect: float, spreads: Spreads, antennas: int, repeats: int) -> None:
    from extractor.statistics.power import MOST_MOUNTINGS, mountings_for_ports

    if not spreads.clip:
        return
    needed = mountings_for_ports(detect, spreads, antennas, repeats)
    said = f"more than {MOST_MOUNTINGS}" if needed is None else str(needed)
    say(
        f"Whether two ports differ by {detect:g}, 80 % power: {said} mounting(s) of each of "
        f"{antennas} antennas, both ports inside one mounting."
    )


def _echo_sizes(detect: float, spreads: Spreads, clips: int, antennas: int) -> None:
    from extractor.statistics.power import MOST_MOUNTINGS, POWERS, mountings_needed, reach

    if detect <= 0:
        raise UsageError(f"--detect {detect:g}: must be above 0")
    say(
        f"Spread between mountings {spreads.mounting:.3g}, between clips of one mounting "
        f"{spreads.clip:.3g}; {clips} clip(s) a mounting."
    )
    say(f"To find a difference of {detect:g} between two antennas:")
    for power in POWERS:
        sizes = (
            mountings_needed(detect, spreads, clips, power=power, antennas=count)
            for count in (2, antennas)
        )
        pair, joint = (
            f"more than {MOST_MOUNTINGS}" if n is None else f"{n} mountings ({n * clips} clips)"
            for n in sizes
        )
        say(
            f"  {100 * power:.0f} % power: {pair} of each for one pair alone, {joint} for "
            f"all pairs of {antennas} antennas together"
        )
    say(f"The other way round, all pairs of {antennas} antennas, 95 %:")
    for mountings in (2, 3, 4, 6, 10):
        can = reach(mountings, spreads, clips, antennas)
        say(
            f"  {mountings:2d} mountings: a difference is known to +/- {can.half_width:.2g}, "
            f"one of {can.detectable:.2g} is found four times out of five"
        )
