"""The pictures that doubtful readings were read from, cut out of the clips or kept in a pack."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from extractor.errors import ExtractorError
from extractor.review.cards import Card
from extractor.session.csv_tables import read_table
from extractor.session.overlay import Box, Field

if TYPE_CHECKING:
    from extractor.results import Results
    from extractor.video.clips import Clip

#: What a pack keeps of them, in the session's results.
TABLE = "doubtful.csv"
FOLDER = "doubtful"
#: Surroundings, in heights of the box: they show whether the box itself sits right.
ROOM = 0.5
COLUMNS = ("clip", "time_s", "field", "text", "value", "confidence", "flag", "picture")


@dataclass(frozen=True)
class Doubt:
    """One reading to look at, with its picture."""

    card: Card
    picture: bytes = b""
    """The crop as PNG; empty if it cannot be had."""


def with_pictures(results: Results, cards: Sequence[Card]) -> list[Doubt]:
    """Return the readings with their crops, cut out of the clips; one that fails is without."""
    by_clip: dict[str, list[Card]] = defaultdict(list)
    for card in cards:
        by_clip[card.clip].append(card)
    pictures: dict[int, bytes] = {}
    for clip, own in by_clip.items():
        try:
            pictures |= _cut(results, clip, own)
        except ExtractorError:
            continue  # the clip was moved or damaged since; its readings still stand
    return [Doubt(card, pictures.get(id(card), b"")) for card in cards]


def _cut(results: Results, clip: str, cards: Sequence[Card]) -> dict[int, bytes]:
    from extractor.video import clips
    from extractor.video.crops import rgb
    from extractor.video.picture_files import png

    if results.overlay is None:
        return {}
    known = clips.probe(results.session.path(clip))
    names = list(dict.fromkeys(c.field for c in cards))
    boxes = [shown_box(results.overlay[name], known) for name in names]
    ordered = sorted(cards, key=lambda c: c.times[0])
    frames = clips.at_times(known, boxes, [c.times[0] for c in ordered])
    return {
        id(card): png(rgb(frame.crops[names.index(card.field)], known.colour))
        for card, frame in zip(ordered, frames, strict=True)
    }


def shown_box(item: Field, clip: Clip) -> Box:
    """Return the part of a clip's picture that is shown for checking what was read."""
    box = item.box_for(clip.width, clip.height)
    return box.widened(ROOM, clip.width, clip.height)


def stored(folder: Path) -> list[Doubt] | None:
    """Return the doubts that a pack carries in its results folder; None if it has none."""
    path = folder / TABLE
    if not path.exists():
        return None
    table = read_table(path)
    table.require(*COLUMNS)
    found = []
    for i, row in enumerate(table.rows):
        time_s, confidence = table.number(i, "time_s"), table.number(i, "confidence")
        picture = folder / FOLDER / Path(row["picture"]).name
        card = Card(
            row["clip"], row["field"], [time_s or 0.0], row["text"], row["value"],
            confidence or 0.0, row["flag"],
        )  # fmt: skip
        found.append(Doubt(card, picture.read_bytes() if picture.is_file() else b""))
    return found


def as_rows(doubts: Sequence[Doubt]) -> list[dict[str, object]]:
    """Return the rows of the table that a pack carries."""
    return [
        {
            **{c: getattr(d.card, c) for c in ("clip", "field", "text", "confidence", "flag")},
            "time_s": d.card.times[0],
            "value": d.card.number,
            "picture": f"{i:03d}.png" if d.picture else "",
        }
        for i, d in enumerate(doubts)
    ]
