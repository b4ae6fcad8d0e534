"""The film of the simulated repeats: dots that fall, and how often each antenna came first."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path

import numpy as np

from extractor.comparison.compare import Comparison
from extractor.comparison.model import clip_spread, mounting_spread
from extractor.comparison.simulated_repeats import Repeats, repeat, sentence
from extractor.errors import UsageError
from extractor.report import theme
from extractor.report.canvas import Canvas, Screen, fitted, width_of, wrapped
from extractor.report.card import SAFE, png
from extractor.report.film_parts import VIDEOS, Progress, shoot, write_notes
from extractor.report.story import Story, told
from extractor.session.atomic import write_bytes
from extractor.session.folder import results_folder
from extractor.video.encoding import Format, Picture

LENGTH_S = 10.0
#: The last seconds show the result and stand still.
_END_S = 2.5
#: Another one than that of the repeats, or heights would follow from values.
_SEED = 77


def write_replay(
    sessions: str | Path | Sequence[str | Path],
    out: Path | None = None,
    *,
    field: str | None = None,
    form: Format | None = None,
    dark: bool = True,
    progress: Progress | None = None,
) -> tuple[str, Path, Path]:
    """Write film and still of the simulated repeats.

    Parameters
    ----------
    sessions : str, Path or sequence of them
        Session folders whose clips were read, or packs; the earliest first.
    out : Path, optional
        Folder; ``results/`` by default.
    field : str, optional
        Field to rank by.
    form : Format, optional
        Size, rate, codec.
    dark : bool
        Light on dark.
    progress : callable, optional
        Is told how far it is.

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
    form = form or Format()
    places = [sessions] if isinstance(sessions, str | Path) else list(sessions)
    folder = Path(out) if out else results_folder(Path(places[0]))
    film_path = folder / VIDEOS / f"replay{form.suffix}"
    with told(places, field=field) as story:
        theme.tell_lacking(story.texts())
        dots = Dots(story, form, dark)
        said = dots.said
        shoot(film_path, form, dots.pictures(), round(LENGTH_S * form.rate_hz), progress=progress)
    end_s = LENGTH_S - _END_S
    cues = [(0.0, end_s, dots.how), (end_s, LENGTH_S, said)]
    write_notes(film_path, cues, [(0.0, "This test, repeated"), (end_s, "The result")])
    still = folder / "pictures" / "replay.png"
    write_bytes(still, png(dots.last))
    return said, film_path, still


class Dots:
    """One row an antenna; a dot is its mean in one repeat, full where it came first."""

    def __init__(self, story: Story, form: Format, dark: bool) -> None:
        comparison = story.comparison
        if comparison is None:
            raise UsageError(story.verdict)
        self._made = made = repeat(comparison)
        self._form, self.said = form, sentence(made, story.looks[made.winner].label)
        w, h = form.width, form.height
        self._u = u = min(w / 1920, h / 1080) if w > 1.2 * h else min(w, h) / 1080
        self._left, self._right = SAFE * w, (1 - SAFE) * w
        across = self._right - self._left
        self.how = _how(made, comparison)
        lines = wrapped(self.how, 28 * u, across, 6)
        self._said_lines = wrapped(self.said, 38 * u, across, 3)
        self._canvas = canvas = Canvas(w, h, dark=dark)
        if not form.alpha:
            canvas.box(0, 0, w, h, theme.PAPER)
        else:
            canvas.box(w * SAFE / 2, h * SAFE / 2, w * (1 - SAFE), h * (1 - SAFE), theme.PAPER,
                       0.95, 28 * u)  # fmt: skip
        y = SAFE * h + 52 * u
        canvas.text(self._left, y, "This test, repeated", 60 * u, bold=True)
        for k, line in enumerate(lines):
            canvas.text(self._left, y + (58 + 38 * k) * u, line, 28 * u, theme.SOFT)
        top = y + (90 + 38 * len(lines)) * u
        self._foot = (1 - SAFE) * h - 48 * u * (len(self._said_lines) - 1) - 10 * u
        bottom = self._foot - 110 * u
        self._rows = [row for row in story.rows if row.name in made.antennas]
        self._step = (bottom - top) / len(self._rows)
        self._top, size = top, min(48 * u, 0.45 * self._step)
        names = max(width_of(r.look.label, size, bold=True) for r in self._rows)
        begin = self._left + min(names, 0.3 * w) + 2 * size
        self._count_size = min(52 * u, 0.5 * self._step)
        end = self._right - width_of("1,000", self._count_size, bold=True) - 40 * u
        low, high = np.quantile(made.means, [0.001, 0.999])
        span = max(float(high - low), 1e-9)
        self._x = begin + ((made.means - low) / span).clip(0, 1) * (end - begin)
        for i, row in enumerate(self._rows):
            base = top + (i + 0.5) * self._step + 0.36 * size
            canvas.mark(self._left + 0.4 * size, base - 0.36 * size, 0.62 * size, row.look)
            label = fitted(row.look.label, size, begin - self._left - 1.6 * size, bold=True)
            canvas.text(self._left + 1.1 * size, base, label, size, bold=True)
        for value, x in ((low, begin), (high, end)):
            canvas.text(x, bottom + 40 * u, story.number(float(value)), 26 * u, theme.SOFT,
                        middle=True)  # fmt: skip
        canvas.text((begin + end) / 2, bottom + 40 * u, fitted(story.measure, 26 * u, 0.8 * (
            end - begin)), 26 * u, theme.SOFT, middle=True)  # fmt: skip
        canvas.text(self._right, top - 6 * u, "came first", 26 * u, theme.SOFT, right=True)
        rng = np.random.default_rng(_SEED)
        self._lift = rng.uniform(-0.36, 0.36, made.repeats) * self._step
        self._best = made.best

    @property
    def last(self) -> Picture:
        """The last picture."""
        return self._canvas.pixels

    def pictures(self) -> Iterator[Picture]:
        """Yield every picture."""
        count = round(LENGTH_S * self._form.rate_hz)
        growing = count - round(_END_S * self._form.rate_hz)
        screen, drawn = Screen(self._canvas, self._form.alpha), 0
        picture = screen.still
        for i in range(count):
            if i <= growing:
                done = _pace(i / growing, self._made.repeats)
                screen.keep(partial(self._drop, start=drawn, end=done))
                drawn = done
                picture = screen.redrawn(
                    self._top - 40 * self._u, self._form.height * (1 - SAFE) + 6,
                    partial(self._write, done=done, end=i == growing),
                )  # fmt: skip
            yield picture

    def _drop(self, canvas: Canvas, start: int, end: int) -> None:
        for i, row in enumerate(self._rows):
            column = self._made.antennas.index(row.name)
            for k in range(start, end):
                first = self._best[k] == column
                size = (7.0 if first else 5.0) * self._u
                x, y = self._x[k, column], self._top + (i + 0.5) * self._step + self._lift[k]
                canvas.box(x - size / 2, y - size / 2, size, size, row.look.color,
                           0.75 if first else 0.3)  # fmt: skip

    def _write(self, canvas: Canvas, done: int, end: bool) -> None:
        seen = np.bincount(self._best[:done], minlength=len(self._made.antennas))
        for i, row in enumerate(self._rows):
            y = self._top + (i + 0.5) * self._step + 0.36 * self._count_size
            number = f"{seen[self._made.antennas.index(row.name)]:,}"
            canvas.text(self._right, y, number, self._count_size, row.look.color, bold=True,
                        right=True)  # fmt: skip
        now = [f"repeat {done:,} of {self._made.repeats:,}"]
        for k, line in enumerate(self._said_lines if end else now):
            canvas.text(self._left, self._foot + 48 * self._u * k, line, 38 * self._u, bold=end)


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
