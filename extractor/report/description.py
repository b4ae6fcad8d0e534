"""The text to paste under a video: method, conditions, ranking, limits, and likely questions."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from extractor.comparison.compare import Comparison
from extractor.errors import ExtractorError
from extractor.radio.assessment import link_report
from extractor.report.story import Story, told
from extractor.session.antennas import FILE_NAME, find_antenna, read_antennas

#: Findings that say what the test cannot tell or what may disturb it.
_LIMITS = (
    "ceiling",
    "outages",
    "conditions",
    "left_out",
    "draft",
    "drift",
    "warm_up",
    "next",
    "link",
)


def describe(sessions: Sequence[str | Path], *, field: str | None = None) -> str:
    """Return the text for one or more sessions or packs; plain, for any web page.

    Raises
    ------
    UsageError
        If a session was not read, or the sessions don't join.
    SessionFileError
        If a file is wrong.

    Examples
    --------
    >>> from extractor import describe
    >>> describe(["sample_clips"]).split(":")[0]
    'Slab is best'
    """
    with told(sessions, field=field) as story:
        parts = [story.verdict, " ".join(_method(story))]
        if story.conditions:
            parts.append(f"Conditions: {story.conditions}.")
        parts.append("\n".join([f"{story.measure}:", *_ranking(story)]))
        parts += [" ".join(story.rounds)] if story.rounds else []
        if story.comparison is not None:
            limits = [f.sentence for f in story.comparison.findings if f.kind in _LIMITS]
            parts.append("\n".join(["What this test can't tell:", *(f"- {one}" for one in limits)]))
            parts += _answers(story, story.comparison)
    return "\n\n".join(parts) + "\n"


def _method(story: Story) -> list[str]:
    n = story.method.split(". ")[0].removeprefix("n = ")
    return [
        "The numbers are those that the goggles themselves showed, read out of the recordings by "
        "software, the same way for every clip.",
        f"{n} count; a mounting is one time that an antenna was put up and aimed anew.",
        "What this test can't tell apart is called so, and not ranked.",
    ]


def _ranking(story: Story) -> list[str]:
    lines = []
    for row in story.rows:
        span = (
            f" ({story.number(row.low)} to {story.number(row.high)})" if row.low == row.low else ""
        )
        place = f"{row.place}. " if row.place else ""
        bound = "at least " if row.bound else ""
        lines.append(f"{place}{row.name}: {bound}{story.number(row.mean)} {story.unit}{span}")
    return lines


def _answers(story: Story, comparison: Comparison) -> list[str]:
    found = {f.kind: f.sentence for f in reversed(comparison.findings)}
    answers = []
    rated = _best_rated(story)
    if rated is not None:
        answers.append(f"Why is the best-rated antenna not first?\n{rated}")
    ports = found.get("ports", "This test can't say: no mounting was seen on two ports.")
    answers.append(f"Does the port matter?\n{ports}")
    pairs = found.get("pairs", found.get("spread", ""))
    if pairs:
        answers.append(f"Is this difference real?\n{pairs}")
    return answers


def _best_rated(story: Story) -> str | None:
    """Say why the antenna rated highest is not first; None where it is, or too few are rated."""
    for one in story.results:
        with suppress(ExtractorError):
            rated = read_antennas(one.session.root / FILE_NAME)
            gains = {
                row.name: known.gain_dbi
                for row in story.rows
                if (known := find_antenna(rated, row.name)) and known.gain_dbi is not None
            }
            if len(gains) < 2:
                return None
            best = max(gains, key=lambda name: gains[name])
            if best == story.rows[0].name:
                return None
            said = f"{best} is rated highest, {gains[best]:g} dBi."
            with suppress(ExtractorError):
                surprises = link_report(one.session.root, field=story.field.name).surprises
                said += f" {surprises[0].sentence}" if surprises else ""
            return said
    return None
