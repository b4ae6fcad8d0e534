"""What happened to the link during the runs: lost, overlay hidden, picture frozen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from extractor.results import Results
from extractor.statistics.dropouts import events, low_level
from extractor.statistics.series import offsets_s


@dataclass(frozen=True)
class LinkEvent:
    """One such stretch, and where to look at it."""

    kind: Literal["lost", "hidden", "frozen"]
    session: str
    run: str
    antenna: str
    clip: str
    time_s: float
    """In the clip."""
    length_s: float


def link_events(results: Results, name: str) -> list[LinkEvent]:
    """Return the events of a session's runs by one field, in the order of the runs."""
    field, found = results.field(name), []
    for row in ({str(k): v for k, v in r.items()} for r in results.rows(name).to_dict("records")):
        series = results.series(row, name)
        if series.empty:
            continue
        clips, begins = str(row["clip"]).split(";"), [0.0]
        if len(clips) > 1:
            parts = {clip: results.readings(clip, name) for clip in clips}
            clips = [clip for clip in clips if not parts[clip].empty]
            begins = offsets_s([parts[clip] for clip in clips])
        low = low_level(field.direction, field.low, float(row.get("ceiling", "nan")))
        for event in events(series, low):
            at = max(i for i, begin in enumerate(begins) if begin <= max(event.start_s, 0.0))
            found.append(
                LinkEvent(
                    event.kind, results.name, str(row["run"]), str(row["antenna"]), clips[at],
                    max(0.0, event.start_s - begins[at]), event.length_s,
                )
            )  # fmt: skip
    return found
