"""The card: one picture fit for a video or a post, that says how sure it is."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd
from matplotlib.figure import Figure

from extractor.comparison import Comparison
from extractor.errors import UsageError
from extractor.pipeline import compare_sessions
from extractor.report import chart_files, pack, theme
from extractor.report.charts import ranking as ranking_chart
from extractor.report.charts import session as session_charts
from extractor.report.charts import style
from extractor.results import load, main_field
from extractor.session.folder import results_folder

#: Smallest and largest side, pixels.
SMALLEST, LARGEST = 480, 4096
#: More antennas than this no longer fit; the best are shown and the rest is counted.
MOST_ROWS = 12
_DPI = 100
#: Height of a row, in points at a scale of 1, that names above it and beside it need.
_ROW_ABOVE, _ROW_LEFT = 56.0, 38.0
_CONDITIONS = ("place", "distance_m", "walls", "channel_mhz", "power_mw", "rate_mode")
_UNITS = {"distance_m": "m", "channel_mhz": "MHz", "power_mw": "mW"}


@dataclass(frozen=True)
class Size:
    """Of a picture, pixels."""

    width: int
    height: int


def parse_size(text: str) -> Size:
    """Return the size that ``1920x1080`` says.

    Raises
    ------
    UsageError
        If it says none, or one outside `SMALLEST` to `LARGEST`.
    """
    match = re.fullmatch(r"\s*(\d{1,5})\s*[xX×]\s*(\d{1,5})\s*", text)
    if match is None:
        raise UsageError(f"--size {text}: give width x height in pixels, such as 1920x1080")
    size = Size(int(match[1]), int(match[2]))
    if not all(SMALLEST <= side <= LARGEST for side in (size.width, size.height)):
        raise UsageError(f"--size {text}: each side must be {SMALLEST} to {LARGEST} pixels")
    return size


def write_card(
    session: str | Path,
    out: str | Path | None = None,
    *,
    size: Size = Size(1920, 1080),
    title: str | None = None,
    field: str | None = None,
    confidence: float = 0.95,
) -> Path:
    """Write the card of a session or pack.

    Parameters
    ----------
    session : str or Path
        A session folder whose clips were read, or a pack.
    out : str or Path, optional
        A PNG file; ``results/pictures/card-WxH.png`` by default.
    size : Size
        Of the picture, pixels.
    title : str, optional
        Says what was tested; made from the session when absent.
    field : str, optional
        Field to rank by.
    confidence : float
        Of the intervals.

    Raises
    ------
    UsageError
        If there is nothing to rank; the message says what is missing.
    SessionFileError, StorageError
        If a file is wrong or cannot be written.

    Examples
    --------
    >>> from extractor import write_card
    >>> write_card("sample_clips", "card.png", title="Four antennas at the boat club").name
    'card.png'
    """
    place = Path(session)
    with pack.opened(place) as folder:
        results = load(folder)
        info = main_field([results], field)
        comparison = compare_sessions([folder], field=info.name, confidence=confidence)
        material = session_charts.Material((results,), info, None, comparison)
        conditions = dict(results.conditions)
    shown = title or f"{len(comparison.ranking)} {comparison.factor}s compared"
    with style.drawing([*session_charts.words(material), shown, *map(str, conditions.values())]):
        figure = draw_card(comparison, material.looks, conditions, shown, size)
        picture = style.png(figure, _DPI)
    folder = results_folder(place) / "pictures"
    path = Path(out) if out else folder / f"card-{size.width}x{size.height}.png"
    return chart_files.save(path.parent, path.stem, picture)[0]


def draw_card(
    comparison: Comparison,
    looks: Mapping[str, theme.Look],
    conditions: Mapping[str, Any],
    title: str,
    size: Size,
) -> Figure:
    """Draw the card; call inside `style.drawing`.

    Parameters
    ----------
    comparison : Comparison
        What is ranked.
    looks : mapping
        From `theme.looks`.
    conditions : mapping
        As in ``session.toml``; the best known ones are shown.
    title : str
        Over the picture.
    size : Size
        Pixels, exactly.
    """
    figure = Figure(figsize=(size.width / _DPI, size.height / _DPI), facecolor=theme.PAPER)
    narrow = size.width / size.height < 1.2
    scale = min(size.width / (640 if narrow else 1100), size.height / 620)
    table = comparison.ranking.head(MOST_ROWS)
    unit_y = _DPI * scale / size.height  # one line of small text, as a share of the height
    margin = 0.045 if narrow else 0.04
    top = _head(figure, comparison, title, scale, margin, unit_y, narrow)
    bottom = _foot(figure, comparison, conditions, scale, margin, unit_y)
    row_points = (top - bottom) * size.height / (len(table) + 0.2) * 72 / _DPI
    above = narrow and row_points > _ROW_ABOVE * scale
    marks = min(scale if above or not narrow else 0.62 * scale, row_points / _ROW_LEFT)
    left = margin + (0.012 if above else _label_width(table, looks, marks) / size.width)
    right = 1 - margin - (118 * scale / size.width if comparison.order.together else 0)
    axes = figure.add_axes((left, bottom, right - left, top - bottom))
    ranking_chart.draw_ranking(
        axes, replace(comparison, ranking=table), looks, session_charts.measured(comparison),
        size=marks, names_above=above,
    )  # fmt: skip
    axes.margins(x=0.1 if above else 0.05)
    return figure


def _head(
    figure: Figure, comparison: Comparison, title: str, scale: float, margin: float, line: float,
    narrow: bool,
) -> float:  # fmt: skip
    """Write title and verdict; return where they end."""
    size = 20 * scale
    lines = textwrap.wrap(title, _fitting(figure, size * 1.25, margin))[:2]
    y = 1 - margin * (0.7 if narrow else 1)
    for text in lines:
        figure.text(margin, y, text, fontsize=size, fontweight="bold", va="top")
        y -= 0.34 * line
    for text in textwrap.wrap(verdict(comparison), _fitting(figure, 11.5 * scale, margin))[:4]:
        figure.text(margin, y - 0.05 * line, text, fontsize=11.5 * scale, va="top")
        y -= 0.215 * line
    return y - 0.12 * line


def verdict(comparison: Comparison) -> str:
    """Return the card's one sentence: who leads, who ties, or that nothing can be said."""
    if comparison.better is None:
        return (
            f"No ranking, highest number on top: whether a higher or a lower {comparison.field} is "
            "better was not said."
        )
    return next(f.sentence for f in comparison.findings if f.kind == "ranking")


def _foot(
    figure: Figure, comparison: Comparison, conditions: Mapping[str, Any], scale: float,
    margin: float, line: float,
) -> float:  # fmt: skip
    """Write how it was measured; return where the plot may begin."""
    table = comparison.ranking
    runs, mountings = int(table["runs"].sum()), int(table["mountings"].sum())
    words = ranking_chart.interval_words(table, comparison.confidence)
    start = f"n = {runs} runs in {mountings} mountings. "
    start += f"Bars: {words}. " if not words.startswith("no ") else f"{words.capitalize()}. "
    start += "Ticks: runs."
    if table["lower_bound"].any():
        start += " ≥: link at its ceiling, the real level may be higher."
    if len(table) > MOST_ROWS:
        start += f" Best {MOST_ROWS} of {len(table)} shown."
    wide = _fitting(figure, 9.6 * scale, margin)
    lines = textwrap.wrap(start, wide) + textwrap.wrap(condition_line(conditions), wide)
    y = margin * 0.8
    for text in reversed(lines[:6]):
        figure.text(margin, y, text, fontsize=9.6 * scale, color=theme.SOFT, va="bottom")
        y += 0.185 * line
    return y + 0.42 * line


def condition_line(conditions: Mapping[str, Any]) -> str:
    """Return the conditions that matter most as one line."""
    parts = []
    for key in _CONDITIONS:
        value = conditions.get(key)
        if value in (None, "") or isinstance(value, dict | list):
            continue
        text = f"{value:g}" if isinstance(value, float) else str(value)
        if key == "walls":
            text = f"{text} wall{'s' * (text != '1')}"
        parts.append(f"{text} {_UNITS[key]}" if key in _UNITS else text)
    return " · ".join(parts)


def _label_width(table: pd.DataFrame, looks: Mapping[str, theme.Look], scale: float) -> float:
    """Return how many pixels the names left of the plot take."""
    longest = max(len(looks[str(name)].label) for name in table["antenna"])
    return _DPI / 72 * scale * max(longest * 12 * 0.68, 24 * 9.5 * 0.56) + 8 * scale


def _fitting(figure: Figure, points: float, margin: float) -> int:
    """Return how many characters of that size go on a line between the margins."""
    width, _ = figure.get_size_inches()
    return max(10, int(width * 72 * (1 - 2 * margin) / (0.56 * points)))
