"""The ranking film: bars grow as the clips play, and it ends on the card."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from extractor.comparison.model import records
from extractor.errors import UsageError
from extractor.report import theme
from extractor.report.canvas import Canvas, Screen
from extractor.report.card import PLAIN, Board, Shown
from extractor.report.film_parts import VIDEOS, Cue, Progress, shoot, write_notes
from extractor.report.story import Row, Story, told
from extractor.session.folder import results_folder
from extractor.statistics.flags import COUNTED
from extractor.video.encoding import Format, Picture

Floats = npt.NDArray[np.float64]
SHORTEST_S, LONGEST_S = 10.0, 30.0
#: The bars turn into the card in so long, and the card stands so long.
_TURN_S, _STAND_S = 0.8, 3.5
#: Places are changed at this speed, shares of what is left a second.
_PACE = 5.0
#: What a run may count by, from its readings so far; by others, the mean plays and the card says.
_QUANTILES = {"median": 0.5, "p25": 0.25, "p05": 0.05}


def write_ranking_film(
    sessions: Sequence[str | Path],
    out: str | Path | None = None,
    *,
    form: Format | None = None,
    length_s: float = 12.0,
    title: str | None = None,
    field: str | None = None,
    dark: bool = True,
    background: str = PLAIN,
    loop: bool = False,
    progress: Progress | None = None,
) -> Path:
    """Write the film of how the ranking comes about; captions and chapters stand beside it.

    Parameters
    ----------
    sessions : sequence of str or Path
        Session folders whose clips were read, or packs; the earliest first.
    out : str or Path, optional
        The film, or for `png` a folder; ``results/videos/ranking`` by default.
    form : Format, optional
        Size, rate, codec.
    length_s : float
        Of the film, 10 to 30 s.
    title, field, dark, background
        As in `card.write_card`.
    loop : bool
        Its end turns into its beginning.
    progress : callable, optional
        Is told how far it is.

    Raises
    ------
    UsageError
        If there is nothing to show, or the length cannot be.
    SessionFileError, StorageError
        If a file is wrong or cannot be written.
    """
    form = form or Format()
    if not SHORTEST_S <= length_s <= LONGEST_S:
        raise UsageError(f"--seconds {length_s:g}: give {SHORTEST_S:g} to {LONGEST_S:g}")
    places = [Path(one) for one in sessions]
    path = Path(out) if out else results_folder(places[0]) / VIDEOS / f"ranking{form.suffix}"
    with told(places, title=title, field=field) as story:
        theme.tell_lacking(story.texts())
        count = round(length_s * form.rate_hz)
        growing = count - round((_TURN_S + _STAND_S) * form.rate_hz)
        play = Play(story, form, growing, dark, background)
        shoot(path, form, play.pictures(count), count, loop=loop, progress=progress)
        notes = captions(story, growing / form.rate_hz, length_s)
    chapters = [(0.0, "Clip by clip, second by second"), (growing / form.rate_hz, "The ranking")]
    write_notes(path, notes, chapters)
    return path


def captions(story: Story, growing_s: float, length_s: float) -> list[Cue]:
    """Return what is said over the film."""
    half = growing_s / 2
    return [
        (0.0, half, f"{story.measure}. Each bar is one antenna, the mean of its clips so far."),
        (half, growing_s, "The lines below are its clips: each one's interval closes in."),
        (growing_s, length_s, f"{story.verdict} {' '.join(story.rounds[:1])}"),
    ]


@dataclass(frozen=True)
class _Run:
    """One run, picture by picture: its level so far and half its interval."""

    mounting: tuple[str, str]
    level: Floats
    half: Floats


class Play:
    """The film before the card: where each row stands in each picture."""

    def __init__(
        self, story: Story, form: Format, growing: int, dark: bool, background: str
    ) -> None:
        self._form, self._growing = form, growing
        self._runs = {row.name: _runs(story, row, growing) for row in story.rows}
        self._length_s = _longest_s(story)
        levels = [v for runs in self._runs.values() for r in runs for v in r.level[growing // 8 :]]
        shown = [v for row in story.rows for v in (row.high, row.mean, *row.values)]
        finite = [v for v in (*levels, *shown) if math.isfinite(v)]
        self._board = Board(story, form, dark, background, top_value=1.01 * max([*finite, 1e-9]))
        better = story.comparison.better if story.comparison else story.field.direction
        self._down = better != "lower"

    def pictures(self, count: int) -> Iterator[Picture]:
        """Yield every picture of the film."""
        board, rate = self._board, self._form.rate_hz
        screen = Screen(board.base(said=()), self._form.alpha)
        top = board.said_at - 60 * board.unit
        bottom = board.rows_from + len(board.rows) * board.row_height + 12 * board.unit
        at = np.arange(len(board.rows), dtype=float)
        for i in range(self._growing):
            rows = [self._row(row, i) for row in board.rows]
            values = np.array([v.value for v in rows])
            keys = np.where(np.isfinite(values), -values if self._down else values, math.inf)
            goal = np.argsort(np.argsort(keys, kind="stable"), kind="stable")
            at += (goal - at) * (1 - math.exp(-_PACE / rate))
            moved = [_moved(r, float(a)) for r, a in zip(rows, at, strict=True)]
            draw = partial(self._draw, rows=moved, said=self._said(i))
            yield screen.redrawn(top, bottom, draw)
        # The card: rows find their places and bands, then it stands.
        begun = [_moved(self._row(r, self._growing - 1), float(a))
                 for r, a in zip(board.rows, at, strict=True)]  # fmt: skip
        turning = max(1, round(_TURN_S * rate))
        for i in range(turning):
            share = (1 - math.cos(math.pi * i / turning)) / 2
            rows = [_between(a, b, share) for a, b in zip(begun, board.final(), strict=True)]
            yield screen.redrawn(top, bottom, partial(self._draw, rows=rows, said=()))
        card = Screen(board.drawn(), self._form.alpha).still
        for _ in range(count - self._growing - turning):
            yield card

    def _said(self, i: int) -> tuple[str, ...]:
        now = self._length_s * (i + 1) / self._growing
        return (f"{now:.0f} of {self._length_s:.0f} s of every clip",)

    def _draw(self, canvas: Canvas, rows: Sequence[Shown], said: Sequence[str]) -> None:
        board = self._board
        for k, line in enumerate(said):
            canvas.text(board.left, board.said_at + 48 * board.unit * k, line, 38 * board.unit)
        board.draw_rows(canvas, rows)

    def _row(self, row: Row, i: int) -> Shown:
        runs = self._runs[row.name]
        by_mounting: dict[tuple[str, str], list[float]] = {}
        for run in runs:
            by_mounting.setdefault(run.mounting, []).append(run.level[i])
        with np.errstate(all="ignore"):
            means = [_mean(levels) for levels in by_mounting.values()]
        ticks = [run.level[i] for run in runs]
        spans = [(r.level[i] - r.half[i], r.level[i] + r.half[i]) for r in runs]
        return Shown(row, 0.0, _mean(means), math.nan, math.nan, ticks, spans)


def _mean(values: Sequence[float]) -> float:
    known = [v for v in values if math.isfinite(v)]
    return sum(known) / len(known) if known else math.nan


def _moved(one: Shown, at: float) -> Shown:
    return Shown(one.row, at, one.value, one.low, one.high, one.ticks, one.spans)


def _between(a: Shown, b: Shown, share: float) -> Shown:
    def mixed(x: float, y: float) -> float:
        return x + (y - x) * share if math.isfinite(x) else y

    low, high = mixed(a.value, b.low), mixed(a.value, b.high)
    return Shown(b.row, mixed(a.at, b.at), mixed(a.value, b.value), low, high, b.ticks)


def _longest_s(story: Story) -> float:
    lengths = [
        float(series["time_s"].iloc[-1] - series["time_s"].iloc[0])
        for one in story.results
        for row in records(one.rows(story.field.name))
        if len(series := one.series(row, story.field.name))
    ]
    return max(lengths, default=0.0)


def _runs(story: Story, row: Row, count: int) -> list[_Run]:
    """Return an antenna's runs over `count` pictures; those that were compared."""
    table = None if story.comparison is None else story.comparison.runs
    factor = "antenna" if story.comparison is None else story.comparison.factor
    found = []
    for one in story.results:
        for run in records(one.rows(story.field.name)):
            if str(run.get(factor, run["antenna"])) != row.name:
                continue
            if (
                table is not None
                and not ((table["session"] == one.name) & (table["run"] == run["run"])).any()
            ):
                continue
            level, half = _so_far(story, one.series(run, story.field.name), run, count)
            found.append(_Run((one.name, str(run["mounting"])), level, half))
    return found


def _so_far(story: Story, series: Any, run: dict[str, Any], count: int) -> tuple[Floats, Floats]:
    """Return a run's level so far, picture by picture, and half its interval.

    The interval is that of the whole run, wider by the spread so far and by the root of the share
    of readings that are in; at the end it is the summary's own.
    """
    counted = series["flag"].isin(list(COUNTED)).to_numpy()
    values = series["value"].to_numpy(float)[counted]
    level, half = np.full(count, math.nan), np.full(count, math.nan)
    if not len(values):
        return level, half
    # In step: by the time of each reading in its own run, not by its number.
    times = series["time_s"].to_numpy(float)
    whole = max(float(times[-1] - times[0]), 1e-9)
    share = (times[counted] - times[0]) / whole
    until = np.searchsorted(share, (np.arange(count) + 1) / count + 1e-9, side="right")
    sums, squares = np.cumsum(values), np.cumsum(values**2)
    measure = "mean" if story.comparison is None else story.comparison.measure
    final = (float(run["mean_high"]) - float(run["mean_low"])) / 2
    for i, n in enumerate(until):
        if n < 1:
            continue
        q = _QUANTILES.get(measure)
        level[i] = sums[n - 1] / n if q is None else np.quantile(values[:n], q)
        if n > 4 and math.isfinite(final):
            spread = math.sqrt(max(0.0, squares[n - 1] / n - (sums[n - 1] / n) ** 2))
            full = float(values.std()) or 1.0
            half[i] = final * spread / full * math.sqrt(len(values) / n)
    return level, half
