"""The mosaic: every run in one picture, in step, each with its number, its bar and its curve."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

from extractor.comparison.model import records
from extractor.errors import UsageError
from extractor.report import theme
from extractor.report.canvas import Canvas, fitted, split
from extractor.report.film_parts import (
    VIDEOS,
    Progress,
    shoot,
    write_notes,
)
from extractor.report.mosaic_cell import Cell, ShownRun
from extractor.report.story import Story, told
from extractor.results import Results
from extractor.session.folder import results_folder
from extractor.session.overlay import Box
from extractor.session.recordings import end_s
from extractor.statistics.dropouts import low_level, outages
from extractor.video import clips
from extractor.video.encoding import Format, Picture, even, planes

#: More runs than this are too small to see anything.
MOST_RUNS = 64
#: Free at each edge, as a share of the side; the text in a cell stands further in.
_EDGE, _INSET = 0.04, 0.01
_GAP = 4
_WORKERS = 2
ORDERS = ("rank", "recording")


def mosaic(
    sessions: str | Path | Sequence[str | Path],
    out: str | Path | None = None,
    *,
    form: Format | None = None,
    only: Sequence[str] = (),
    field: str | None = None,
    order: str = "rank",
    title: str = "",
    legend: bool = True,
    dark: bool = True,
    progress: Progress | None = None,
) -> Path:
    """Write one film with all runs in a grid, in step from their first pictures.

    A run that is shorter starts again by itself; the film ends on the instant on which it begins.

    Parameters
    ----------
    sessions : str, Path or sequence of them
        Sessions whose clips were read; the earliest first.
    out : str or Path, optional
        The film; ``results/videos/mosaic`` by default.
    form : Format, optional
        Size, rate, codec.
    only : sequence of str
        Clips to show; those of all runs by default.
    field : str, optional
        Field to show.
    order : str
        ``rank``: one row an antenna where that fits, the best on top; ``recording``.
    title : str
        Over the picture.
    legend : bool
        Say below it what is seen.
    dark : bool
        Light on dark.
    progress : callable, optional
        Is told how far it is.

    Raises
    ------
    UsageError
        If there is no run, one was not read, or there are too many to see anything.
    ClipError
        If a clip cannot be decoded.
    StorageError
        If the film cannot be written.
    """
    form = form or Format()
    if order not in ORDERS:
        raise UsageError(f"--order {order}: choose {' or '.join(ORDERS)}")
    if form.alpha:
        raise UsageError("--codec: a mosaic is footage and has no opacity; choose h264 or h265")
    places = [sessions] if isinstance(sessions, str | Path) else list(sessions)
    path = Path(out) if out else results_folder(Path(places[0])) / VIDEOS / f"mosaic{form.suffix}"
    with told(places, field=field, compared=False) as story:
        theme.tell_lacking(story.texts())
        runs = runs_of(story, only, order)
        if not form.rate_hz:
            form = replace(form, rate_hz=runs[0].parts[0][0].frame_rate_hz or 30.0)
        sheet = Sheet(story, runs, form, order, title, legend, dark)
        length_s = max(run.length_s for run in runs)
        count = max(2, round(length_s * form.rate_hz))
        shoot(path, form, sheet.pictures(count), count, loop=True, progress=progress,
              matrix=sheet.matrix)  # fmt: skip
        said = f"{len(runs)} recordings side by side, {story.measure}."
        write_notes(path, [(0.0, min(6.0, length_s), said), *_outages(runs)], [(0.0, said)])
    return path


def runs_of(story: Story, only: Sequence[str], order: str) -> list[ShownRun]:
    """Return the runs to show, in order; raises `UsageError` where there is none."""
    found = []
    for one in story.results:
        wanted = set(one.session.choose(only)) if only else None
        for row in records(one.rows(story.field.name)):
            names = str(row["clip"]).split(";")
            if wanted is None or wanted & set(names):
                found.append(_run(story, one, row, names))
    if not found:
        raise UsageError(f"{story.results[0].session.root}: no run to show; see runs.csv")
    if len(found) > MOST_RUNS:
        raise UsageError(
            f"{story.results[0].session.root}: {len(found)} runs do not fit in one picture (most: "
            f"{MOST_RUNS}); choose some with --clip"
        )
    ranks = {row.name: i for i, row in enumerate(story.rows)}
    if order == "rank":
        found.sort(key=lambda run: (ranks.get(run.antenna, 99), run.antenna, run.column))
    return found


def _run(story: Story, one: Results, row: dict[str, Any], names: Sequence[str]) -> ShownRun:
    series = one.series(row, story.field.name)
    if series.empty:
        raise UsageError(f"{names[0]}: was not read yet; run extractor read {one.session.root}")
    parts, begins = [], 0.0
    for name in names:
        if not one.session.path(name).is_file() or not one.session.path(name).stat().st_size:
            raise UsageError(
                f"{name}: the clip is not here, and a pack holds none; give its folder"
            )
        parts.append((clips.probe(one.session.path(name)), begins))
        times = one.readings(name, story.field.name)["time_s"]
        if len(times):
            begins += end_s(float(times.iloc[0]), float(times.iloc[-1]), len(times))
    antenna = str(row["antenna"])
    place = [str(row["port"]), f"mounting {row['mounting']}" if row["mounting"] else ""]
    if len(story.results) > 1:
        place.append(f"round {1 + story.results.index(one)}")
    first = parts[0][0]
    marked = one.overlay.fields if one.overlay is not None else ()
    ceiling = row.get("ceiling")
    low = low_level(story.field.direction, story.field.low, _finite(ceiling))
    look = story.looks.get(antenna) or theme.looks([str(row["run"])])[str(row["run"])]
    try:
        boxes = tuple(f.box_for(first.width, first.height) for f in marked)
    except UsageError:
        boxes = ()
    return ShownRun(
        antenna, " · ".join(filter(None, place)), tuple(parts), series, look, low, boxes
    )


def _rounds(story: Story) -> list[str]:
    """Say which session is which round, where there are several."""
    names = [one.name for one in story.results]
    return [f"round {i}: {name}" for i, name in enumerate(names, 1)] if len(names) > 1 else []


def _finite(value: object) -> float:
    return float(value) if isinstance(value, int | float) else math.nan


def _outages(runs: Sequence[ShownRun]) -> list[tuple[float, float, str]]:
    """Say when a link is lost, in the order of the film."""
    cues = []
    for run in runs:
        columns = (run.series[c].to_numpy() for c in ("time_s", "value", "flag"))
        times, values, flags = columns
        said = f"{run.look.label}, {run.column}: no link."
        for a, b in outages(times, values.astype(float), flags.astype(str), run.low):
            cues.append((a - run.start_s, max(b, a + 1.0) - run.start_s, said))
    return sorted(cues)


def grid(counts: Sequence[int], width: float, height: float, aspect: float) -> list[int]:
    """Return how many cells stand in each row, so that none is left empty.

    Parameters
    ----------
    counts : sequence of int
        Runs of each antenna, in order.
    width, height : float
        Of the room, pixels.
    aspect : float
        Of the footage, width by height.
    """
    total, own = sum(counts), counts[0]

    def unlike(rows: Sequence[int]) -> float:
        shapes = [width / n / (height / len(rows)) / aspect for n in rows]
        return max(abs(math.log(shape)) for shape in shapes)

    free = [
        [total // n + (i < total % n) for i in range(n)] for n in range(1, total + 1)
    ]  # fmt: skip
    best = min(free, key=unlike)
    if len(set(counts)) == 1 and len(counts) > 1:
        lines = [[own // k] * (len(counts) * k) for k in range(1, own + 1) if own % k == 0]
        rows = min(lines, key=unlike)
        if unlike(rows) < max(0.7, unlike(best) + 0.2):
            return rows
    return best


class Sheet:
    """The whole picture."""

    def __init__(
        self, story: Story, runs: Sequence[ShownRun], form: Format, order: str, title: str,
        legend: bool, dark: bool,
    ) -> None:  # fmt: skip
        w, h = form.width, form.height
        self._form, self.matrix = form, runs[0].parts[0][0].colour.matrix
        unit = min(w, h) / 1080
        x0, y0 = even(_EDGE * w), even(_EDGE * h)
        x1, y1 = even((1 - _EDGE) * w), even((1 - _EDGE) * h)
        paper = Canvas(w, h, dark=dark)
        paper.box(0, 0, w, h, theme.PAPER)
        left = w * (_EDGE + _INSET)
        if title:
            size = 44 * unit
            shown = fitted(title, size, 0.9 * w, bold=True)
            paper.text(left, y0 + 42 * unit, shown, size, bold=True)
            y0 = even(y0 + 66 * unit)
        top = _top(story)
        if legend:
            parts = [story.measure, f"full bar: {top:g}", "shaded: no link", *_rounds(story)]
            text = " · ".join(parts)
            paper.text(left, y1 - 8 * unit, fitted(text, 26 * unit, 0.9 * w), 26 * unit, theme.SOFT)
            y1 = even(y1 - 46 * unit)
        clip = runs[0].parts[0][0]
        names = list(dict.fromkeys(run.antenna for run in runs)) if order == "rank" else ["all"]
        counts = [sum(run.antenna == n or n == "all" for run in runs) for n in names]
        rows = grid(counts, x1 - x0, y1 - y0, clip.width / clip.height)
        edges_y = [even(y0 + (y1 - y0) * i / len(rows)) for i in range(len(rows) + 1)]
        waiting = iter(runs)
        self._cells = []
        for count, (above, below) in zip(rows, pairwise(edges_y), strict=True):
            edges = [even(x0 + (x1 - x0) * i / count) for i in range(count + 1)]
            for a, b in pairwise(edges):
                place = Box(a, above, b - a - _GAP, below - above - _GAP)
                inset = even(w * _INSET)
                self._cells.append(Cell(next(waiting), place, story, dark, top, self.matrix, inset))
        self._flat = planes(paper.pixels, self.matrix).reshape(-1)

    def pictures(self, count: int) -> Iterator[Picture]:
        """Yield every picture; the footage of the next is decoded while one is drawn."""
        w, h, rate = self._form.width, self._form.height, self._form.rate_hz
        onto = split(self._flat, w, h)
        with ThreadPoolExecutor(_WORKERS) as pool:

            def ask(i: int) -> list[Any]:
                return [pool.submit(cell.footage, i / rate) for cell in self._cells]

            asked = ask(0)
            for i in range(count):
                got = [one.result() for one in asked]
                if i + 1 < count:
                    asked = ask(i + 1)
                for cell, picture in zip(self._cells, got, strict=True):
                    cell.show(onto, picture, i / rate)
                yield self._flat.reshape(-1, w)


def _top(story: Story) -> float:
    """Return what a full bar stands for: the ceiling, or the largest number read."""
    if story.field.ceiling is not None:
        return float(story.field.ceiling)
    known = [float(v) for one in story.results for v in one.rows(story.field.name)["p95"].dropna()]
    return max(known, default=1.0)
