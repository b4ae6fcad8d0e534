"""In which order antennas, ports and spots take their turns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from extractor.errors import UsageError

#: Orders drawn at random, of which the best balanced one is taken.
CANDIDATES = 200
FEWEST_SPOTS = 3
#: The reference is put up at least so often: at the start, in the middle and at the end.
REFERENCE_MOUNTINGS = 3
OrderKind = Literal["split", "full", "listed"]


@dataclass(frozen=True)
class Slot:
    """One time that an antenna is put on the stand."""

    antenna: str
    mounting: int
    """Number of the mounting within its antenna, from 1."""
    spot: int
    """Where the stand stands, from 1; 0: nobody knows."""


@dataclass(frozen=True)
class PlannedRun:
    """One run of the plan."""

    order: int
    """Place in the session, from 1."""
    antenna: str
    port: str
    mounting: int
    spot: int
    repeat: int
    """Number of the clip within mounting and port, from 1."""
    remount: bool
    """True where the antenna is put up just before this run."""
    look: int = 1
    """Number of the look that it is needed for, from 1."""


def mounting_order(
    antennas: Sequence[str],
    mountings: int,
    *,
    seed: int,
    reference: str | None = None,
    looks: Sequence[int] = (),
) -> tuple[Slot, ...]:
    """Return the order of mountings: balanced over the session, random in the rest.

    Parameters
    ----------
    antennas : sequence of str
        At least two.
    mountings : int
        Of each antenna, at least 1; the reference gets at least three.
    seed : int
        The same seed gives the same order.
    reference : str, optional
        Stands at the start, in the middle and at the end.
    looks : sequence of int
        Mountings of each antenna after which the order is to be balanced too.

    Notes
    -----
    Rounds in which every antenna has one turn, each in random order (a randomised complete
    block design). Of `CANDIDATES` such orders the one is taken in which the antennas' mean
    places differ least and an antenna seldom follows itself, so that a straight drift over
    the session touches all alike. Spots change from mounting to mounting of an antenna.
    """
    rng = np.random.default_rng(seed)
    others = [a for a in antennas if a != reference]
    own = 0 if reference is None else max(REFERENCE_MOUNTINGS, mountings)
    total = mountings * len(others) + own
    # The reference's turns: the first, the last and evenly between.
    taken = np.rint(np.arange(own) * (total - 1) / max(1, own - 1)).astype(int)
    place = np.setdiff1d(np.arange(total), taken)
    drawn = np.broadcast_to(np.arange(len(others)), (CANDIDATES, mountings, len(others)))
    rounds = rng.permuted(drawn, axis=2).reshape(CANDIDATES, -1)
    follows = (rounds[:, 1:] == rounds[:, :-1]) & (np.diff(place) == 1)
    turns = place * (rounds == np.arange(len(others))[:, None, None])
    uneven = 0.5 * follows.sum(axis=1)
    for upto in {*looks, mountings}:
        mean_place = turns[..., : upto * len(others)].sum(axis=2) / upto
        uneven += np.ptp(mean_place, axis=0)
    best = rounds[int(np.argmin(uneven))]
    names = np.full(total, reference or "", dtype=object)
    names[place] = np.array(others, dtype=object)[best]
    return _with_spots(names.tolist(), mountings, rng)


def _with_spots(names: Sequence[str], mountings: int, rng: np.random.Generator) -> tuple[Slot, ...]:
    """Give each turn a spot: an antenna's turns on different ones, each in use alike."""
    spots = max(FEWEST_SPOTS, mountings)
    antennas = sorted(set(names))
    starts = dict(zip(antennas, rng.permutation(len(antennas)), strict=True))
    relabel = rng.permutation(spots)
    turns = [(name, names[:at].count(name)) for at, name in enumerate(names)]
    return tuple(Slot(n, i + 1, int(relabel[(starts[n] + i) % spots]) + 1) for n, i in turns)


def plan_runs(
    antennas: Sequence[str],
    ports: Sequence[str],
    *,
    mountings: int = 3,
    repeats: int = 1,
    reference: str | None = None,
    seed: int = 0,
    kind: OrderKind = "split",
    looks: Sequence[int] = (),
) -> tuple[PlannedRun, ...]:
    """Plan a session.

    Parameters
    ----------
    antennas, ports : sequence of str
        At least two antennas and one port, each named once.
    mountings : int
        Of each antenna, 1 to 50.
    repeats : int
        Clips for each mounting and port, 1 to 50.
    reference : str, optional
        One of `antennas`, to stand at the start, in the middle and at the end; it gets three
        mountings even where the others get fewer.
    seed : int
        The same seed gives the same plan.
    kind : {"split", "full", "listed"}
        "split": all ports inside one mounting, in an order that is balanced over the
        mountings of an antenna; remounting costs minutes, a port seconds. "full": the antenna
        is put up anew for every port, each time a mounting of its own. "listed": rounds of all
        antennas, and ports, as they are given: for clips recorded like that, without a plan.
    looks : sequence of int
        Rising numbers of mountings at which to look, the last of them `mountings`. Whole rounds
        are recorded up to each, so there is no reference then.

    Raises
    ------
    UsageError
        If a number is out of range, a name stands twice, the reference is not listed, or looks
        do not rise from 2 or more to `mountings`.

    Examples
    --------
    >>> from extractor import plan_runs
    >>> runs = plan_runs(["Slab", "Coil"], ["Red", "Green"], mountings=2, seed=4)
    >>> [(run.order, run.antenna, run.mounting, run.port) for run in runs[:4]]
    [(1, 'Coil', 1, 'Red'), (2, 'Coil', 1, 'Green'), (3, 'Slab', 1, 'Green'), (4, 'Slab', 1, 'Red')]
    """
    _check(antennas, ports, mountings, repeats, reference)
    if reference and kind == "listed":
        raise UsageError("--order listed: goes without --reference, which is put up at set times")
    if looks and (reference or looks[0] < 2 or [*looks] != sorted({*looks, mountings})):
        raise UsageError(
            f"--looks {','.join(map(str, looks))}: must rise from 2 or more to the number of "
            "mountings, and go without --reference"
        )
    each = len(ports) if kind == "full" else 1
    upto = [look * each for look in looks]
    if kind == "listed":
        slots = tuple(Slot(a, m, 0) for m in range(1, mountings + 1) for a in antennas)
    else:
        total = mountings * each
        slots = mounting_order(antennas, total, seed=seed, reference=reference, looks=upto)
    rng = np.random.default_rng([seed, 1])
    starts = {a: int(rng.integers(len(ports))) for a in sorted(antennas)}
    runs: list[PlannedRun] = []
    for slot in slots:
        turned = _port_order(ports, starts[slot.antenna] + slot.mounting - 1, rng)
        chosen = {"split": turned, "full": turned[:1], "listed": ports}[kind]
        for i, (repeat, port) in enumerate((r, p) for r in range(repeats) for p in chosen):
            runs.append(
                PlannedRun(
                    order=len(runs) + 1,
                    antenna=slot.antenna,
                    port=port,
                    mounting=slot.mounting,
                    spot=slot.spot,
                    repeat=repeat + 1,
                    remount=i == 0,
                    look=1 + sum(slot.mounting > end for end in upto),
                )
            )
    return tuple(runs)


def _port_order(ports: Sequence[str], turn: int, rng: np.random.Generator) -> list[str]:
    """Return the ports with each as the first in its turn, the rest at random."""
    first = ports[turn % len(ports)]
    rest = [p for p in ports if p != first]
    return [first, *(rest[i] for i in rng.permutation(len(rest)))]


def _check(
    antennas: Sequence[str],
    ports: Sequence[str],
    mountings: int,
    repeats: int,
    reference: str | None,
) -> None:
    for what, names, least in (("antenna", antennas, 2), ("port", ports, 1)):
        if len(names) < least or any(not n for n in names):
            raise UsageError(f"--{what}s: give at least {least}, commas between, none empty")
        twice = [n for n in names if list(names).count(n) > 1]
        if twice:
            raise UsageError(f"--{what}s: '{twice[0]}' stands twice")
        wrong = [n for n in names if set(n) & set(";=,")]
        if wrong:
            raise UsageError(f"--{what}s: '{wrong[0]}' may not hold ; or =")
    for name, number in (("mountings", mountings), ("repeats", repeats)):
        if not 1 <= number <= 50:
            raise UsageError(f"--{name} {number}: must be 1 to 50")
    if reference is not None and reference not in antennas:
        raise UsageError(f"--reference '{reference}' is not among {', '.join(antennas)}")


@dataclass(frozen=True)
class Timing:
    """How long a plan takes."""

    seconds: float = 60.0
    """Length of a clip."""
    settle_s: float = 30.0
    """Wait before each clip until the numbers stand still."""
    port_change_s: float = 45.0
    remount_min: float = 4.0
    pack_min: float = 20.0
    """Minutes that a battery pack lasts with the transmitter on."""


def total_minutes(runs: Sequence[PlannedRun], timing: Timing) -> float:
    """Return how long the plan takes, in minutes."""
    change = (timing.remount_min if r.remount else timing.port_change_s / 60 for r in runs)
    return sum(change) + len(runs) * on_minutes(timing)


def on_minutes(timing: Timing) -> float:
    """Return how long the transmitter is on for one run, in minutes."""
    return (timing.seconds + timing.settle_s) / 60


def batteries(runs: Sequence[PlannedRun], timing: Timing) -> tuple[int, ...]:
    """Return the number of the battery pack for each run, changed only between mountings.

    The transmitter is off while an antenna is changed, so only clips and settling count.
    """
    packs: list[int] = []
    pack, used = 1, 0.0
    for count in np.bincount(np.cumsum([run.remount for run in runs]))[1:].tolist():
        needed = count * on_minutes(timing)
        if used > 0 and used + needed > timing.pack_min:
            pack, used = pack + 1, 0.0
        # A mounting longer than one pack: the next begins a fresh one again.
        used += needed
        packs += [pack] * count
    return tuple(packs)


def packs_needed(runs: Sequence[PlannedRun], timing: Timing) -> int:
    """Return how many battery packs the plan uses up."""
    on = len(runs) * on_minutes(timing)
    return max(batteries(runs, timing)[-1], math.ceil(on / timing.pack_min))
