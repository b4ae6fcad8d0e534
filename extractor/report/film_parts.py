"""What the films of clips share: what is on the screen when, and how a clip is drawn."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from extractor.comparison.model import records
from extractor.report import theme
from extractor.report.charts.clips import RunSeries
from extractor.results import Results
from extractor.session.overlay import Field
from extractor.statistics.dropouts import low_level

Progress = Callable[[float, float], None]
"""Called with the seconds done and the seconds in all."""

VIDEOS = "videos"


class Steps:
    """One series as a film shows it: which row is on the screen when.

    A reading holds from the change that it followed, where known.
    """

    def __init__(self, series: pd.DataFrame) -> None:
        self.series = series
        times = series["time_s"].to_numpy(float)
        since = series["since_s"].to_numpy(float)
        before = np.concatenate([[-math.inf], times[:-1]])
        known = np.isfinite(since) & (since > before) & (since <= times)
        self.starts_s = np.where(known, since, times)

    def row_at(self, time_s: float) -> int:
        """Return the row shown at a time, -1 before the first."""
        return int(np.searchsorted(self.starts_s, time_s + 1e-6, side="right")) - 1


def clip_series(info: Field, series: pd.DataFrame, look: theme.Look) -> RunSeries:
    """Return one clip's series as its chart is drawn, without a title."""
    ceiling = math.nan if info.ceiling is None else info.ceiling
    low = low_level(info.direction, info.low, ceiling)
    return RunSeries("", series, look, math.nan, low, ceiling)


def rows_of(results: Results, clip: str) -> list[dict[str, Any]]:
    """Return the summary's rows of the runs that a clip belongs to."""
    rows = records(results.summary.drop_duplicates("run"))
    return [row for row in rows if clip in str(row["clip"]).split(";")]


def look_of(results: Results, looks: Mapping[str, theme.Look], clip: str) -> theme.Look:
    """Return the look of a clip's antenna; one of its own where it is in no run."""
    rows = rows_of(results, clip)
    own = looks.get(str(rows[0]["antenna"])) if rows else None
    return own or theme.looks([clip])[clip]
