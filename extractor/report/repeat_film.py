"""The film of the simulated repeats: dots that fall, and how often each antenna came first."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from extractor.comparison import Comparison
from extractor.comparison.model import clip_spread, mounting_spread
from extractor.comparison.simulated_repeats import Repeats, repeat, sentence
from extractor.pipeline import compare_sessions
from extractor.report import chart_files, pack, theme
from extractor.report.charts import session as session_charts
from extractor.report.charts import style
from extractor.results import load, main_field
from extractor.session.folder import results_folder
from extractor.video.encoding import film, yuv420

Array = npt.NDArray[np.float64]
LENGTH_S = 10.0
RATE_HZ = 25
WIDTH, HEIGHT = 1280, 720
_DPI = 100
#: The last seconds show the result and stand still.
_END_S = 2.5
_SEED = 1


def write_replay(
    session: Path,
    out: Path | None = None,
    *,
    field: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> tuple[str, Path, Path]:
    """Write film and still of the simulated repeats.

    Parameters
    ----------
    session : Path
        A session folder whose clips were read, or a pack.
    out : Path, optional
        Folder; ``results/`` by default.
    field : str, optional
        Field to rank by.
    progress : callable, optional
        Is told the share of the film that is done, 0 to 1.

    Returns
    -------
    str, Path, Path
        The sentence, the film, the still.

    Raises
    ------
    UsageError
        If there is nothing to compare, or each antenna was mounted once.
    SessionFileError, StorageError
        If a file is wrong or cannot be written.
    """
    with pack.opened(session) as folder:
        results = load(folder)
        info = main_field([results], field)
        comparison = compare_sessions([folder], field=info.name)
        material = session_charts.Material((results,), info, None, comparison)
    made = repeat(comparison)
    said = sentence(made, material.looks[made.winner].label)
    folder = out or results_folder(session)
    film_path = folder / "videos" / "replay.mp4"
    with style.drawing(session_charts.words(material)):
        still = _film(made, comparison, material.looks, said, film_path, progress)
    return said, film_path, chart_files.save(folder / "pictures", "replay", still)[0]


def _film(
    made: Repeats, comparison: Comparison, looks: Mapping[str, theme.Look], said: str,
    path: Path, progress: Callable[[float], None] | None,
) -> bytes:  # fmt: skip
    """Render the film; return its last picture as PNG."""
    order = [str(a) for a in comparison.ranking["antenna"]]
    figure = Figure(figsize=(WIDTH / _DPI, HEIGHT / _DPI), dpi=_DPI, facecolor=theme.PAPER)
    canvas = FigureCanvasAgg(figure)
    # Everything that does not move: axes, names; one row an antenna, best of the real test on top.
    axes = figure.add_axes((0.2, 0.19, 0.66, 0.58))
    figure.text(0.04, 0.95, "This test, repeated", fontsize=21, fontweight="bold", va="top")
    for k, line in enumerate(textwrap.wrap(_how(made, comparison), 120)):
        figure.text(0.04, 0.872 - 0.042 * k, line, fontsize=11.5, color=theme.SOFT, va="top")
    low, high = np.quantile(made.means, [0.001, 0.999])
    span = max(high - low, 1e-9)
    axes.set_xlim(low - 0.06 * span, high + 0.06 * span)
    axes.set_ylim(len(order) - 0.4, -0.6)
    axes.set_yticks(range(len(order)), [looks[a].label for a in order])
    axes.tick_params(labelsize=13)
    axes.set_xlabel(
        style.with_unit(session_charts.measured(comparison), comparison.unit), fontsize=12
    )
    moving = _Moving(style.plain(axes), made, order, looks)
    last = textwrap.fill(said, 88)
    canvas.draw()
    count = round(LENGTH_S * RATE_HZ)
    growing = count - round(_END_S * RATE_HZ)
    with film(path, WIDTH, HEIGHT, RATE_HZ, quality=22) as add:
        picture = None
        for i in range(count):
            if i <= growing:
                done = _pace(i / growing, made.repeats)
                moving.advance(canvas, done, last if i == growing else "")
                picture = np.asarray(canvas.buffer_rgba())[..., :3].copy()
            assert picture is not None
            add(yuv420(picture), i / RATE_HZ)
            if progress is not None:
                progress((i + 1) / count)
    moving.write(made.repeats, last)
    return style.png(figure, _DPI)


def _how(made: Repeats, comparison: Comparison) -> str:
    clip_sd = clip_spread(comparison.fit)
    clip = f"{clip_sd:.2g}" if math.isfinite(clip_sd) else "not known, taken as 0"
    runs, mountings = len(comparison.runs), len(comparison.fit.layout.mountings)
    return (
        f"Same design: {runs} runs in {mountings} mountings. Spread between mountings "
        f"{mounting_spread(comparison.fit):.2g} {comparison.unit} (itself uncertain), between "
        f"clips {clip} {comparison.unit}. True levels: what this test leaves possible."
    )


def _pace(share: float, repeats: int) -> int:
    """Return how many repeats are shown by then: one by one at first, then ever faster."""
    return max(1, min(repeats, round(repeats ** (share**0.8))))


class _Moving:
    """The dots and counts that grow; drawn over a picture that stands still."""

    def __init__(
        self, axes: Axes, made: Repeats, order: Sequence[str], looks: Mapping[str, theme.Look]
    ) -> None:
        self._axes, self._made, self._order, self._looks = axes, made, order, looks
        self._columns = [made.antennas.index(a) for a in order]
        rng = np.random.default_rng(_SEED)
        self._lift: Array = rng.uniform(-0.3, 0.3, made.repeats)
        self._best = made.best
        self._drawn = 0
        self._ground: Any = None
        self._counts = [
            axes.text(1.02, i, "", transform=axes.get_yaxis_transform(), fontsize=14, va="center")
            for i in range(len(order))
        ]
        figure: Any = axes.get_figure(root=True)
        self._figure = figure
        self._count = figure.text(0.985, 0.93, "", fontsize=17, ha="right", va="top")
        self._said = figure.text(0.04, 0.085, "", fontsize=14, fontweight="bold", va="top")
        axes.text(
            1.02, -0.56, "came first", transform=axes.get_yaxis_transform(), fontsize=10.5,
            color=theme.SOFT, va="bottom",
        )  # fmt: skip

    def _dots(self, start: int, end: int) -> list[Artist]:
        found: list[Artist] = []
        for i, column in enumerate(self._columns):
            look = self._looks[self._order[i]]
            for chosen, alpha, size in (
                (self._best[start:end] != column, 0.28, 3.2),
                (self._best[start:end] == column, 0.75, 4.2),
            ):
                x = self._made.means[start:end, column][chosen]
                y = i + self._lift[start:end][chosen]
                found += self._axes.plot(
                    x, y, ".", color=look.color, alpha=alpha, markersize=size * 1.6,
                    markeredgewidth=0,
                )  # fmt: skip
        return found

    def advance(self, canvas: FigureCanvasAgg, done: int, said: str) -> None:
        """Draw the repeats up to `done` onto the canvas."""
        box = self._figure.bbox
        if self._ground is None:
            self._ground = canvas.copy_from_bbox(box)
        canvas.restore_region(self._ground)
        renderer = canvas.get_renderer()
        for artist in self._dots(self._drawn, done):
            artist.draw(renderer)
        self._drawn = done
        self._ground = canvas.copy_from_bbox(box)
        self.write(done, said)
        for artist in (*self._counts, self._count, self._said):
            artist.draw(renderer)

    def write(self, done: int, said: str) -> None:
        """Put the counts after so many repeats into the figure; the dots are in it already."""
        seen = np.bincount(self._best[:done], minlength=len(self._made.antennas))
        for text, column in zip(self._counts, self._columns, strict=True):
            text.set_text(f"{seen[column]:,}")
        self._count.set_text(f"repeat {done:,} of {self._made.repeats:,}")
        self._said.set_text(said)
