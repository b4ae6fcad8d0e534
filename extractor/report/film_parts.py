"""What films share: how they are written, loop and end, and what goes beside them as text."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from extractor.report import theme
from extractor.report.canvas import Canvas
from extractor.session.atomic import write_text
from extractor.session.overlay import Box
from extractor.statistics.dropouts import outages
from extractor.statistics.flags import COUNTED, Flag
from extractor.video.crops import BT709
from extractor.video.encoding import Format, Picture, film

Progress = Callable[[float, float], None]
"""Called with the seconds done and the seconds in all."""

VIDEOS = "videos"


#: The end of a loop turns into its beginning in so many seconds.
_DISSOLVE_S = 0.5


def shoot(
    path: Path, form: Format, pictures: Iterator[Picture], count: int, *,
    loop: bool = False, progress: Progress | None = None, matrix: int = BT709,
) -> None:  # fmt: skip
    """Write `count` pictures as a film; a `loop` ends on the picture on which it begins.

    Raises
    ------
    StorageError
        If it cannot be written.
    """
    end = max(2, round(_DISSOLVE_S * form.rate_hz)) if loop else 0
    first: Picture | None = None
    with film(path, form, matrix=matrix) as add:
        for i, picture in enumerate(islice(pictures, count)):
            if loop and first is None:
                first = picture.copy()
            if first is not None and i > count - 1 - end:
                share = (i - (count - 1 - end)) / end
                picture = np.asarray(cv2.addWeighted(first, share, picture, 1 - share, 0))
            add(picture, i / form.rate_hz)
            if progress is not None:
                progress((i + 1) / form.rate_hz, count / form.rate_hz)


Cue = tuple[float, float, str]
"""From when to when, seconds, and what is said."""


def write_notes(path: Path, cues: Sequence[Cue], chapters: Sequence[tuple[float, str]]) -> None:
    """Write captions (``.vtt``) and a list of chapters (``.chapters.txt``) beside a film.

    Raises
    ------
    StorageError
        If one cannot be written.
    """
    parts = [f"{_clock(a)} --> {_clock(b)}\n{_escaped(text)}\n" for a, b, text in cues]
    stem = path.with_suffix("") if path.suffix in (".mp4", ".mov") else path
    write_text(stem.with_name(f"{stem.name}.vtt"), "\n".join(["WEBVTT\n", *parts]))
    lines = [f"{int(at // 60)}:{int(at % 60):02d} {title}" for at, title in chapters]
    write_text(stem.with_name(f"{stem.name}.chapters.txt"), "\n".join([*lines, ""]))


def _clock(seconds: float) -> str:
    whole = round(seconds * 1000)
    return f"{whole // 3_600_000:02d}:{whole // 60_000 % 60:02d}:{whole / 1000 % 60:06.3f}"


def _escaped(text: str) -> str:
    return " ".join(text.split()).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


class Steps:
    """One series as a film shows it: which row is on the screen when.

    A reading holds from the change that it followed, where known.
    """

    def __init__(self, series: pd.DataFrame) -> None:
        self.series = series
        # A table's cell takes a hundred times as long to find as an array's.
        self.values, self.flags, self.texts = (
            series[c].to_numpy() if c in series else np.full(len(series), "")
            for c in ("value", "flag", "text")
        )
        times = series["time_s"].to_numpy(float)
        since = series["since_s"].to_numpy(float)
        before = np.concatenate([[-math.inf], times[:-1]])
        known = np.isfinite(since) & (since > before) & (since <= times)
        self.starts_s = np.where(known, since, times)

    def row_at(self, time_s: float) -> int:
        """Return the row shown at a time, -1 before the first."""
        return int(np.searchsorted(self.starts_s, time_s + 1e-6, side="right")) - 1


def states(
    series: pd.DataFrame, digits: int, low: float, top: float
) -> list[tuple[str, float, bool]]:
    """Return what a number shows at each row, its share of `top`, and whether the link is lost."""
    found = []
    for value, flag in zip(series["value"].astype(float), series["flag"], strict=True):
        if flag == Flag.NO_LINK:
            found.append(("no link", 0.0, True))
        elif flag in COUNTED and math.isfinite(value):
            share = min(1.0, max(0.0, value / top))
            found.append((f"{value:.{digits}f}", share, bool(value < low)))
        else:
            found.append(NOTHING)
    return found


#: Before the first reading, and where none counts.
NOTHING = ("–", 0.0, False)


def curve(
    canvas: Canvas, series: pd.DataFrame, place: Box, top: float, low: float, color: str,
    opacity: float = 1.0,
) -> None:  # fmt: skip
    """Draw a run's readings that count as a line; stretches without link are shaded."""
    times = series["time_s"].to_numpy(float)
    values = series["value"].to_numpy(float)
    flags = series["flag"].to_numpy(object).astype(str)
    whole = max(float(times[-1] - times[0]), 1e-9) if len(times) else 1.0

    def across(time_s: float) -> float:
        return place.x + place.width * (time_s - times[0]) / whole

    for start, end in outages(times, values, flags, low):
        canvas.box(across(start), place.y, max(2.0, across(end) - across(start)), place.height,
                   theme.WARN, 0.5 * opacity)  # fmt: skip
    shown = np.where(np.isin(flags, list(COUNTED)), values, np.nan)
    # More readings than pixels cost time and show nothing.
    step = max(1, len(times) // max(1, 2 * place.width))
    heights = place.y + place.height * (1 - np.clip(shown[::step] / top, 0.0, 1.0))
    points = list(zip(map(across, times[::step]), heights, strict=True))
    canvas.line(points, color, max(2, place.height / 28), opacity)
