"""Readings to look at, and their one ranking: for the page, the report and the pack."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from dataclasses import field as made_by
from typing import TYPE_CHECKING

from extractor.reading.number_parsing import interpret, is_spoilt
from extractor.session.numerals import decimals_in
from extractor.session.user_tables import Correction
from extractor.statistics.flags import Flag
from extractor.tabulation import clip_tables

if TYPE_CHECKING:
    import pandas as pd

    from extractor.reading.cache import ClipState
    from extractor.tabulation.doubted_digits import Doubt

#: A counted reading below this confidence is shown: one in twenty of them may be wrong.
DOUBTFUL_BELOW = 0.95
#: Readings of one field closer than this mostly show the same number.
APART_S = 1.0
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


def cards_of(
    clip: str,
    name: str,
    series: pd.DataFrame,
    corrections: Sequence[Correction],
    second: Mapping[int, str],
    decimals: int | None = None,
    doubts: Sequence[Doubt] = (),
) -> list[Card]:
    """Return every reading of one field in one clip; those that stood unchanged are joined.

    Parameters
    ----------
    clip, name : str
        The clip's and the field's.
    series : DataFrame
        The flagged series.
    corrections : sequence of Correction
        Those of this clip and field count.
    second : mapping
        What the second reader saw where it disagrees, by row; see `disagreements`.
    decimals : int, optional
        Digits after the point that the display shows.
    doubts : sequence of Doubt
        Digits in doubt; those in this clip and field count.
    """
    own = [c for c in corrections if (c.clip, c.field) == (clip, name)]
    about = [d for d in doubts if d.field == name and d.concerns(clip)]
    standing = standing_corrections(series["time_s"].tolist(), own)
    columns = ("time_s", "value", "text", "since_s", "confidence", "flag")
    rows = zip(*(series[column].tolist() for column in columns), strict=True)
    found: list[Card] = []
    stood_s = math.nan
    for row, (time_s, value, seen, since_s, confidence, flag) in enumerate(rows):
        text, before = seen if isinstance(seen, str) else "", standing.get(row)
        # The same number since the same moment is one look at one thing.
        alike = row not in second and since_s == stood_s
        stood_s = since_s
        last = found[-1] if found and alike else None
        if last and last.second is None and (last.text, last.flag) == (text, str(flag)):
            last.times.append(time_s)
            last.before.append(before)
            last.confidence = min(last.confidence, confidence)
            continue
        number, other = number_text(value, text, decimals), second.get(row)
        card = Card(clip, name, [time_s], text, number, confidence, str(flag), second=other)
        card.before = [before]
        found.append(card)
    for card in found:
        card.doubt, card.reason = _doubt(card, about)
    return found


def is_open(card: Card) -> bool:
    """Tell whether a reading deserves a look and nobody has settled it yet."""
    return card.doubt > 0 and not card.verdict and all(b is None for b in card.before)


def ranked(cards: Iterable[Card]) -> list[Card]:
    """Return the doubtful readings in the order in which to look at them.

    The most harmful first; the clips and fields take turns, so that one bad clip does not hide
    the others; of readings closer than `APART_S` one comes in its turn, its neighbours later.
    """
    groups: dict[tuple[str, str], list[Card]] = {}
    for card in cards:
        if card.doubt > 0:
            groups.setdefault((card.clip, card.field), []).append(card)
    turns: list[tuple[int, Card]] = []
    for own in groups.values():
        first: list[Card] = []
        later: list[Card] = []
        for card in sorted(own, key=lambda c: -c.doubt):
            near = any(abs(card.times[0] - o.times[0]) < APART_S for o in first)
            (later if near else first).append(card)
        turns += enumerate([*first, *later])
    return [card for _, card in sorted(turns, key=lambda t: (t[0], -t[1].doubt))]


def number_text(value: float, text: str, decimals: int | None) -> str:
    """Return a number as the display writes it; where none was accepted, what the text suggests."""
    if math.isnan(value):
        value = interpret(text, 1.0, 0.0).value
    if math.isnan(value):
        return ""
    if decimals is None and not (decimals := decimals_in(text)):
        return f"{value:.9g}"
    return f"{value:.{decimals}f}"


def disagreements(known: ClipState | None, name: str) -> dict[int, str]:
    """Return by row what the second reader saw, where it saw another number."""
    if known is None or name not in known.fields:
        return {}
    return {row: text for row, text, same in clip_tables.second_looks(known, name) if not same}


def standing_corrections(
    times: Sequence[float], corrections: Iterable[Correction]
) -> dict[int, str]:
    """Return the correction at each row (see `clip_tables.row_at`)."""
    rows = [(clip_tables.row_at(times, one.time_s), one.value) for one in corrections]
    return {row: value for row, value in rows if row is not None}


def _doubt(card: Card, doubts: Sequence[Doubt] = ()) -> tuple[float, str]:
    if card.flag == Flag.UNREADABLE and not is_spoilt(card.text, card.confidence):
        read = interpret(card.text, 1.0, 0.0).value
        for one in doubts:
            if one.digit.stands_in(read) and one.digit.holds(read):
                return 2.1 + card.confidence, one.reason
    if card.second is not None:
        return 2.0, f"the second reader saw {card.second}"
    if card.flag in _DOUBT and not is_spoilt(card.text, card.confidence):
        flag = Flag(card.flag)
        return _DOUBT[flag] + 0.01 * (1 - card.confidence), _REASONS[flag]
    if card.flag == Flag.OK and card.confidence < DOUBTFUL_BELOW:
        return 1 + (1 - card.confidence), "low confidence"
    return 0.0, ""
