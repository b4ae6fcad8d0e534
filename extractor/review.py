"""The readings that deserve a look: which they are, and the pictures that they were read from."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from extractor.errors import ClipError, ExtractorError
from extractor.reading.number_parsing import is_spoilt
from extractor.session.csv_tables import read_table
from extractor.session.overlay import Box
from extractor.statistics.flags import Flag

if TYPE_CHECKING:
    import pandas as pd

    from extractor.results import Results
    from extractor.video.crops import Crop

#: Least sure first; a reading that counts is judged by its confidence alone.
_SUSPECT = {
    Flag.SPIKE: 0.0,
    Flag.FORMAT: 0.1,
    Flag.RANGE: 0.2,
    Flag.UNREADABLE: 0.3,
    Flag.FROZEN: 0.9,
}
#: Readings of one clip closer than this mostly show the same number.
APART_S = 1.0
#: What a pack keeps of them, in the session's results.
TABLE = "doubtful.csv"
FOLDER = "doubtful"
COLUMNS = ("clip", "time_s", "field", "text", "value", "confidence", "flag", "picture")


@dataclass(frozen=True)
class Doubt:
    """One reading to look at."""

    clip: str
    time_s: float
    field: str
    text: str
    value: float
    """NaN where there is no number."""
    confidence: float
    flag: str
    picture: bytes = b""
    """The crop as PNG; empty if it cannot be had."""


def most_doubtful(results: Results, count: int = 16) -> list[Doubt]:
    """Return the readings least to be trusted, taken from the clips in turn.

    Parameters
    ----------
    results : Results
        With readings.
    count : int
        At most so many.
    """
    queues: list[list[tuple[float, Doubt]]] = []
    for clip in results.session.clips:
        found: list[tuple[float, Doubt]] = []
        for info in results.fields:
            found += _of_series(clip, info.name, results.readings(clip, info.name), count)
        queues.append(sorted(found, key=lambda pair: pair[0])[:count])
    turn = [
        (place, score, doubt)
        for queue in queues
        for place, (score, doubt) in enumerate(queue)
        if place == 0 or score < 0.9
    ]
    return [doubt for _, _, doubt in sorted(turn, key=lambda t: (t[0], t[1]))[:count]]


def _of_series(
    clip: str, name: str, series: pd.DataFrame, count: int
) -> Iterable[tuple[float, Doubt]]:
    scored = []
    for row in series.to_dict("records"):
        flag = str(row["flag"])
        confidence = float(row["confidence"])
        score = _SUSPECT.get(Flag(flag), confidence) if flag in set(Flag) else 0.0
        text = row["text"] if isinstance(row["text"], str) else ""
        if flag in (Flag.HIDDEN, Flag.CORRECTED) or not math.isfinite(score):
            continue
        if is_spoilt(text, confidence):
            continue
        # Among equals the least sure first.
        score += 1e-3 * (0.0 if math.isnan(confidence) else confidence)
        doubt = Doubt(clip, float(row["time_s"]), name, text, row["value"], confidence, flag)
        scored.append((score, doubt))
    taken: list[tuple[float, Doubt]] = []
    for score, doubt in sorted(scored, key=lambda pair: pair[0]):
        if all(abs(doubt.time_s - other.time_s) >= APART_S for _, other in taken):
            taken.append((score, doubt))
        if len(taken) == count:
            break
    return taken


def with_pictures(results: Results, doubts: Sequence[Doubt]) -> list[Doubt]:
    """Return the doubts with their crops, cut out of the clips; one that fails stays without."""
    from dataclasses import replace

    by_clip: dict[str, list[Doubt]] = defaultdict(list)
    for doubt in doubts:
        by_clip[doubt.clip].append(doubt)
    pictures: dict[Doubt, bytes] = {}
    for clip, own in by_clip.items():
        try:
            pictures |= _cut(results, clip, own)
        except ExtractorError:
            continue  # the clip was moved or damaged since; its readings still stand
    return [replace(d, picture=pictures.get(d, b"")) for d in doubts]


def _cut(results: Results, clip: str, doubts: Sequence[Doubt]) -> dict[Doubt, bytes]:
    from extractor.video import clips

    if results.overlay is None:
        return {}
    known = clips.probe(results.session.path(clip))
    names = list(dict.fromkeys(d.field for d in doubts))
    boxes = [
        _grown(results.overlay[name].box_for(known.width, known.height), known.width, known.height)
        for name in names
    ]
    ordered = sorted(doubts, key=lambda d: d.time_s)
    frames = clips.at_times(known, boxes, [d.time_s for d in ordered])
    return {
        doubt: png_of(frame.crops[names.index(doubt.field)])
        for doubt, frame in zip(ordered, frames, strict=True)
    }


def _grown(box: Box, width: int, height: int) -> Box:
    # A little of the surroundings shows whether the box itself sits right.
    margin = max(2, round(0.12 * box.height))
    return Box(
        box.x - margin, box.y - margin, box.width + 2 * margin, box.height + 2 * margin
    ).clipped(width, height)


def png_of(crop: Crop) -> bytes:
    """Return a crop (Y, Cb, Cr) as a PNG file's content.

    Raises
    ------
    ClipError
        If it cannot be encoded.
    """
    import cv2

    bgr = cv2.cvtColor(crop[..., [0, 2, 1]], cv2.COLOR_YCrCb2BGR)
    done, data = cv2.imencode(".png", bgr)
    if not done:
        raise ClipError("a crop cannot be written as a picture")
    return bytes(data)


def stored(folder: Path) -> list[Doubt] | None:
    """Return the doubts that a pack carries in its results folder; None if it has none."""
    path = folder / TABLE
    if not path.exists():
        return None
    table = read_table(path)
    table.require(*COLUMNS)
    found = []
    for i, row in enumerate(table.rows):
        time_s, value = table.number(i, "time_s"), table.number(i, "value")
        confidence = table.number(i, "confidence")
        picture = folder / FOLDER / Path(row["picture"]).name
        found.append(
            Doubt(
                row["clip"], time_s or 0.0, row["field"], row["text"],
                math.nan if value is None else value,
                math.nan if confidence is None else confidence,
                row["flag"], picture.read_bytes() if picture.is_file() else b"",
            )
        )  # fmt: skip
    return found


def as_rows(doubts: Sequence[Doubt]) -> list[dict[str, object]]:
    """Return the rows of the table that a pack carries."""
    return [
        {
            **{c: getattr(d, c) for c in COLUMNS if c != "picture"},
            "picture": f"{i:03d}.png" if d.picture else "",
        }
        for i, d in enumerate(doubts)
    ]
