"""Films for checking and showing: one clip with its readings, all clips of a session in step."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from extractor.comparison.model import records
from extractor.errors import ClipError, UsageError
from extractor.report.charts import session as session_charts
from extractor.report.charts import style
from extractor.report.charts.clips import RunSeries, Scale, common_scale
from extractor.report.yuv_canvas import Letters, Planes, chart_strip, planes_of
from extractor.results import FieldInfo, Results, load, main_field, second_field
from extractor.session.folder import Session
from extractor.session.overlay import Box
from extractor.statistics.flags import COUNTED
from extractor.video import clips
from extractor.video.clips import Clip
from extractor.video.encoding import even, film

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[float, float], None]
"""Called with the seconds done and the seconds in all."""

VIDEOS = "videos"
#: Height of the chart under an annotated clip, as a share of the picture's height.
_STRIP = 0.16
MOSAIC_SIZE = (1920, 1080)
MOSAIC_RATE_HZ = 10
#: More clips than this are too small to see anything.
MOST_CLIPS = 64


@dataclass(frozen=True)
class Steps:
    """One series as a film shows it: which row is on the screen when."""

    starts_s: npt.NDArray[np.float64]
    series: pd.DataFrame

    def row_at(self, time_s: float) -> int:
        """Return the row shown at a time, -1 before the first."""
        return int(np.searchsorted(self.starts_s, time_s + 1e-6, side="right")) - 1


def steps(series: pd.DataFrame) -> Steps:
    """Work out from when each reading holds: from the change that it followed, where known."""
    times = series["time_s"].to_numpy(float)
    since = series["since_s"].to_numpy(float)
    before = np.concatenate([[-math.inf], times[:-1]])
    known = np.isfinite(since) & (since > before) & (since <= times)
    return Steps(np.where(known, since, times), series)


def annotate(
    session: Session, clip: str, out: Path | None = None, progress: Progress | None = None
) -> Path:
    """Write a copy of a clip with what was read, and when, beside the numbers.

    Each marked region is framed; the reading and its flag stand next to it, from the very frame
    at which it appeared; a chart of each field runs below. Sound is dropped.

    Parameters
    ----------
    session : Session
        Whose clips were read.
    clip : str
        Its name, as `Session.choose` takes it.
    out : Path, optional
        The film; ``results/videos/CLIP.mp4`` by default.
    progress : callable, optional
        Is told how far it is.

    Raises
    ------
    UsageError
        If there is no such clip or it was not read.
    ClipError
        If it cannot be decoded.
    StorageError
        If the film cannot be written.
    """
    (name,) = session.choose([clip])
    results = load(session.root)
    fields = _fields(results)
    series = {f.name: results.readings(name, f.name) for f in fields}
    if any(s.empty for s in series.values()) or results.overlay is None:
        raise UsageError(f"{name}: was not read yet; run extractor read {session.root} first")
    known = clips.probe(session.path(name))
    boxes = {f.name: results.overlay[f.name].box_for(known.width, known.height) for f in fields}
    path = out or session.results / VIDEOS / f"{session.stems[name]}.mp4"
    material = session_charts.gather([results], fields[0], None, None)
    look = _look(results, material.looks, name)
    with style.drawing([name, *(f"{f.name}{f.unit}" for f in fields)]):
        page = _Page(known, fields, boxes, series, look)
        with film(path, page.width, page.height, known.frame_rate_hz or 30.0) as writer:
            whole = [Box(0, 0, known.width, known.height)]
            for frame in clips.frames(known, whole, clips.Tally(), threads=2):
                page.show(frame.crops[0], frame.time_s)
                writer.add(page.planes.packed(), frame.time_s)
                if progress is not None:
                    progress(frame.time_s, known.length_s or 0.0)
    return path


def _fields(results: Results) -> list[FieldInfo]:
    first = main_field([results], None)
    second = second_field([results], first.name)
    return [first] if second is None else [first, second]


class _Page:
    """The picture of an annotated film: the clip's frame, tags on it, charts below it."""

    def __init__(
        self,
        clip: Clip,
        fields: Sequence[FieldInfo],
        boxes: Mapping[str, Box],
        series: Mapping[str, pd.DataFrame],
        look: style.Look,
    ) -> None:
        self.width, self._clip_height = even(clip.width), even(clip.height)
        strip_height = even(max(90.0, _STRIP * clip.height))
        self.height = self._clip_height + strip_height * len(fields)
        self.planes = Planes.blank(self.width, self.height, style.PAPER)
        self._fields = fields
        self._boxes = boxes
        self._steps = {name: steps(s) for name, s in series.items()}
        tallest = max(b.height for b in boxes.values())
        self._letters = Letters(even(min(0.05 * clip.height, max(18.0, 0.6 * tallest))))
        self._places = self._tag_places()
        self._strips = [
            chart_strip(
                _clip_series(f, series[f.name], look), self.width, strip_height,
                style.with_unit(f.name, f.unit),
            )
            for f in fields
        ]  # fmt: skip

    def show(self, crop: npt.NDArray[np.uint8], time_s: float) -> None:
        """Put one frame of the clip on the page, with what was read at that time."""
        height = self._clip_height
        self.planes.paste(planes_of(crop, self.width, height), 0, 0)
        for info in self._fields:
            self.planes.frame(self._boxes[info.name], max(2, round(height / 360)))
            text, counts = self._reading(info, time_s)
            tag = self._letters.picture(text, bad=not counts)
            x, y, from_right = self._places[info.name]
            self.planes.paste(tag, x - tag.width if from_right else x, y)
        top = height
        for strip in self._strips:
            self.planes.paste(strip.at(time_s), 0, top)
            top += strip.height

    def _reading(self, info: FieldInfo, time_s: float) -> tuple[str, bool]:
        shown = self._steps[info.name]
        row = shown.row_at(time_s)
        if row < 0:
            return tag_text(math.nan, "", info.unit), False
        value, flag = shown.series["value"].iloc[row], str(shown.series["flag"].iloc[row])
        text = shown.series["text"].iloc[row]
        return tag_text(float(value), flag, info.unit, text), flag in COUNTED

    def _tag_places(self) -> dict[str, tuple[int, int, bool]]:
        """Find a place next to each box that covers no box and no other tag.

        Left of the box first: right of it the overlay's own unit may stand.

        Returns
        -------
        dict
            By field the x of the tag's left or right edge, its y, and whether it is the right.
        """
        taken = list(self._boxes.values())
        found = {}
        width, height = self._letters.width(TAG_LETTERS), self._letters.height
        for info in self._fields:
            box = self._boxes[info.name]
            gap = max(6, box.height // 4)
            middle = box.y + (box.height - height) // 2
            candidates = [
                (box.x - gap - width, middle),
                (box.x + box.width + gap, middle),
                (min(box.x, self.width - width), box.y + box.height + gap),
                (min(box.x, self.width - width), box.y - gap - height),
            ]
            place = next(
                (c for c in candidates if self._is_free(Box(*c, width, height), taken)),
                candidates[0],
            )
            x = min(max(0, place[0]), self.width - width) // 2 * 2
            y = min(max(0, place[1]), self._clip_height - height) // 2 * 2
            taken.append(Box(x, y, width, height))
            left_of_it = x + width <= box.x
            found[info.name] = (x + width if left_of_it else x, y, left_of_it)
        return found

    def _is_free(self, box: Box, taken: Sequence[Box]) -> bool:
        return box.within(self.width, self._clip_height) and not any(
            box.x < t.x + t.width
            and t.x < box.x + box.width
            and box.y < t.y + t.height
            and t.y < box.y + box.height
            for t in taken
        )


#: Most letters of a tag.
TAG_LETTERS = 24


def tag_text(value: float, flag: str, unit: str, text: object = "") -> str:
    """Return what stands in a tag: the number with its unit, and the flag in words."""
    if not flag:
        shown = "not read yet"
    elif math.isfinite(value):
        number = text if isinstance(text, str) and text and flag == "ok" else f"{value:g}"
        shown = f"{number} {unit}".strip() + f" {flag}"
    else:
        shown = flag.replace("_", " ")
    return f" {shown} "[:TAG_LETTERS]


def _clip_series(info: FieldInfo, series: pd.DataFrame, look: style.Look) -> RunSeries:
    ceiling = math.nan if info.ceiling is None else info.ceiling
    low = session_charts.low_level(info, ceiling)
    return RunSeries("", series, look, math.nan, low, ceiling)


def mosaic(
    session: Session,
    out: Path | None = None,
    *,
    only: Sequence[str] = (),
    field: str | None = None,
    progress: Progress | None = None,
) -> Path:
    """Write one film with all clips in a grid, in step from their first frames.

    Parameters
    ----------
    session : Session
        Whose clips were read.
    out : Path, optional
        The film; ``results/videos/mosaic.mp4`` by default.
    only : sequence of str
        Clips to show; all by default.
    field : str, optional
        Field to chart.
    progress : callable, optional
        Is told how far it is.

    Raises
    ------
    UsageError
        If clips were not read, or there are too many to see anything.
    ClipError
        If one cannot be decoded.
    StorageError
        If the film cannot be written.
    """
    names = session.choose(only)
    if len(names) > MOST_CLIPS:
        raise UsageError(
            f"{session.root}: {len(names)} clips do not fit in one picture (most: {MOST_CLIPS}); "
            "choose some with --clip"
        )
    results = load(session.root)
    info = main_field([results], field)
    series = {name: results.readings(name, info.name) for name in names}
    missing = [name for name, s in series.items() if s.empty]
    if missing:
        raise UsageError(f"{missing[0]}: was not read yet; run extractor read {session.root} first")
    path = out or session.results / VIDEOS / "mosaic.mp4"
    material = session_charts.gather([results], info, None, None)
    ordered = sorted(names, key=lambda n: _order(results, n))
    with style.drawing(session_charts.words(material)):
        grid = _Grid(results, info, material.looks, ordered, series)
        with film(path, *MOSAIC_SIZE, MOSAIC_RATE_HZ, quality=23) as writer:
            for i in range(1 + math.floor(grid.length_s * MOSAIC_RATE_HZ)):
                time_s = i / MOSAIC_RATE_HZ
                grid.show(time_s)
                writer.add(grid.planes.packed(), time_s)
                if progress is not None:
                    progress(time_s, grid.length_s)
    return path


def _rows_of(results: Results, clip: str) -> list[dict[str, Any]]:
    rows = records(results.summary.drop_duplicates("run"))
    return [row for row in rows if clip in str(row["clip"]).split(";")]


def _look(results: Results, looks: Mapping[str, style.Look], clip: str) -> style.Look:
    rows = _rows_of(results, clip)
    own = looks.get(str(rows[0]["antenna"])) if rows else None
    return own or style.looks([clip])[clip]


def _order(results: Results, clip: str) -> tuple[str, str, str, str]:
    rows = _rows_of(results, clip)
    if not rows:
        return ("\U0010ffff", "", "", clip)
    return (str(rows[0]["antenna"]), str(rows[0]["mounting"]), str(rows[0]["port"]), clip)


class _Grid:
    """The picture of a mosaic: a cell a clip."""

    def __init__(
        self,
        results: Results,
        info: FieldInfo,
        looks: Mapping[str, style.Look],
        names: Sequence[str],
        series: Mapping[str, pd.DataFrame],
    ) -> None:
        self.planes = Planes.blank(*MOSAIC_SIZE, style.PAPER)
        columns = math.ceil(math.sqrt(len(names)))
        rows = math.ceil(len(names) / columns)
        width = MOSAIC_SIZE[0] // columns // 2 * 2
        height = MOSAIC_SIZE[1] // rows // 2 * 2
        runs = []
        for name in names:
            found = _rows_of(results, name)
            look = _look(results, looks, name)
            title = session_charts.run_title(found[0], look.label) if found else look.label
            runs.append((title, _clip_series(info, series[name], look)))
        scale = common_scale([run for _, run in runs])
        self._cells = [
            _Cell(
                results.session.path(name), title, run, scale, info.unit,
                Box(i % columns * width, i // columns * height, width, height),
            )
            for i, (name, (title, run)) in enumerate(zip(names, runs, strict=True))
        ]  # fmt: skip
        self.length_s = max(cell.end_s for cell in self._cells)

    def show(self, time_s: float) -> None:
        """Bring every cell to a time."""
        for cell in self._cells:
            cell.show(self.planes, time_s)


class _Cell:
    """One clip of a mosaic: a line of text, its picture, its chart."""

    def __init__(
        self, path: Path, title: str, run: RunSeries, scale: Scale, unit: str, place: Box
    ) -> None:
        self._place, self._unit = place, unit
        clip = clips.probe(path)
        self._steps = steps(run.series)
        counted = run.series["flag"].isin(list(COUNTED)).to_numpy()
        self._count = np.cumsum(counted)
        shown = np.where(counted, run.series["value"].to_numpy(float), 0.0)
        self._mean = np.cumsum(shown) / np.maximum(1, self._count)
        self.end_s = float(run.series["time_s"].iloc[-1])
        text = even(max(14.0, 0.085 * place.height))
        strip = even(0.24 * place.height)
        self._title = Letters(text).line(title, place.width, run.look.color)
        self._letters = Letters(text, plain=True)
        self._strip = chart_strip(run, place.width, strip, "", scale)
        room = Box(place.x, place.y + text, place.width, place.height - text - strip)
        factor = min((room.width - 4) / clip.width, room.height / clip.height)
        size = even(clip.width * factor), min(even(clip.height * factor), room.height)
        self._size = size
        self._picture_at = (room.x + (room.width - size[0]) // 4 * 2, room.y)
        self._frames = self._decoded(clip)
        self._last: Planes | None = None
        self._ended = False

    def _decoded(self, clip: Clip) -> Iterator[Planes]:
        count = 1 + math.floor(self.end_s * MOSAIC_RATE_HZ)
        whole = [Box(0, 0, clip.width, clip.height)]
        times = [i / MOSAIC_RATE_HZ for i in range(count)]
        for frame in clips.at_times(clip, whole, times):
            yield planes_of(frame.crops[0], *self._size)

    def show(self, planes: Planes, time_s: float) -> None:
        place = self._place
        try:
            frame = next(self._frames, None)
        except ClipError:
            frame = None  # its end is damaged; the others go on
        if frame is not None:
            self._last = frame
        elif self._last is not None and not self._ended:
            self._last, self._ended = self._last.dimmed(), True
        planes.paste(self._title, place.x, place.y)
        row = self._steps.row_at(time_s)
        if row >= 0 and self._count[row]:
            text = f"mean {self._mean[row]:.1f} {self._unit}, n = {self._count[row]}"
            told = self._letters.picture(text)
            planes.paste(told, place.x + place.width - told.width - 4, place.y)
        if self._last is not None:
            planes.paste(self._last, *self._picture_at)
        strip_at = place.y + place.height - self._strip.height
        planes.paste(self._strip.at(time_s), place.x, strip_at)
