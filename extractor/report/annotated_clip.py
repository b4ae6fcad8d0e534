"""The annotated clip: a copy of a recording with what was read, and when, beside the numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from extractor.errors import UsageError
from extractor.report import theme, yuv_canvas
from extractor.report.charts import session as session_charts
from extractor.report.charts import style
from extractor.report.film_parts import VIDEOS, Progress, Steps, clip_series, look_of
from extractor.report.yuv_canvas import Letters, Strip
from extractor.results import load, main_field, second_field
from extractor.session.folder import Session
from extractor.session.overlay import Box, Field
from extractor.statistics.flags import COUNTED
from extractor.video import clips
from extractor.video.clips import Clip
from extractor.video.encoding import even, film

#: Height of the chart under the clip, as a share of the picture's height.
_STRIP = 0.16


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
    first = main_field([results], None)
    second = second_field([results], first.name)
    fields = [first] if second is None else [first, second]
    series = {f.name: results.readings(name, f.name) for f in fields}
    if any(s.empty for s in series.values()) or results.overlay is None:
        raise UsageError(f"{name}: was not read yet; run extractor read {session.root} first")
    known = clips.probe(session.path(name))
    boxes = {f.name: results.overlay[f.name].box_for(known.width, known.height) for f in fields}
    path = out or session.results / VIDEOS / f"{session.stems[name]}.mp4"
    material = session_charts.Material((results,), fields[0], None, None)
    look = look_of(results, material.looks, name)
    with style.drawing([name, *(f"{f.name}{f.unit}" for f in fields)]):
        page = _Page(known, fields, boxes, series, look)
        with film(path, page.width, page.height, known.frame_rate_hz or 30.0) as add:
            whole = [Box(0, 0, known.width, known.height)]
            for frame in clips.frames(known, whole, clips.Tally(), threads=2):
                page.show(frame.crops[0], frame.time_s)
                add(yuv_canvas.packed(page.picture), frame.time_s)
                if progress is not None:
                    progress(frame.time_s, known.length_s or 0.0)
    return path


class _Page:
    """The picture of an annotated film: the clip's frame, tags on it, charts below it."""

    def __init__(
        self,
        clip: Clip,
        fields: Sequence[Field],
        boxes: Mapping[str, Box],
        series: Mapping[str, pd.DataFrame],
        look: theme.Look,
    ) -> None:
        self.width, self._clip_height = even(clip.width), even(clip.height)
        strip_height = even(max(90.0, _STRIP * clip.height))
        self.height = self._clip_height + strip_height * len(fields)
        self.picture = yuv_canvas.blank(self.width, self.height, theme.PAPER)
        self._fields = fields
        self._boxes = boxes
        self._steps = {name: Steps(s) for name, s in series.items()}
        tallest = max(b.height for b in boxes.values())
        self._letters = Letters(even(min(0.05 * clip.height, max(18.0, 0.6 * tallest))))
        self._places = self._tag_places()
        self._strips = [
            Strip(
                clip_series(f, series[f.name], look), self.width, strip_height,
                style.with_unit(f.name, f.unit),
            )
            for f in fields
        ]  # fmt: skip

    def show(self, crop: npt.NDArray[np.uint8], time_s: float) -> None:
        """Put one frame of the clip on the page, with what was read at that time."""
        height = self._clip_height
        yuv_canvas.paste(self.picture, yuv_canvas.scaled(crop, self.width, height), 0, 0)
        for info in self._fields:
            thickness = max(2, round(height / 360))
            yuv_canvas.draw_frame(self.picture, self._boxes[info.name], thickness)
            text, counts = self._reading(info, time_s)
            tag = self._letters.picture(text, bad=not counts)
            x, y, from_right = self._places[info.name]
            yuv_canvas.paste(self.picture, tag, x - tag.shape[1] if from_right else x, y)
        top = height
        for strip in self._strips:
            yuv_canvas.paste(self.picture, strip.at(time_s), 0, top)
            top += strip.height

    def _reading(self, info: Field, time_s: float) -> tuple[str, bool]:
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
                (
                    (x, y)
                    for x, y in candidates
                    if (tag := Box(x, y, width, height)).within(self.width, self._clip_height)
                    and not any(tag.common(t) for t in taken)
                ),
                candidates[0],
            )
            x = min(max(0, place[0]), self.width - width) // 2 * 2
            y = min(max(0, place[1]), self._clip_height - height) // 2 * 2
            taken.append(Box(x, y, width, height))
            left_of_it = x + width <= box.x
            found[info.name] = (x + width if left_of_it else x, y, left_of_it)
        return found


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
