"""The card: one picture fit for a video or a post, that says how sure it is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import cv2
import numpy as np

from extractor.errors import UsageError
from extractor.report import theme
from extractor.report.canvas import Canvas, fitted, width_of, wrapped
from extractor.report.story import Row, Story, told
from extractor.session.atomic import write_bytes
from extractor.session.folder import results_folder
from extractor.video.encoding import Format, Picture, unassociated

#: More antennas than this no longer fit; the best are shown and the rest is counted.
MOST_ROWS = 12
#: Kept free at each edge, as a share of the side: players and posts cut there.
SAFE = 0.05
#: How much of what lies behind a panel is covered: with this, white behind dark and black behind
#: light leave text its contrast of 4.5 to 1.
COVER_DARK, COVER_LIGHT = 0.93, 0.98
PLAIN, TRANSPARENT = "plain", "transparent"


@dataclass(frozen=True)
class Shown:
    """What of a row is drawn, at the end or on the way to it; in the field's unit."""

    row: Row
    at: float
    """Which place from the top, from 0; in between while two change places."""
    value: float
    low: float
    high: float
    ticks: Sequence[float]
    spans: Sequence[tuple[float, float]] = ()
    """Interval of each tick."""


@dataclass
class Board:
    """Where everything on a card stands; the ranking film fills the same places."""

    story: Story
    form: Format
    dark: bool = False
    background: str = PLAIN
    """`PLAIN`, `TRANSPARENT` or a picture's path."""
    footer: Sequence[str] = ()
    """Instead of method, rounds and conditions."""
    top_value: float = field(default=math.nan)
    """End of the axis; the largest of the card by default."""

    def __post_init__(self) -> None:
        w, h = self.form.width, self.form.height
        self.wide = w / h >= 1.2
        self.unit = min(w / 1920, h / 1080) if self.wide else min(w / 1080, h / 1080)
        self.left, self.right = round(SAFE * w), round((1 - SAFE) * w)
        self.rows = self.story.rows[:MOST_ROWS]
        largest = [v for r in self.rows for v in (r.high, r.mean, *r.values) if math.isfinite(v)]
        lowest = min([r.mean for r in self.rows] + [0.0])
        self.start_value = lowest if lowest < 0 else 0.0
        if not math.isfinite(self.top_value):
            self.top_value = max([*largest, self.start_value + 1e-9]) * 1.01
        self._lay_out()

    def _lay_out(self) -> None:
        u, across, h = self.unit, self.right - self.left, self.form.height
        story = self.story
        self._title = wrapped(story.title, 60 * u, across, 2, bold=True)
        self._measure = wrapped(story.measure, 30 * u, across, 2)
        self.said_lines = wrapped(story.verdict, 38 * u, across, 3 if self.wide else 5)
        foot = list(self.footer) or [story.method, *story.rounds[:1], story.conditions]
        if len(story.rows) > MOST_ROWS:
            foot[0] += f" Best {MOST_ROWS} of {len(story.rows)} shown."
        most = 2 if self.wide else 4
        self._foot = [line for text in foot if text for line in wrapped(text, 24 * u, across, most)]
        y = SAFE * h + 52 * u
        self._title_at = y
        y += 72 * u * (len(self._title) - 1) + 58 * u
        self.said_at = y
        y += 48 * u * (len(self.said_lines) - 1) + 52 * u
        self._measure_at = y
        self.rows_from = y + 40 * u * (len(self._measure) - 1) + 24 * u
        self._foot_at = (1 - SAFE) * h - 34 * u * (len(self._foot) - 1) - 8 * u
        self.rows_to = self._foot_at - 44 * u
        count = max(1, len(self.rows))
        room = self.rows_to - self.rows_from
        self.row_height = min(room / count, (200 if self.wide else 300) * u)
        self.rows_from += (room - count * self.row_height) * (0.5 if self.wide else 0.4)

    def base(self, said: Sequence[str] | None = None) -> Canvas:
        """Return everything but the rows; `said` instead of the verdict."""
        canvas = self._backed()
        u = self.unit
        for k, line in enumerate(self._title):
            canvas.text(self.left, self._title_at + 72 * u * k, line, 60 * u, bold=True)
        for k, line in enumerate(self.said_lines if said is None else said):
            canvas.text(self.left, self.said_at + 48 * u * k, line, 38 * u)
        for k, line in enumerate(self._measure):
            canvas.text(self.left, self._measure_at + 40 * u * k, line, 30 * u, theme.SOFT)
        for k, line in enumerate(self._foot):
            canvas.text(self.left, self._foot_at + 34 * u * k, line, 24 * u, theme.SOFT)
        return canvas

    def _backed(self) -> Canvas:
        w, h = self.form.width, self.form.height
        canvas = Canvas(w, h, dark=self.dark)
        if self.background == PLAIN:
            canvas.box(0, 0, w, h, theme.PAPER)
            return canvas
        if self.background != TRANSPARENT:
            canvas.pixels[..., :3], canvas.pixels[..., 3] = covering(self.background, w, h), 255
        cover = COVER_DARK if self.dark else COVER_LIGHT
        x, y = 0.45 * SAFE * w, 0.45 * SAFE * h
        canvas.box(x, y, w - 2 * x, h - 2 * y, theme.PAPER, cover, radius=28 * self.unit)
        return canvas

    def final(self) -> list[Shown]:
        """Return the rows as the ranking has them."""
        return [
            Shown(row, i, row.mean, row.low, row.high, row.values)
            for i, row in enumerate(self.rows)
        ]

    @cached_property
    def _columns(self) -> tuple[float, float, float, float, float]:
        """Return the size of names and of numbers, where names and bars begin, where bars end."""
        u, h = self.unit, self.row_height
        name = min((54 if self.wide else 64) * u, (0.5 if self.wide else 0.32) * h)
        number = min((76 if self.wide else 100) * u, (0.58 if self.wide else 0.4) * h)
        places = max((width_of(r.place, 0.8 * name) for r in self.rows), default=0.0)
        x = self.left + (places + 0.5 * name if places else 0) + 1.2 * name
        if not self.wide:
            return name, number, x, self.left, self.right
        names = max(width_of(r.look.label, name, bold=True) for r in self.rows)
        begin = x + min(names, 0.26 * self.form.width) + 0.7 * name
        numbers = max(width_of(self._number(r, r.mean), number, bold=True) for r in self.rows)
        ranges = max(width_of(self._range(r.low, r.high), 26 * u) for r in self.rows)
        return name, number, x, begin, self.right - max(numbers, ranges) - 30 * u

    def _number(self, row: Row, value: float) -> str:
        return f"{'≥ ' * row.bound}{self.story.number(value)}" if math.isfinite(value) else "–"

    def _range(self, low: float, high: float) -> str:
        known = math.isfinite(low) and math.isfinite(high)
        return f"{self.story.number(low)} to {self.story.number(high)}" if known else ""

    def draw_rows(self, canvas: Canvas, shown: Sequence[Shown]) -> None:
        """Draw the rows."""
        if not any(one.spans for one in shown):
            self._ties(canvas)
        for one in shown:
            (self._wide_row if self.wide else self._narrow_row)(canvas, one)

    def _ties(self, canvas: Canvas) -> None:
        """Join rows that can't be told apart by a line left of them."""
        comparison = self.story.comparison
        if comparison is None or not any(row.place for row in self.rows):
            return
        names = [row.name for row in self.rows]
        u = self.unit
        for k, group in enumerate(comparison.order.together):
            own = [names.index(n) for n in group if n in names]
            if len(own) > 1:
                x = self.left - (12 + 9 * (k % 3)) * u
                top = self.rows_from + (min(own) + 0.25) * self.row_height
                bottom = self.rows_from + (max(own) + 0.75) * self.row_height
                canvas.box(x - 4 * u, top, 5 * u, bottom - top, theme.SOFT, radius=2 * u)

    def _wide_row(self, canvas: Canvas, one: Shown) -> None:
        name, number, x, begin, end = self._columns
        y = self.rows_from + (one.at + 0.5) * self.row_height
        self._named(canvas, one, x, y + 0.36 * name, name, begin - x - 0.4 * name)
        span = self._range(one.low, one.high) if self.row_height > 92 * self.unit else ""
        color = one.row.look.color
        base = y + (0.2 if span else 0.36) * number
        text = self._number(one.row, one.value)
        canvas.text(self.right, base, text, number, color, bold=True, right=True)
        if span:
            canvas.text(self.right, base + 34 * self.unit, span, 26 * self.unit, theme.SOFT,
                        right=True)  # fmt: skip
        self._bar(canvas, one, begin, end, y, 0.42 * self.row_height)

    def _narrow_row(self, canvas: Canvas, one: Shown) -> None:
        name, number, x, begin, end = self._columns
        y = self.rows_from + one.at * self.row_height
        base = y + 0.42 * self.row_height
        span = self._range(one.low, one.high)
        text = self._number(one.row, one.value)
        taken = width_of(text, number, bold=True)
        canvas.text(self.right, base, text, number, one.row.look.color, bold=True, right=True)
        size = min(28 * self.unit, 0.2 * self.row_height)
        room = self.right - taken - 0.5 * name - x
        spare = room - width_of(one.row.look.label, name, bold=True) - size
        if span and width_of(span, size) <= spare:
            canvas.text(self.right - taken - 0.5 * name, base, span, size, theme.SOFT, right=True)
        self._named(canvas, one, x, base, name, room)
        self._bar(canvas, one, begin, end, y + 0.68 * self.row_height, 0.26 * self.row_height)

    def _named(
        self, canvas: Canvas, one: Shown, x: float, base: float, size: float, room: float
    ) -> None:
        row = one.row
        if not one.spans:  # on the way there it is not known yet
            canvas.text(self.left, base, row.place, 0.8 * size, theme.SOFT)
        canvas.mark(x - 0.65 * size, base - 0.36 * size, 0.62 * size, row.look)
        wide = width_of(row.look.label, size, bold=True)
        small = max(0.62, min(1.0, room / wide)) * size if wide else size
        canvas.text(x, base, fitted(row.look.label, small, room, bold=True), small, bold=True)

    def _bar(
        self, canvas: Canvas, one: Shown, begin: float, end: float, y: float, height: float
    ) -> None:
        """Draw a bar whose end fades over its interval, and the runs as ticks below."""
        u, color = self.unit, one.row.look.color
        canvas.box(begin, y - height / 2, end - begin, height, theme.GRID, 0.55)

        def at(value: float) -> float:
            share = (value - self.start_value) / (self.top_value - self.start_value)
            return begin + min(1.0, max(0.0, share)) * (end - begin)

        if not math.isfinite(one.value):
            return
        low = one.low if math.isfinite(one.low) else one.value
        high = one.high if math.isfinite(one.high) else one.value
        for first, last, opacity in (
            (self.start_value, low, 1.0), (low, one.value, 0.62), (one.value, high, 0.3)
        ):  # fmt: skip
            canvas.box(at(first), y - height / 2, at(last) - at(first), height, color, opacity)
        canvas.box(at(one.value) - 2 * u, y - 0.6 * height, 4 * u, 1.2 * height, theme.INK)
        below, step = y + 0.62 * height, min(8 * u, 0.6 * height / max(1, len(one.ticks)))
        for k, tick in enumerate(one.ticks):
            if not math.isfinite(tick):
                continue
            if not one.spans:
                canvas.box(at(tick) - 1.5 * u, below, 3 * u, 0.2 * height, theme.SOFT)
                continue
            a, b = one.spans[k]
            line = below + (k + 0.5) * step
            if math.isfinite(a + b):
                canvas.box(at(a), line - 0.2 * step, at(b) - at(a), 0.4 * step, color)
            canvas.box(at(tick) - 2 * u, line - 0.45 * step, 4 * u, 0.9 * step, theme.INK)

    def drawn(self) -> Canvas:
        """Return the finished card."""
        canvas = self.base()
        self.draw_rows(canvas, self.final())
        return canvas


def covering(path: str, width: int, height: int) -> Picture:
    """Return a picture of the user's own, cut and scaled to fill a size, as RGB.

    Raises
    ------
    UsageError
        If it is no picture.
    """
    try:
        raw = np.frombuffer(Path(path).read_bytes(), np.uint8)
        image = cv2.imdecode(raw, cv2.IMREAD_COLOR) if raw.size else None
    except OSError:
        image = None
    if image is None:
        raise UsageError(
            f"--background {path}: is no picture that can be read; give plain, transparent, or a "
            "PNG or JPEG file"
        )
    factor = max(width / image.shape[1], height / image.shape[0])
    size = (max(width, round(image.shape[1] * factor)), max(height, round(image.shape[0] * factor)))
    scaled = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    x, y = (size[0] - width) // 2, (size[1] - height) // 2
    return np.asarray(cv2.cvtColor(scaled[y : y + height, x : x + width], cv2.COLOR_BGR2RGB))


def png(picture: Picture) -> bytes:
    """Return a picture as a PNG file's content; without opacity where all is opaque."""
    straight = unassociated(picture)
    if picture[..., 3].min() == 255:
        return bytes(cv2.imencode(".png", cv2.cvtColor(straight, cv2.COLOR_RGBA2BGR))[1])
    return bytes(cv2.imencode(".png", cv2.cvtColor(straight, cv2.COLOR_RGBA2BGRA))[1])


def write_card(
    sessions: str | Path | Sequence[str | Path],
    out: str | Path | None = None,
    *,
    size: Format | None = None,
    title: str | None = None,
    field: str | None = None,
    dark: bool = False,
    background: str = PLAIN,
) -> Path:
    """Write the card of one or more sessions or packs.

    Parameters
    ----------
    sessions : str, Path or sequence of them
        Session folders whose clips were read, or packs; the earliest first.
    out : str or Path, optional
        A PNG file; ``results/pictures/card-WxH.png`` of the first session by default.
    size : Format, optional
        Its width and height, pixels; 1920 x 1080 by default.
    title : str, optional
        Says what was tested; made from the session when absent.
    field : str, optional
        Field to rank by.
    dark : bool
        Light on dark.
    background : str
        ``plain``, ``transparent``, or the path of a picture.

    Raises
    ------
    UsageError
        If there is nothing to show; the message says what is missing.
    SessionFileError, StorageError
        If a file is wrong or cannot be written.

    Examples
    --------
    >>> from extractor import write_card
    >>> write_card("sample_clips", "card.png", title="Four antennas at the boat club").name
    'card.png'
    """
    places = [sessions] if isinstance(sessions, str | Path) else list(sessions)
    form = size or Format()
    with told(places, title=title, field=field) as story:
        theme.tell_lacking(story.texts())
        picture = Board(story, form, dark, background).drawn().pixels
    folder = results_folder(Path(places[0])) / "pictures"
    path = Path(out) if out else folder / f"card-{form.width}x{form.height}.png"
    write_bytes(path, png(picture))
    return path
