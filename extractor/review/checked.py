"""What people said of readings, random samples, and what the answers prove."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from extractor.reading import cache
from extractor.review.cards import Card, cards_of, disagreements, is_open, ranked
from extractor.session import atomic
from extractor.session.csv_tables import format_table, read_table
from extractor.statistics.flags import Flag
from extractor.tabulation import doubted_digits

if TYPE_CHECKING:
    from extractor.results import Results
    from extractor.session.folder import Session

CHECKED_FILE = "checked.csv"
CHECKED_COLUMNS = ("clip", "time_s", "field", "text", "verdict", "mode")
VERDICTS = ("right", "wrong", "unclear")


def answers_in(session: Session) -> Sequence[Mapping[str, str]]:
    """Return what people said of a session's readings, a row an instant."""
    return Checked(session).rows


def waiting(results: Results) -> list[Card]:
    """Return the doubtful readings of a session that nobody has settled yet, as `ranked`."""
    session = results.session
    corrections, checked = session.corrections(), Checked(session)
    marked = results.overlay.fields if results.overlay else ()
    decimals = {f.name: f.decimals for f in marked}
    doubts = doubted_digits.load(session)
    found: list[Card] = []
    for clip in session.measured:
        known = cache.load(cache.state_path(session, clip))
        for info in results.fields:
            series = results.readings(clip, info.name)
            second, places = disagreements(known, info.name), decimals.get(info.name)
            cards = cards_of(clip, info.name, series, corrections, second, places, doubts)
            with_verdicts(cards, checked.verdicts(info.name))
            found += cards
    return [card for card in ranked(found) if is_open(card)]


def sample(cards: Sequence[Card], count: int, seed: int) -> list[Card]:
    """Draw instants at random, without replacement, from all that count as read.

    Parameters
    ----------
    cards : sequence of Card
        All of a field; those whose flag is not `ok` are no claim and are not drawn.
    count : int
        How many instants.
    seed : int
        The same one draws the same sample.

    Returns
    -------
    list of Card
        One instant each, in random order.
    """
    import numpy as np

    pool = [(card, k) for card in cards if card.flag == Flag.OK for k in range(len(card.times))]
    chosen = np.random.default_rng(seed).permutation(len(pool))[:count]
    drawn = [pool[int(i)] for i in chosen]
    return [replace(card, times=[card.times[k]], before=[card.before[k]]) for card, k in drawn]


@dataclass(frozen=True, slots=True)
class ErrorRate:
    """Share of wrong readings among those judged, with an exact interval."""

    wrong: int
    judged: int
    rate: float
    low: float
    high: float
    """Ends of the 95 % interval (Clopper and Pearson 1934), shares of 0 to 1."""


def error_rate(wrong: int, judged: int, confidence: float = 0.95) -> ErrorRate | None:
    """Estimate the reader's error rate from a random sample; None where nothing was judged.

    The interval is that of Clopper and Pearson (Biometrika 26, 1934), by
    `scipy.stats.binomtest`.
    """
    if not judged:
        return None
    from scipy.stats import binomtest

    interval = binomtest(wrong, judged).proportion_ci(confidence, method="exact")
    return ErrorRate(wrong, judged, wrong / judged, float(interval.low), float(interval.high))


class Checked:
    """What a person said of readings: ``results/checked.csv``.

    Parameters
    ----------
    session : Session
        The folder.
    """

    def __init__(self, session: Session) -> None:
        self._path = path = session.results / CHECKED_FILE
        self.rows: list[dict[str, str]] = []
        if path.exists():
            table = read_table(path)
            table.require(*CHECKED_COLUMNS)
            times = [table.number(i, "time_s") or 0.0 for i in range(len(table.rows))]
            self.rows = [
                row | {"time_s": time_key(time_s)}
                for row, time_s in zip(table.rows, times, strict=True)
            ]

    def verdicts(self, name: str, mode: str = "") -> Mapping[tuple[str, str, str], str]:
        """Return the verdicts on a field, by clip, time and text."""
        return {
            (r["clip"], r["time_s"], r["text"]): r["verdict"]
            for r in self.rows
            if r["field"] == name and mode in ("", r["mode"])
        }

    def note(
        self, card: tuple[str, str, str], times: Sequence[float], answer: str, mode: str
    ) -> None:
        """Write down an answer about ``(clip, field, text)`` at these times; "" takes it back.

        Raises
        ------
        StorageError
            If it cannot be written.
        """
        clip, name, text = card
        keys = {(clip, time_key(t), name, mode) for t in times}
        kept = [r for r in self.rows if (r["clip"], r["time_s"], r["field"], r["mode"]) not in keys]
        if answer:
            values = [(clip, time_key(t), name, text, answer, mode) for t in times]
            kept += [dict(zip(CHECKED_COLUMNS, v, strict=True)) for v in values]
        self.rows = kept
        atomic.write_text(self._path, format_table(CHECKED_COLUMNS, kept))


def time_key(time_s: float) -> str:
    """Return a time as it stands in ``results/checked.csv``."""
    return f"{time_s:.4f}"


def with_verdicts(cards: Iterable[Card], verdicts: Mapping[tuple[str, str, str], str]) -> None:
    """Note on each card what was said of its first instant, if it reads as it did then."""
    for card in cards:
        card.verdict = verdicts.get((card.clip, time_key(card.times[0]), card.text), "")
