"""One run in a mosaic: its footage, and a panel with number, bar and curve."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from extractor.errors import ClipError
from extractor.report import theme
from extractor.report.canvas import Canvas, Layer, fitted, rgb, width_of
from extractor.report.card import COVER_DARK, COVER_LIGHT
from extractor.report.film_parts import NOTHING, Steps, curve, states
from extractor.report.story import Story
from extractor.session.overlay import Box
from extractor.session.recordings import end_s
from extractor.video import footage
from extractor.video.clips import Clip
from extractor.video.encoding import even, planes
from extractor.video.footage import Planes


@dataclass(frozen=True)
class ShownRun:
    """One run as its cell shows it."""

    antenna: str
    column: str
    """Port, mounting and round, where known."""
    parts: tuple[tuple[Clip, float], ...]
    """Its clips, and when each begins, seconds of the run's own clock."""
    series: pd.DataFrame
    look: theme.Look
    low: float
    boxes: tuple[Box, ...]
    """Where numbers stand in the first clip's picture."""

    @property
    def start_s(self) -> float:
        """Time of its first reading, on its own clock."""
        return float(self.series["time_s"].iloc[0])

    @property
    def length_s(self) -> float:
        """How long it is."""
        times = self.series["time_s"]
        return max(0.1, end_s(self.start_s, float(times.iloc[-1]), len(times)) - self.start_s)


def short(column: str) -> str:
    """Return port, mounting and round in a few signs: ``Green m1 r2``; the legend says so."""
    return column.replace(" · ", " ").replace("mounting ", "m").replace("round ", "r")


class Cell:
    """One run: its footage, and a panel where no number stands."""

    def __init__(
        self,
        run: ShownRun,
        place: Box,
        story: Story,
        dark: bool,
        top: float,
        matrix: int,
        inset: int,
    ) -> None:
        self._run, self._place, self._top, self._dark, self._matrix = run, place, top, dark, matrix
        clip = run.parts[0][0]
        factor = max(place.width / clip.width, place.height / clip.height)
        self._size = (
            max(even(clip.width * factor), place.width),
            max(even(clip.height * factor), place.height),
        )
        height = even(min(0.34 * place.height, max(44, 0.29 * place.height)))
        marked = [b.y + b.height / 2 for b in run.boxes]
        low = bool(marked) and sum(marked) / len(marked) > clip.height / 2
        # What does not fit is cut off where the panel stands, not where the numbers do.
        spare_x, spare_y = self._size[0] - place.width, self._size[1] - place.height
        self._cut = (spare_x // 4 * 2, (spare_y if low else 0) // 2 * 2)
        self._panel_at = (place.x, place.y if low else place.y + place.height - height)
        self._steps = Steps(run.series)
        digits = story.field.decimals if isinstance(story.field.decimals, int) else 1
        self._states = states(run.series, digits, run.low, top)
        self._draw_panel(height, inset)
        self._frames: Iterator[Planes] | None = None
        self._before = math.inf
        self._last: Planes | None = None
        self._number = lru_cache(512)(self._drawn_number)

    def _draw_panel(self, height: int, inset: int) -> None:
        place, run = self._place, self._run
        self._bar = max(4, even(0.1 * height))
        self._room = even(width_of("88.8", 0.62 * height, bold=True) + 1.5 * inset)
        width, size = place.width - self._room, 0.27 * height
        drawn = []
        for opacity in (1.0, 0.35):
            canvas = Canvas(place.width, height, dark=self._dark)
            cover = COVER_DARK if self._dark else COVER_LIGHT
            canvas.box(0, 0, place.width, height, theme.PAPER, cover)
            canvas.mark(inset + 0.4 * size, 0.55 * size + 0.1 * height, 0.7 * size, run.look)
            x = inset + 1.1 * size
            spare = width - x - width_of(run.look.label, size, bold=True) - 1.6 * size
            base = 0.1 * height + 0.9 * size
            canvas.text(
                x, base, fitted(run.look.label, size, width - x, bold=True), size, bold=True
            )
            beside = width_of(run.column, 0.8 * size) <= spare
            if beside:
                canvas.text(width - spare - size, base, run.column, 0.8 * size, theme.SOFT)
            else:
                text = run.column
                if width_of(text, 0.8 * size) > width - inset:
                    text = short(text)
                text = fitted(text, 0.8 * size, width - inset)
                canvas.text(inset, base + size, text, 0.8 * size, theme.SOFT)
            above = round((0.46 if beside else 0.67) * height)
            line = Box(inset, above, even(width - inset), round(0.96 * height) - above - self._bar)
            curve(canvas, run.series, line, self._top, run.low, run.look.color, opacity)
            drawn.append(Layer(canvas.pixels, self._matrix))
        self._done, self._ahead = drawn
        self._line = line

    def _drawn_number(self, text: str, bad: bool) -> Layer:
        height = self._done.height
        canvas = Canvas(self._room, height, dark=self._dark)
        size = (0.6 if text[0] in "–0123456789" else 0.3) * height
        color = theme.WARN if bad else self._run.look.color
        while width_of(text, size, bold=True) > self._room - 4:
            size *= 0.9
        right = self._room - width_of("8", 0.2 * height)
        canvas.text(right, 0.5 * height + 0.3 * size, text, size, color, bold=True, right=True)
        return Layer(canvas.pixels, self._matrix)

    def footage(self, time_s: float) -> Planes | None:
        """Return the picture at a time of the film; None while there is none."""
        at = math.fmod(time_s, self._run.length_s)
        if at < self._before:
            self._frames = self._decoded(time_s)
        self._before = at
        assert self._frames is not None
        self._asked_s = self._run.start_s + at
        self._last = next(self._frames, self._last)
        return self._last

    def _decoded(self, time_s: float) -> Iterator[Planes]:
        """Go through the run's clips; what time is wanted next is asked anew for each picture."""
        parts = self._run.parts
        for i, (clip, begins) in enumerate(parts):
            end = parts[i + 1][1] if i + 1 < len(parts) else math.inf

            def wanted(begins: float = begins, end: float = end) -> Iterator[float]:
                while self._asked_s < end:
                    yield self._asked_s - begins

            try:
                yield from footage.scaled(clip, *self._size, wanted())
            except ClipError:
                return  # its end is damaged; the others go on

    def show(self, onto: Sequence[Any], picture: Planes | None, time_s: float) -> None:
        """Put the run as it is at a time of the film on the picture."""
        place = self._place
        if picture is not None:
            for step, plane, part in zip((1, 2, 2), onto, picture, strict=True):
                y, x = place.y // step, place.x // step
                room = plane[y : y + place.height // step, x : x + place.width // step]
                top, left = self._cut[1] // step, self._cut[0] // step
                room[:] = part[top : top + room.shape[0], left : left + room.shape[1]]
        at = math.fmod(time_s, self._run.length_s)
        x, y = self._panel_at
        line, panel = self._line, place.width
        now = even(line.x + line.width * at / self._run.length_s)
        self._done.over(onto, x, y, 0, now)
        self._ahead.over(onto, x, y, now, panel)
        row = self._steps.row_at(self._run.start_s + at)
        text, share, bad = self._states[row] if row >= 0 else NOTHING
        self._number(text, bad).over(onto, x + panel - self._room, y)
        bar_y = y + self._done.height - self._bar
        filled = even(panel * share) if share > 0 else 0
        color = theme.WARN if bad else self._run.look.color
        ink = _stored(theme.DARK.get(color, color) if self._dark else color, self._matrix)
        for step, plane, value in zip((1, 2, 2), onto, ink, strict=True):
            plane[bar_y // step : (bar_y + self._bar) // step, x // step : (x + filled) // step] = (
                value
            )


@lru_cache(maxsize=64)
def _stored(color: str, matrix: int) -> tuple[int, int, int]:
    flat = planes(np.full((2, 2, 3), rgb(color), np.uint8), matrix).reshape(-1)
    return int(flat[0]), int(flat[4]), int(flat[5])
