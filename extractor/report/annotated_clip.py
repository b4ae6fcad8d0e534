"""The annotated clip: a recording with what was read, and when, beside its own numbers."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from extractor.errors import UsageError
from extractor.report import theme
from extractor.report.canvas import Canvas, Layer, split, width_of
from extractor.report.card import COVER_DARK, COVER_LIGHT
from extractor.report.film_parts import VIDEOS, Progress, Steps, curve, write_notes
from extractor.report.kept_looks import looks_of
from extractor.results import load, main_field, second_field
from extractor.session.folder import Session
from extractor.session.overlay import Box, Field
from extractor.statistics.dropouts import low_level, outages
from extractor.statistics.flags import COUNTED
from extractor.video import clips, footage
from extractor.video.clips import Clip
from extractor.video.encoding import Codec, Format, Picture, even, film

#: Where the panel with the charts may stand, the usual one first: left, top, width, height as
#: shares of the picture.
PLACES: Mapping[str, tuple[float, float, float, float]] = {
    "bottom": (0.05, 0.76, 0.9, 0.19),
    "top": (0.05, 0.05, 0.9, 0.19),
    "bottom-left": (0.05, 0.65, 0.42, 0.3),
    "bottom-right": (0.53, 0.65, 0.42, 0.3),
    "top-left": (0.05, 0.05, 0.42, 0.3),
    "top-right": (0.53, 0.05, 0.42, 0.3),
}
#: Most letters of a tag.
TAG_LETTERS = 24


def annotate(
    session: Session,
    clip: str,
    out: Path | None = None,
    progress: Progress | None = None,
    *,
    codec: Codec = "h264",
    panel: str | None = None,
    dark: bool = True,
) -> Path:
    """Write a copy of a clip with what was read, and when, beside the numbers.

    It has the size and times of its source. Each marked region is framed; the reading and its flag
    stand next to it, from the very frame at which it appeared; a panel charts each field. Nothing
    covers a marked number. With a codec that has opacity the footage is left out. Sound is dropped.

    Parameters
    ----------
    session : Session
        Whose clips were read.
    clip : str
        Its name, as `Session.choose` takes it.
    out : Path, optional
        The film; ``results/videos/CLIP`` by default.
    progress : callable, optional
        Is told how far it is.
    codec : str
        ``h264``, ``h265``, or for a layer of its own ``prores`` or ``png``.
    panel : str, optional
        One of `PLACES`, or ``none``; by default the first that covers no marked number.
    dark : bool
        Light on dark.

    Raises
    ------
    UsageError
        If there is no such clip, it was not read, or the panel would cover a number.
    ClipError
        If it cannot be decoded.
    StorageError
        If the film cannot be written.
    """
    made = _material(session, clip, panel, dark)
    known = made.clip
    form = Format(even(known.width), even(known.height), known.frame_rate_hz or 30.0, codec)
    stem = session.stems[made.name] + "-layer" * form.alpha
    path = out or session.results / VIDEOS / f"{stem}{form.suffix}"
    with film(path, form, matrix=known.colour.matrix) as add:
        for picture, time_s in _pictures(known, form, made.overlay):
            add(picture, time_s)
            if progress is not None:
                progress(time_s, known.length_s or 0.0)
    write_notes(path, _cues(made.field, made.series, made.label), [(0.0, made.label)])
    return path


@dataclass(frozen=True)
class _Material:
    """A clip with what is laid over it."""

    name: str
    clip: Clip
    field: Field
    series: pd.DataFrame
    label: str
    overlay: _Overlay


def _material(session: Session, clip: str, panel: str | None, dark: bool) -> _Material:
    (name,) = session.choose([clip])
    results = load(session.root)
    first = main_field([results], None)
    second = second_field([results], first.name)
    fields = [first] if second is None else [first, second]
    series = {f.name: results.readings(name, f.name) for f in fields}
    if any(s.empty for s in series.values()) or results.overlay is None:
        raise UsageError(f"{name}: was not read yet; run extractor read {session.root} first")
    known = clips.probe(session.path(name))
    # Every marked number stays clear, those that are not shown too.
    boxes = {f.name: f.box_for(known.width, known.height) for f in results.overlay.fields}
    rows = results.summary[[name in str(c).split(";") for c in results.summary["clip"]]]
    antenna = str(rows["antenna"].iloc[0]) if len(rows) else ""
    look = looks_of([results]).get(antenna) or theme.looks([name])[name]
    theme.tell_lacking("".join([look.label, *(f"{f.name}{f.unit}" for f in fields)]))
    overlay = _Overlay(known, fields, boxes, series, look, place=panel, dark=dark)
    return _Material(name, known, first, series[first.name], look.label, overlay)


def preview(session: Session, clip: str, panel: str | None = None, *, dark: bool = True) -> Picture:
    """Return one picture of the film, a third into it; see `annotate`."""
    made = _material(session, clip, panel, dark)
    form = Format(even(made.clip.width), even(made.clip.height))
    at_s = (made.clip.length_s or 0.0) / 3
    flat = np.empty(form.width * form.height * 3 // 2, np.uint8)
    onto = split(flat, form.width, form.height)
    parts = next(footage.scaled(made.clip, form.width, form.height, [at_s]))
    for plane, part in zip(onto, parts, strict=True):
        plane[:] = part
    made.overlay.show(at_s, lambda layer, *at: layer.over(onto, *at))
    return flat.reshape(-1, form.width)


def _pictures(clip: Clip, form: Format, overlay: _Overlay) -> Iterator[tuple[Any, float]]:
    flat = np.empty(form.width * form.height * 3 // 2, np.uint8)
    onto = split(flat, form.width, form.height)
    for time_s, parts in footage.pictures(clip, form.width, form.height):
        if form.alpha:
            pixels = np.zeros((form.height, form.width, 4), np.uint8)
            overlay.show(time_s, lambda layer, *at, p=pixels: layer.onto(p, *at))
            yield pixels, time_s
            continue
        for plane, part in zip(onto, parts, strict=True):
            plane[:] = part
        overlay.show(time_s, lambda layer, *at: layer.over(onto, *at))
        yield flat.reshape(-1, form.width), time_s


def _cues(field: Field, series: pd.DataFrame, label: str) -> list[tuple[float, float, str]]:
    """Say which antenna is seen, and when its link is lost."""
    times, values = (series[c].to_numpy(float) for c in ("time_s", "value"))
    low = low_level(field.direction, field.low, field.ceiling or math.nan)
    flags = series["flag"].to_numpy(object).astype(str)
    lost = [(a, max(b, a + 1.0), "No link.") for a, b in outages(times, values, flags, low)]
    return [(0.0, 4.0, f"{label}: what the picture's numbers were read as."), *lost]


@dataclass(frozen=True)
class _Chart:
    """One field in the panel."""

    info: Field
    start_s: float
    length_s: float
    place: Box
    """Of the curve, in the panel."""
    number_at: tuple[int, int]
    """Left and top of the number's room, in the panel; even."""


class _Overlay:
    """Frames, tags and panel of one clip; each drawn once."""

    def __init__(
        self, clip: Clip, fields: Sequence[Field], boxes: Mapping[str, Box],
        series: Mapping[str, pd.DataFrame], look: theme.Look, *, place: str | None, dark: bool,
    ) -> None:  # fmt: skip
        self._width, self._height = even(clip.width), even(clip.height)
        self._fields, self._boxes, self._dark = fields, boxes, dark
        self._matrix, self._look = clip.colour.matrix, look
        self._steps = {f.name: Steps(series[f.name]) for f in fields}
        self._panel = self._panel_box(place)
        tallest = max(boxes[f.name].height for f in fields)
        self._letters = even(min(0.05 * clip.height, max(18.0, 0.6 * tallest)))
        self._tag_width = even(width_of("8" * TAG_LETTERS, 0.62 * self._letters))
        self._places = self._tag_places()
        self._tag = lru_cache(512)(self._drawn_tag)
        self._number = lru_cache(512)(self._drawn_number)
        self._frames = [side for f in fields for side in self._frame(boxes[f.name])]
        self._charts: list[_Chart] = []
        if self._panel is not None:
            self._draw_panel(self._panel, series)

    def show(self, time_s: float, put: Callable[..., None]) -> None:
        """Lay everything over a picture: `put` takes a layer, its place and its columns."""
        for layer, x, y in self._frames:
            put(layer, x, y)
        for info in self._fields:
            text, counts = self._reading(info, time_s)
            tag = self._tag(text, counts)
            x, y, from_right = self._places[info.name]
            put(tag, x - tag.width if from_right else x, y)
        if self._panel is None:
            return
        left, top = self._panel.x, self._panel.y
        put(self._ahead, left, top)
        for one in self._charts:
            share = min(1.0, max(0.0, (time_s - one.start_s) / one.length_s))
            now = even(one.place.x + one.place.width * share)
            put(self._done, left, top, one.place.x // 2 * 2, now)
            text, counts = self._reading(one.info, time_s)
            put(self._number(text.split()[0] if counts else "–"), left + one.number_at[0],
                top + one.number_at[1])  # fmt: skip

    def _panel_box(self, wanted: str | None) -> Box | None:
        if wanted == "none":
            return None
        if wanted is not None and wanted not in PLACES:
            raise UsageError(f"--panel {wanted}: choose one of {', '.join(PLACES)} or none")
        for name in (wanted,) if wanted else PLACES:
            x, y, w, h = PLACES[name]
            sides = (x * self._width, y * self._height, w * self._width, h * self._height)
            box = Box(*(int(side) // 2 * 2 for side in sides))
            if not any(box.common(b) for b in self._boxes.values()):
                return box
        if wanted:
            raise UsageError(f"--panel {wanted}: would cover a marked number; choose another place")
        return None

    def _canvas(self, width: int, height: int, opacity: float) -> Canvas:
        canvas = Canvas(width, height, dark=self._dark)
        if opacity:
            canvas.box(0, 0, width, height, theme.PAPER, opacity)
        return canvas

    @property
    def _cover(self) -> float:
        return COVER_DARK if self._dark else COVER_LIGHT

    def _draw_panel(self, panel: Box, series: Mapping[str, pd.DataFrame]) -> None:
        beside = panel.width > 3 * panel.height and len(self._fields) > 1
        wide = panel.width // (len(self._fields) if beside else 1)
        high = panel.height // (1 if beside else len(self._fields))
        size = max(14.0, 0.15 * high)
        self._number_size = (even(0.3 * min(wide, 3.2 * high)), even(0.52 * high))
        drawn = []
        for opacity in (0.3, 1.0):
            # What has been lies on top of what is to come, panel and all.
            canvas = self._canvas(panel.width, panel.height, self._cover * (opacity < 1))
            for i, info in enumerate(self._fields):
                x, y = (i * wide, 0) if beside else (0, i * high)
                at = (even(x + wide - self._number_size[0] - 6), even(y + 0.34 * high))
                pad = round(0.1 * high)
                place = Box(
                    x + pad, round(y + 0.36 * high), at[0] - x - 2 * pad, round(0.54 * high)
                )
                own = series[info.name]
                top = info.ceiling or 1.05 * float(np.nanmax([*own["value"], 1e-9]))
                title = theme.with_unit(info.name, info.unit)
                way = f", {info.direction} is better" if info.direction else ""
                room = wide - 2 * pad
                label = title + way if width_of(title + way, size) < room else title
                if opacity < 1:
                    canvas.text(x + pad, y + 0.12 * high + 0.8 * size, label, size, theme.SOFT)
                low = low_level(info.direction, info.low, info.ceiling or math.nan)
                curve(canvas, own, place, top, low, self._look.color, opacity)
                if opacity == 1.0:
                    times = own["time_s"]
                    begin, end = float(times.iloc[0]), float(times.iloc[-1])
                    self._charts.append(_Chart(info, begin, max(1e-9, end - begin), place, at))
            drawn.append(Layer(canvas.pixels, self._matrix))
        self._ahead, self._done = drawn

    def _drawn_number(self, text: str) -> Layer:
        width, height = self._number_size
        canvas = self._canvas(width, height, 0.0)
        size = 0.8 * height
        while width_of(text, size, bold=True) > width - 8:
            size *= 0.93
        canvas.text(width - 6, 0.5 * height + 0.36 * size, text, size, self._look.color, bold=True,
                    right=True)  # fmt: skip
        return Layer(canvas.pixels, self._matrix)

    def _drawn_tag(self, text: str, counts: bool) -> Layer:
        size = 0.62 * self._letters
        width = min(self._tag_width, even(width_of(text, size) + 2))
        canvas = self._canvas(width, self._letters, self._cover)
        canvas.text(0, 0.5 * self._letters + 0.36 * size, text, size,
                    theme.INK if counts else theme.WARN)  # fmt: skip
        return Layer(canvas.pixels, self._matrix)

    def _frame(self, box: Box) -> list[tuple[Layer, int, int]]:
        """Return the four sides of a frame just outside a box."""
        t = max(2, even(self._height / 400))
        x0, y0 = box.x // 2 * 2 - t, box.y // 2 * 2 - t
        x1, y1 = -(-(box.x + box.width) // 2) * 2, -(-(box.y + box.height) // 2) * 2
        found = []
        for x, y, w, h in ((x0, y0, x1 - x0 + t, t), (x0, y1, x1 - x0 + t, t),
                           (x0, y0, t, y1 - y0 + t), (x1, y0, t, y1 - y0 + t)):  # fmt: skip
            # What falls outside the picture is not drawn: the box itself stays clear.
            left, top = max(0, x), max(0, y)
            right, bottom = min(self._width, x + w), min(self._height, y + h)
            if right > left and bottom > top:
                canvas = Canvas(right - left, bottom - top, dark=self._dark)
                canvas.box(0, 0, right - left, bottom - top, self._look.color)
                found.append((Layer(canvas.pixels, self._matrix), left, top))
        return found

    def _reading(self, info: Field, time_s: float) -> tuple[str, bool]:
        shown = self._steps[info.name]
        row = shown.row_at(time_s)
        if row < 0:
            return tag_text(math.nan, "", info.unit), False
        value, flag = float(shown.values[row]), str(shown.flags[row])
        return tag_text(value, flag, info.unit, shown.texts[row]), flag in COUNTED

    def _tag_places(self) -> dict[str, tuple[int, int, bool]]:
        """Find a place next to each box that covers no box, no other tag and not the panel.

        Left of the box first: right of it the overlay's own unit may stand.

        Returns
        -------
        dict
            By field the x of the tag's left or right edge, its y, and whether it is the right.
        """
        taken = [*self._boxes.values(), *([self._panel] if self._panel else [])]
        found = {}
        width, height = self._tag_width, self._letters
        for info in self._fields:
            box = self._boxes[info.name]
            gap = max(6, box.height // 4)
            middle = box.y + (box.height - height) // 2
            candidates = [
                (box.x - gap - width, middle),
                (box.x + box.width + gap, middle),
                (min(box.x, self._width - width), box.y + box.height + gap),
                (min(box.x, self._width - width), box.y - gap - height),
            ]
            rows = range(0, self._height - height, height)
            candidates += [(x, y) for y in rows for x in (0, self._width - width)]
            place = next(
                (
                    (x, y)
                    for x, y in candidates
                    if (tag := Box(x, y, width, height)).within(self._width, self._height)
                    and not any(tag.common(t) for t in taken)
                ),
                candidates[0],
            )
            x = min(max(0, place[0]), self._width - width) // 2 * 2
            y = min(max(0, place[1]), self._height - height) // 2 * 2
            taken.append(Box(x, y, width, height))
            left_of_it = x + width <= box.x
            found[info.name] = (x + width if left_of_it else x, y, left_of_it)
        return found


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
