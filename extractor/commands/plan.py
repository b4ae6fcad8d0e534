"""``extractor plan``: run sheets, and how many mountings a difference needs."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from extractor.commands.screen import say
from extractor.errors import UsageError

if TYPE_CHECKING:
    from extractor.report.run_sheet import Plan
    from extractor.statistics.power import Spreads


def plan(
    session: Annotated[
        Path | None,
        typer.Argument(
            help="Session folder to plan, made when missing; not needed with --detect.",
            metavar="[SESSION]",
            show_default=False,
        ),
    ] = None,
    antennas: Annotated[
        str, typer.Option(help="Antennas, commas between.", show_default=False)
    ] = "",
    ports: Annotated[str, typer.Option(help="Ports, commas between.", show_default=False)] = "",
    mountings: Annotated[
        int, typer.Option(help="Times that each antenna is put up anew, 1 to 50.")
    ] = 3,
    looks: Annotated[
        str,
        typer.Option(
            help="Mountings of each antenna after which to compare and maybe stop, such as 2,3,4; "
            "the last is --mountings.",
            show_default="once, at the end",
        ),
    ] = "",
    repeats: Annotated[int, typer.Option(help="Clips for each mounting and port, 1 to 50.")] = 1,
    reference: Annotated[
        str | None,
        typer.Option(
            help="Antenna at the start, in the middle and at the end.",
            show_default="the first antenna",
        ),
    ] = None,
    companion: Annotated[
        str,
        typer.Option(
            help="Antenna on the ports not under test, the same in every run; commas between "
            "where each of several has its own."
        ),
    ] = "companion",
    order: Annotated[
        Literal["split", "full"],
        typer.Option(
            help="split: all ports inside one mounting (a port costs seconds); full: put up anew "
            "for every port (costs minutes)."
        ),
    ] = "split",
    seconds: Annotated[float, typer.Option(help="Length of a clip, s.", min=1.0)] = 60.0,
    settle: Annotated[float, typer.Option(help="Wait before each clip, s.", min=0.0)] = 30.0,
    port_change: Annotated[float, typer.Option(help="Time to change a port, s.", min=0.0)] = 45.0,
    remount: Annotated[
        float, typer.Option(help="Time to put an antenna up, minutes.", min=0.0)
    ] = 4.0,
    pack: Annotated[
        float, typer.Option(help="Minutes that a battery pack lasts, transmitter on.", min=1.0)
    ] = 20.0,
    seed: Annotated[
        int | None,
        typer.Option(help="The same seed gives the same sheet.", show_default="drawn", min=0),
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Overwrite a runs.csv that is there.")
    ] = False,
    detect: Annotated[
        float | None,
        typer.Option(
            help="Instead of planning: how many mountings does a difference of so much need? In "
            "the field's unit.",
            show_default=False,
        ),
    ] = None,
    sd: Annotated[
        float | None,
        typer.Option(
            help="With --detect: spread (sd) between mountings of one antenna, field's unit.",
            show_default=False,
        ),
    ] = None,
    clip_sd: Annotated[
        float,
        typer.Option(help="With --detect: spread (sd) between clips of one mounting.", min=0.0),
    ] = 0.0,
    from_: Annotated[
        Path | None,
        typer.Option(
            "--from",
            help="With --detect: spreads from this session or pack, at their upper 80 % limits.",
            show_default=False,
        ),
    ] = None,
    field: Annotated[str, typer.Option(help="Field that --from looks at.")] = "bitrate",
    tell: Annotated[
        str,
        typer.Option(
            help="Instead of planning: add the clips that tell this cause, as expect names it.",
            metavar="CAUSE",
            show_default=False,
        ),
    ] = "",
    spots: Annotated[
        float | None,
        typer.Option(
            help="Instead of planning: how many spots of the stand tell a difference to +/- so "
            "many dB? For the channel of SESSION, and --ports with equal antennas.",
            show_default=False,
        ),
    ] = None,
) -> None:
    """Plan a session: a balanced random order and a run sheet, or how many mountings are needed."""
    names, sockets = _split(antennas), _split(ports)
    if tell and session is not None:
        from extractor.report.tell_sheet import write_tell

        cause, *paths = write_tell(session, tell)
        say(f"{cause.clip}: {cause.if_so_db:+.1f} dB if so, {cause.if_not_db:+.1f} dB if not")
        say(f"Written: {', '.join(map(str, paths))} (print it, mind its cautions)")
        return
    if spots is not None:
        _echo_spots(spots, session, max(1, len(sockets)))
        return
    if detect is not None:
        clips = max(1, len(sockets) or 2) * repeats
        _echo_sizes(detect, _spreads(sd, clip_sd, from_, field), clips, max(2, len(names) or 4))
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
        reference=reference if at else reference or names[0],
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
