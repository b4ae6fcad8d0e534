"""The charts of a report as files and as they stand in its page; many are drawn by two at once."""

from __future__ import annotations

import base64
import os
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from PIL.Image import Image

from extractor.errors import ClipError
from extractor.reading import process_pool
from extractor.report.charts import clips, style
from extractor.report.charts import session as session_charts
from extractor.session.atomic import replacing, write_text

#: A chart with more drawing than this, characters, stands in the page as pixels.
LARGEST_INLINE = 1_000_000
#: Drawing is shared among processes from this many runs on; for fewer, starting them costs more.
SHARED_FROM = 3 * clips.MOST_RUNS
#: More would have nothing to do: the charts of two fields are the work.
MOST_PROCESSES = 2

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Picture:
    """A chart as it stands in the page."""

    section: str
    name: str
    caption: str
    alt: str
    files: list[Path]
    svg: str = ""
    png: str = ""
    """Base64, instead of `svg` where that would be too large."""


@dataclass(frozen=True)
class _Share:
    """What one process draws."""

    material: session_charts.Material
    folder: Path
    groups: tuple[int, ...]
    """Places in `session_charts.GROUPS`."""
    largest_inline: int

    @property
    def clip(self) -> str:
        """Name for messages, see `workers.Job`."""
        return "charts"


def draw(material: session_charts.Material, folder: Path, tell: Progress) -> list[Picture]:
    """Draw all charts and write their files to ``pictures/``; in the order of the report.

    Raises
    ------
    StorageError
        If a file cannot be written.
    """
    runs = sum(len(one.rows(material.field.name)) for one in material.results)
    count = min(MOST_PROCESSES, os.cpu_count() or 1) if runs >= SHARED_FROM else 1
    all_groups = range(len(session_charts.GROUPS))
    shares = [
        _Share(material, folder, tuple(all_groups[i::count]), LARGEST_INLINE) for i in range(count)
    ]
    found: dict[int, list[Picture]] = {}
    for share, drawn, error in process_pool.run(
        shares, _draw_share, count, lambda what, _: tell(what)
    ):
        if isinstance(error, ClipError):  # its process died, perhaps for want of memory
            drawn = _draw_share(share, lambda what, _: tell(what))
        elif error is not None:
            raise error
        found |= drawn or {}
    return [one for group in sorted(found) for one in found[group]]


def _draw_share(share: _Share, progress: process_pool.Progress) -> dict[int, list[Picture]]:
    words = session_charts.words(share.material)
    kept: dict[int, list[Future[Picture]]] = {group: [] for group in share.groups}
    # Packing the pixels of one chart runs beside the drawing of the next.
    # Of several processes one says which characters have no font.
    with style.drawing(words, tell=0 in share.groups), ThreadPoolExecutor(1) as aside:
        for group in share.groups:
            for chart in session_charts.charts(share.material, [group]):
                progress(f"chart {chart.name}", 0.0)
                style.lay_out(chart.figure)
                picture = style.svg(chart.figure)
                pixels = style.pixels(chart.figure)
                kept[group].append(aside.submit(_keep, share, chart, picture, pixels))
    return {group: [done.result() for done in ends] for group, ends in kept.items()}


def _keep(share: _Share, chart: session_charts.Chart, svg: str, pixels: Image) -> Picture:
    png = style.packed(pixels)
    paths = save(share.folder / "pictures", chart.name, png, svg)
    picture = Picture(chart.section, chart.name, chart.caption, chart.alt, paths)
    if len(svg) <= share.largest_inline:
        return replace(picture, svg=style.inline(svg, chart.name))
    return replace(picture, png=base64.b64encode(png).decode("ascii"))


def save(folder: Path, name: str, png: bytes, svg: str | None = None) -> list[Path]:
    """Write a picture's files.

    Raises
    ------
    StorageError
        If one cannot be written.
    """
    paths = [folder / f"{name}.png"]
    with replacing(paths[0]) as stream:
        stream.write(png)
    if svg is not None:
        paths.append(folder / f"{name}.svg")
        write_text(paths[-1], svg)
    return paths
