"""Replay: what would have come out if this very test were repeated a thousand times.

Each repeat keeps the design (which antenna, which mounting, which port, how many runs) and
draws everything that chance decides anew: where each mounting happens to sit and what each clip
happens to show. The same analysis then ranks the antennas again.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from extractor.comparison.advice import ASSUMED_MBIT, ASSUMED_SHARES
from extractor.comparison.model import Fit, clip_spread, mounting_spread
from extractor.errors import UsageError
from extractor.report import chart_files, pack
from extractor.report.charts import session as session_charts
from extractor.report.charts import style
from extractor.results import load, main_field
from extractor.session.folder import RESULTS
from extractor.session.overlay import Direction, direction_question

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from extractor.comparison import Comparison

Array = npt.NDArray[np.float64]
REPEATS = 1_000
LENGTH_S = 10.0
RATE_HZ = 25
WIDTH, HEIGHT = 1280, 720
_DPI = 100
#: The last seconds show the result and stand still.
_END_S = 2.5
_SEED = 1


@dataclass(frozen=True)
class Replay:
    """Simulated repeats of one comparison."""

    antennas: tuple[str, ...]
    """As in the columns of `means`."""
    means: Array
    """Repeats x antennas: the adjusted means of each repeat, in the unit."""
    best: npt.NDArray[np.int_]
    """For each repeat the column that came first."""
    winner: str
    """The best of the real test."""
    mounting_sd: float
    clip_sd: float
    assumed: bool
    """True where the spread between mountings is assumed, not measured."""

    @property
    def repeats(self) -> int:
        """How many repeats there are."""
        return len(self.means)

    @property
    def first(self) -> tuple[int, ...]:
        """How often each antenna came first."""
        return tuple(int(n) for n in np.bincount(self.best, minlength=len(self.antennas)))

    @property
    def stays_first(self) -> int:
        """In how many repeats the winner of the real test came first."""
        return self.first[self.antennas.index(self.winner)]


def repeat(
    fit: Fit,
    better: Direction,
    *,
    repeats: int = REPEATS,
    mounting_sd: float | None = None,
    seed: int = _SEED,
) -> Replay:
    """Simulate repeats of a test.

    Parameters
    ----------
    fit : Fit
        Of the real test.
    better : {"higher", "lower"}
        Which way the ranking goes.
    repeats : int
        How many.
    mounting_sd : float, optional
        Spread between mountings to assume, in the unit; needed where the test shows none.
    seed : int
        Of the random numbers.

    Notes
    -----
    The adjusted means stand for the true levels. The spreads are not taken as known: each
    repeat draws its own, mean square times degrees of freedom over a chi-square (Gelman et al.,
    Bayesian Data Analysis, 3rd ed., section 3.2), since two or three mountings know their spread
    but roughly. An assumed spread is taken as it is. Clips are drawn normal; a ceiling of the
    link is not imitated.
    """
    rng = np.random.default_rng(seed)
    layout = fit.layout
    clip_ms = _drawn(float(fit.ms_within), layout.df_within, repeats, rng)
    if mounting_sd is None:
        between = _drawn(float(fit.ms_between), layout.df_between, repeats, rng)
        variance = np.maximum(0.0, between - layout.mean_noise * clip_ms)
        shown = mounting_spread(fit)
    else:
        variance = np.full(repeats, mounting_sd**2)
        shown = mounting_sd
    levels = dict(zip(layout.antennas, fit.means, strict=True))
    truth = layout.mountings["antenna"].map(levels).to_numpy(float)
    # A mounting's adjusted mean is its own level plus what its clips add (see Layout.noise).
    root = _root(layout.noise)
    count = len(truth)
    own = rng.standard_normal((count, repeats)) * np.sqrt(variance)
    noise = root @ rng.standard_normal((count, repeats)) * np.sqrt(clip_ms)
    means = (layout.weights @ (truth[:, None] + own + noise)).T
    return _ranked(layout.antennas, means, fit, better, shown, mounting_sd is not None)


def _drawn(mean_square: float, df: int, repeats: int, rng: np.random.Generator) -> Array:
    if df == 0 or not math.isfinite(mean_square):
        return np.zeros(repeats)
    return np.asarray(mean_square * df / rng.chisquare(df, repeats))


def _root(covariance: Array) -> Array:
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.clip(values, 0.0, None)))


def _ranked(
    antennas: Sequence[str], means: Array, fit: Fit, better: Direction, spread: float, assumed: bool
) -> Replay:
    sign = 1 if better == "higher" else -1
    best = (sign * means).argmax(axis=1)
    clip = clip_spread(fit) if fit.layout.df_within else math.nan
    return Replay(
        tuple(antennas), means, best, antennas[int(np.argmax(sign * fit.means))], spread, clip,
        assumed,
    )  # fmt: skip


def replays(comparison: Comparison, assumed: float | None = None) -> list[Replay]:
    """Return the replay of a comparison, or one for each assumed spread where none was seen.

    Parameters
    ----------
    comparison : Comparison
        Of the real test.
    assumed : float, optional
        Spread between mountings to assume, in the unit, instead of the usual range.

    Raises
    ------
    UsageError
        If it is not known which way is better: then nothing comes first.
    """
    fit, better = comparison.fit, comparison.better
    if better is None:
        raise UsageError(direction_question(comparison.field))
    if assumed is not None:
        return [repeat(fit, better, mounting_sd=assumed)]
    if fit.layout.df_between > 0:
        return [repeat(fit, better)]
    if comparison.unit == "Mbit/s":
        spreads: tuple[float, ...] = ASSUMED_MBIT
    else:
        level = float(np.max(np.abs(fit.means)))
        spreads = tuple(share * level for share in ASSUMED_SHARES)
    return [repeat(fit, better, mounting_sd=spread) for spread in spreads]


def sentence(made: Sequence[Replay], label: str, unit: str) -> str:
    """Return what the replays say, one sentence."""
    one = made[0]
    if not one.assumed:
        return f"{label} stays first in {one.stays_first:,} of {one.repeats:,} simulated repeats."
    parts = [f"{m.stays_first:,} with {m.mounting_sd:.2g} {unit}".strip() for m in made]
    return (
        f"{label} stays first in so many of {one.repeats:,} simulated repeats, by the spread "
        f"between mountings, which is assumed here and not measured: {'; '.join(parts)}."
    )


def write_replay(
    session: Path,
    out: Path | None = None,
    *,
    field: str | None = None,
    assumed: float | None = None,
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
    assumed : float, optional
        Spread between mountings to assume, in the field's unit.
    progress : callable, optional
        Is told the share of the film that is done, 0 to 1.

    Returns
    -------
    str, Path, Path
        The sentence, the film, the still.

    Raises
    ------
    UsageError
        If there is nothing to compare.
    SessionFileError, StorageError
        If a file is wrong or cannot be written.
    """
    from extractor.pipeline import compare_sessions

    with pack.opened(session) as folder:
        results = load(folder)
        info = main_field([results], field)
        comparison = compare_sessions([folder], field=info.name)
        material = session_charts.gather([results], info, None, comparison)
    made = replays(comparison, assumed)
    said = sentence(made, material.looks[made[0].winner].label, comparison.unit)
    folder = out or (session if session.is_dir() else session.parent) / RESULTS
    film_path = folder / "videos" / "replay.mp4"
    with style.drawing(session_charts.words(material)):
        still = _film(made, comparison, material.looks, said, film_path, progress)
    return said, film_path, chart_files.save(folder / "pictures", "replay", still)[0]


def draw_stage(
    figure: Figure, made: Replay, order: Sequence[str], looks: Mapping[str, style.Look],
    *, unit: str, measure: str, head: str,
) -> Axes:  # fmt: skip
    """Draw everything that does not move: axes, names, the real test's means.

    Returns
    -------
    Axes
        One row an antenna, best of the real test on top.
    """
    axes = figure.add_axes((0.2, 0.19, 0.66, 0.58))
    figure.text(0.04, 0.95, "This test, repeated", fontsize=21, fontweight="bold", va="top")
    for k, line in enumerate(head.split("\n")):
        figure.text(0.04, 0.872 - 0.042 * k, line, fontsize=11.5, color=style.SOFT, va="top")
    low, high = np.quantile(made.means, [0.001, 0.999])
    span = max(high - low, 1e-9)
    axes.set_xlim(low - 0.06 * span, high + 0.06 * span)
    axes.set_ylim(len(order) - 0.4, -0.6)
    axes.set_yticks(range(len(order)), [looks[a].label for a in order])
    axes.tick_params(labelsize=13)
    axes.set_xlabel(style.with_unit(measure, unit), fontsize=12)
    return style.plain(axes)


def _film(
    made: Sequence[Replay], comparison: Comparison, looks: Mapping[str, style.Look], said: str,
    path: Path, progress: Callable[[float], None] | None,
) -> bytes:  # fmt: skip
    """Render the film; return its last picture as PNG."""
    import textwrap

    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    from extractor.video.encoding import film, yuv420

    order = [str(a) for a in comparison.ranking["antenna"]]
    shown = made[len(made) // 2]
    figure = Figure(figsize=(WIDTH / _DPI, HEIGHT / _DPI), dpi=_DPI, facecolor=style.PAPER)
    canvas = FigureCanvasAgg(figure)
    axes = draw_stage(
        figure, shown, order, looks, unit=comparison.unit, measure=f"Mean {comparison.field}",
        head=textwrap.fill(_how(shown, comparison), 120),
    )  # fmt: skip
    moving = _Moving(axes, shown, order, looks)
    last = textwrap.fill(said, 88)
    canvas.draw()
    count = round(LENGTH_S * RATE_HZ)
    growing = count - round(_END_S * RATE_HZ)
    with film(path, WIDTH, HEIGHT, RATE_HZ, quality=22) as writer:
        picture = None
        for i in range(count):
            if i <= growing:
                done = _pace(i / growing, shown.repeats)
                moving.advance(canvas, done, last if i == growing else "")
                picture = np.asarray(canvas.buffer_rgba())[..., :3].copy()
            assert picture is not None
            writer.add(yuv420(picture), i / RATE_HZ)
            if progress is not None:
                progress((i + 1) / count)
    moving.settle(last)
    return style.png(figure, _DPI)


def _how(made: Replay, comparison: Comparison) -> str:
    clip = f"{made.clip_sd:.2g}" if math.isfinite(made.clip_sd) else "not known, taken as 0"
    source = "assumed, not measured" if made.assumed else "as measured, itself uncertain"
    runs, mountings = len(comparison.runs), len(comparison.fit.layout.mountings)
    return (
        f"Same design: {runs} runs in {mountings} mountings. Spread between mountings "
        f"{made.mounting_sd:.2g} {comparison.unit} ({source}), between clips {clip} "
        f"{comparison.unit}. The measured means stand for the true ones."
    )


def _pace(share: float, repeats: int) -> int:
    """Return how many repeats are shown by then: one by one at first, then ever faster."""
    return max(1, min(repeats, round(repeats ** (share**0.8))))


class _Moving:
    """The dots and counts that grow; drawn over a picture that stands still."""

    def __init__(
        self, axes: Axes, made: Replay, order: Sequence[str], looks: Mapping[str, style.Look]
    ) -> None:
        self._axes, self._made, self._order, self._looks = axes, made, order, looks
        self._columns = [made.antennas.index(a) for a in order]
        rng = np.random.default_rng(_SEED)
        self._lift: Array = rng.uniform(-0.3, 0.3, made.repeats)
        self._best = made.best
        self._drawn = 0
        self._ground: object = None
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
            color=style.SOFT, va="bottom",
        )  # fmt: skip

    def _artists(self) -> list[Artist]:
        return [*self._counts, self._count, self._said]

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

    def advance(self, canvas: object, done: int, said: str) -> None:
        """Draw the repeats up to `done` onto the canvas."""
        from matplotlib.backends.backend_agg import FigureCanvasAgg

        assert isinstance(canvas, FigureCanvasAgg)
        box = self._figure.bbox
        if self._ground is None:
            self._ground = canvas.copy_from_bbox(box)
        canvas.restore_region(self._ground)
        renderer = canvas.get_renderer()
        for artist in self._dots(self._drawn, done):
            artist.draw(renderer)
        self._drawn = done
        self._ground = canvas.copy_from_bbox(box)
        self._write(done, said)
        for artist in self._artists():
            artist.draw(renderer)

    def settle(self, said: str) -> None:
        """Leave everything in the figure, for the still; all dots are its own already."""
        self._write(self._made.repeats, said)

    def _write(self, done: int, said: str) -> None:
        seen = np.bincount(self._best[:done], minlength=len(self._made.antennas))
        for text, column in zip(self._counts, self._columns, strict=True):
            text.set_text(f"{seen[column]:,}")
        self._count.set_text(f"repeat {done:,} of {self._made.repeats:,}")
        self._said.set_text(said)
