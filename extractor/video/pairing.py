"""How clips and planned runs that do not fit could be paired: a proposal, to be looked at."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from extractor.session.runs_editing import RunRow

#: In a proposal: what a run without a clip costs, where a clip passed over costs 2 or less; and how
#: many in a row are thought of.
MISSING_COST, MOST_LOST = 3.0, 5


@dataclass(frozen=True)
class Answers:
    """What a person says, or is asked to say, of clips and runs that do not fit; see `match`."""

    skip: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    join: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    """Clips and runs of a proposal that nothing but the counts speaks for."""

    def options(self) -> list[str]:
        """Return the options of the command that says it."""
        said = (("--skip", self.skip), ("--missing", self.missing), ("--join", self.join))
        return [part for option, names in said for name in names for part in (option, name)]


@dataclass(frozen=True)
class Clip:
    """What is known of a clip, in the order of recording."""

    name: str
    start_s: float | None
    """When it was recorded, seconds; None where the clock says nothing."""
    mark: str | None = None
    """short: likely broken off; goes on: likely the rest of the clip before it."""

    @property
    def passing(self) -> float:
        """Return what it costs to pass over it."""
        return {"goes on": 0.1, "short": 0.2}.get(self.mark or "", 2.0)


def proposed(runs: Sequence[RunRow], clips: Sequence[Clip]) -> Answers | None:
    """Return which clips are likely no run and which runs likely lack: the cheapest way to pair.

    Passing over a clip costs little where it is short or goes on where the one before ends, a run
    without a clip most; a long pause inside a mounting, and none before a new one, cost too. All
    orders are weighed (a shortest path), so that one retake early on moves no later run.
    """
    new = [other_mounting(a, b) for a, b in pairwise(runs)]
    limit = _long_pause([c.start_s for c in clips], sum(new))

    def misfit(run: int, before: int, clip: int, clip_before: int) -> float:
        a, b = clips[clip_before].start_s, clips[clip].start_s
        if limit is None or a is None or b is None:
            return 0.0
        return float((b - a >= limit) != any(new[before:run]))

    best: dict[tuple[int, int], tuple[float, tuple[int, int] | None]] = {}
    ends = (len(runs), len(clips))
    for run in range(ends[0] + 1):
        for clip in range(ends[1] + 1):
            if (run == ends[0]) != (clip == ends[1]):
                continue
            # A pair costs more where the clip looks like no run.
            own = 0.0 if (run, clip) == ends else 2.0 - clips[clip].passing
            best[run, clip] = own + MISSING_COST * run + _over(clips[:clip]), None
            for lost in range(min(run, MOST_LOST + 1)):
                for over in range(min(clip, MOST_LOST + 1)):
                    at = (run - 1 - lost, clip - 1 - over)
                    cost = best[at][0] + own + MISSING_COST * lost + _over(clips[at[1] + 1 : clip])
                    if (run, clip) != ends:
                        cost += misfit(run, at[0], clip, at[1])
                    if cost < best[run, clip][0]:
                        best[run, clip] = cost, at
    pairs, step = {}, best[ends][1]
    while step is not None:
        pairs[step[1]] = step[0]
        step = best[step][1]
    return _answers(runs, clips, pairs) if pairs else None


def _over(clips: Sequence[Clip]) -> float:
    return sum(clip.passing for clip in clips)


def _answers(
    runs: Sequence[RunRow], clips: Sequence[Clip], pairs: Mapping[int, int]
) -> Answers | None:
    over = [clip for i, clip in enumerate(clips) if i not in pairs]
    lost = [r.cells.get("run", "") for i, r in enumerate(runs) if i not in pairs.values()]
    if not all(lost):
        return None  # a run without a name can't be named
    return Answers(
        skip=tuple(c.name for c in over if c.mark != "goes on"),
        missing=tuple(lost),
        join=tuple(c.name for c in over if c.mark == "goes on"),
        doubts=(*(c.name for c in over if not c.mark), *lost),
    )


def other_mounting(a: RunRow, b: RunRow) -> bool:
    """Tell whether an antenna is put up between two runs."""
    return any(a.cells.get(c) != b.cells.get(c) for c in ("antenna", "mounting"))


def _long_pause(starts: Sequence[float | None], remounts: int) -> float | None:
    """Return from which pause on an antenna was likely put up anew: as many are that long."""
    known = [s for s in starts if s is not None]
    pauses = sorted((b - a for a, b in pairwise(known)), reverse=True)
    if len(known) < len(starts) or not pauses or not 0 < remounts < len(pauses):
        return None
    return pauses[remounts - 1]
