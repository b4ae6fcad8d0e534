"""Which readings a person should look at first, random samples, and what the answers prove."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from dataclasses import field as made_by
from pathlib import Path
from typing import TYPE_CHECKING, Any

from extractor.reading.number_parsing import interpret, is_spoilt
from extractor.session import atomic
from extractor.session.csv_tables import format_table, read_table
from extractor.session.folder import Correction
from extractor.statistics.flags import Flag

if TYPE_CHECKING:
    import pandas as pd

    from extractor.reading.cache import ClipState
    from extractor.session.overlay import Field

_FRACTION = re.compile(r"\d[.,](\d{1,6})")
#: A counted reading below this confidence is shown: one in twenty of them may be wrong.
DOUBTFUL_BELOW = 0.95
CHECKED_COLUMNS = ("clip", "time_s", "field", "text", "verdict", "mode")
VERDICTS = ("right", "wrong", "unclear")
#: Flags in the order of harm: a wrong number that counts first, a missing one last.
_DOUBT = {Flag.FORMAT: 0.8, Flag.SPIKE: 0.75, Flag.RANGE: 0.7, Flag.UNREADABLE: 0.3}
_REASONS = {
    Flag.FORMAT: "in a form this display does not use",
    Flag.SPIKE: "a brief jump",
    Flag.RANGE: "outside the limits",
    Flag.UNREADABLE: "not read with certainty",
}


@dataclass(slots=True)
class Card:
    """A reading to look at: one sampled instant, or several over which it stood unchanged."""

    clip: str
    field: str
    times: list[float]
    """Seconds from the first frame, one a sampled instant."""
    text: str
    number: str
    """What was read as a number in the display's decimals; "" where none."""
    confidence: float
    flag: str
    reason: str = ""
    doubt: float = 0.0
    """1 and more: first; only the order matters."""
    second: str | None = None
    """What the second reader saw, where it disagrees."""
    before: list[str | None] = made_by(default_factory=list)
    """Correction that stands at each of `times`; None: none."""
    verdict: str = ""
    """What a person said of it: right, wrong, unclear, or nothing yet."""

    def as_json(self) -> dict[str, Any]:
        """Return it for the page."""
        return asdict(self)


def cards_of(
    clip: str,
    known: ClipState,
    series: pd.DataFrame,
    item: Field,
    corrections: Sequence[Correction],
) -> list[Card]:
    """Return every reading of one field in one clip; those that stood unchanged are joined.

    Parameters
    ----------
    clip : str
        Its name.
    known, series
        What was read, and the flagged series without corrections.
    item : Field
        The field.
    corrections : sequence of Correction
        Those of this clip and field.
    """
    columns = {c: series[c].tolist() for c in ("time_s", "value", "text", "confidence", "flag")}
    since = series["since_s"].tolist()
    disagreeing = _disagreements(known, item)
    standing = standing_corrections(columns["time_s"], corrections)
    found: list[Card] = []
    for row, time_s in enumerate(columns["time_s"]):
        text, flag = columns["text"][row], str(columns["flag"][row])
        last = found[-1] if found else None
        # The same number since the same moment is one look at one thing.
        if (
            last is not None
            and row not in disagreeing
            and last.second is None
            and (last.text, last.flag) == (text, flag)
            and since[row] == since[row - 1]
        ):
            last.times.append(time_s)
            last.before.append(standing.get(row))
            last.confidence = min(last.confidence, columns["confidence"][row])
            continue
        found.append(
            Card(
                clip,
                item.name,
                [time_s],
                text,
                number_text(columns["value"][row], text, item.decimals),
                columns["confidence"][row],
                flag,
                second=disagreeing.get(row),
                before=[standing.get(row)],
            )
        )
    for card in found:
        card.doubt, card.reason = _doubt(card)
    return found


def number_text(value: float, text: str, decimals: int | None) -> str:
    """Return a number as the display writes it; where none was accepted, what the text suggests."""
    if math.isnan(value):
        reading = interpret(text, 1.0, 0.0)
        value = reading.value if reading.flag == Flag.OK else math.nan
    if math.isnan(value):
        return ""
    if decimals is None:
        fraction = _FRACTION.search(text)
        return f"{value:.9g}" if fraction is None else f"{value:.{len(fraction[1])}f}"
    return f"{value:.{decimals}f}"


def _disagreements(known: ClipState, item: Field) -> dict[int, str]:
    seen = known.fields[item.name]
    found = {}
    for row, text in seen.crosscheck:
        first = interpret(seen.text[row], seen.confidence[row], known.gate)
        second = interpret(text, 1.0, 0.0)
        if first.flag == second.flag == Flag.OK and first.value != second.value:
            found[row] = text
    return found


def standing_corrections(
    times: Sequence[float], corrections: Iterable[Correction]
) -> dict[int, str]:
    """Return the correction at each row, by the rule of `tabulating`: the nearest row."""
    import numpy as np

    if not times:
        return {}
    array = np.asarray(times)
    reach = float(np.median(np.diff(array))) / 2 + 1e-3 if len(times) > 1 else math.inf
    found = {}
    for one in corrections:
        row = int(np.argmin(np.abs(array - one.time_s)))
        if abs(array[row] - one.time_s) <= reach:
            found[row] = one.value
    return found


def _doubt(card: Card) -> tuple[float, str]:
    if card.second is not None:
        return 2.0, f"the second reader saw {card.second}"
    if card.flag in _DOUBT and not is_spoilt(card.text, card.confidence):
        flag = Flag(card.flag)
        return _DOUBT[flag] + 0.01 * (1 - card.confidence), _REASONS[flag]
    if card.flag == Flag.OK and card.confidence < DOUBTFUL_BELOW:
        return 1 + (1 - card.confidence), "low confidence"
    return 0.0, ""


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
    return [_instant(*pool[int(i)]) for i in chosen]


def _instant(card: Card, k: int) -> Card:
    values = {**asdict(card), "times": [card.times[k]], "before": [card.before[k]]}
    return Card(**values)


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
    path : Path
        The table.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
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
