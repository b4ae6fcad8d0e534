"""The mosaic: all clips of a session in one picture, in step."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from extractor.errors import ClipError, UsageError
from extractor.report import theme, yuv_canvas
from extractor.report.charts import session as session_charts
from extractor.report.charts import style
from extractor.report.charts.clips import RunSeries, Scale, common_scale
from extractor.report.film_parts import VIDEOS, Progress, Steps, clip_series, look_of, rows_of
from extractor.report.yuv_canvas import Letters, Picture, Strip
from extractor.results import Results, load, main_field
from extractor.session.folder import Session
from extractor.session.overlay import Box, Field
from extractor.statistics.flags import COUNTED
from extractor.video import clips
from extractor.video.clips import Clip
from extractor.video.encoding import even, film

MOSAIC_SIZE = (1920, 1080)
MOSAIC_RATE_HZ = 10
#: More clips than this are too small to see anything.
MOST_CLIPS = 64


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
    ordered = sorted(names, key=lambda n: _order(results, n))
    series = {name: results.readings(name, info.name) for name in ordered}
    missing = [name for name, s in series.items() if s.empty]
    if missing:
        raise UsageError(f"{missing[0]}: was not read yet; run extractor read {session.root} first")
    path = out or session.results / VIDEOS / "mosaic.mp4"
    material = session_charts.Material((results,), info, None, None)
    with style.drawing(session_charts.words(material)):
        cells = _cells(results, info, series)
        length_s = max(cell.end_s for cell in cells)
        picture = yuv_canvas.blank(*MOSAIC_SIZE, theme.PAPER)
        with film(path, *MOSAIC_SIZE, MOSAIC_RATE_HZ, quality=23) as add:
            for i in range(1 + math.floor(length_s * MOSAIC_RATE_HZ)):
                time_s = i / MOSAIC_RATE_HZ
                for cell in cells:
                    cell.show(picture, time_s)
                add(yuv_canvas.packed(picture), time_s)
                if progress is not None:
                    progress(time_s, length_s)
    return path


def _order(results: Results, clip: str) -> tuple[str, str, str, str]:
    row = next(iter(rows_of(results, clip)), {"antenna": "\U0010ffff", "mounting": "", "port": ""})
    return (str(row["antenna"]), str(row["mounting"]), str(row["port"]), clip)


def _cells(results: Results, info: Field, series: Mapping[str, pd.DataFrame]) -> list[_Cell]:
    """Lay out a cell a clip, in the order of `series`."""
    looks = session_charts.Material((results,), info, None, None).looks
    columns = math.ceil(math.sqrt(len(series)))
    rows = math.ceil(len(series) / columns)
    width = MOSAIC_SIZE[0] // columns // 2 * 2
    height = MOSAIC_SIZE[1] // rows // 2 * 2
    runs = {}
    for name, own in series.items():
        found = rows_of(results, name)
        look = look_of(results, looks, name)
        title = session_charts.run_title(found[0], look.label) if found else look.label
        runs[name] = (title, clip_series(info, own, look))
    scale = common_scale([run for _, run in runs.values()])
    return [
        _Cell(
            results.session.path(name), title, run, scale, info.unit,
            Box(i % columns * width, i // columns * height, width, height),
        )
        for i, (name, (title, run)) in enumerate(runs.items())
    ]  # fmt: skip


class _Cell:
    """One clip of a mosaic: a line of text, its picture, its chart."""

    def __init__(
        self, path: Path, title: str, run: RunSeries, scale: Scale, unit: str, place: Box
    ) -> None:
        self._place, self._unit = place, unit
        clip = clips.probe(path)
        self._steps = Steps(run.series)
        counted = run.series["flag"].isin(list(COUNTED)).to_numpy()
        self._count = np.cumsum(counted)
        shown = np.where(counted, run.series["value"].to_numpy(float), 0.0)
        self._mean = np.cumsum(shown) / np.maximum(1, self._count)
        self.end_s = float(run.series["time_s"].iloc[-1])
        text = even(max(14.0, 0.085 * place.height))
        strip = even(0.24 * place.height)
        self._title = Letters(text).line(title, place.width, run.look.color)
        self._letters = Letters(text, plain=True)
        self._strip = Strip(run, place.width, strip, "", scale)
        room = Box(place.x, place.y + text, place.width, place.height - text - strip)
        factor = min((room.width - 4) / clip.width, room.height / clip.height)
        size = even(clip.width * factor), min(even(clip.height * factor), room.height)
        self._size = size
        self._picture_at = (room.x + (room.width - size[0]) // 4 * 2, room.y)
        self._frames = self._decoded(clip)
        self._last: Picture | None = None
        self._ended = False

    def _decoded(self, clip: Clip) -> Iterator[Picture]:
        count = 1 + math.floor(self.end_s * MOSAIC_RATE_HZ)
        whole = [Box(0, 0, clip.width, clip.height)]
        times = [i / MOSAIC_RATE_HZ for i in range(count)]
        for frame in clips.at_times(clip, whole, times):
            yield yuv_canvas.scaled(frame.crops[0], *self._size)

    def show(self, picture: Picture, time_s: float) -> None:
        place = self._place
        try:
            frame = next(self._frames, None)
        except ClipError:
            frame = None  # its end is damaged; the others go on
        if frame is not None:
            self._last = frame
        elif self._last is not None and not self._ended:
            self._last, self._ended = yuv_canvas.dimmed(self._last), True
        yuv_canvas.paste(picture, self._title, place.x, place.y)
        row = self._steps.row_at(time_s)
        if row >= 0 and self._count[row]:
            text = f"mean {self._mean[row]:.1f} {self._unit}, n = {self._count[row]}"
            told = self._letters.picture(text)
            yuv_canvas.paste(picture, told, place.x + place.width - told.shape[1] - 4, place.y)
        if self._last is not None:
            yuv_canvas.paste(picture, self._last, *self._picture_at)
        strip_at = place.y + place.height - self._strip.height
        yuv_canvas.paste(picture, self._strip.at(time_s), place.x, strip_at)
