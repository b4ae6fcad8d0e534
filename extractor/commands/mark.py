"""``extractor mark``: where the numbers stand."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from extractor.commands import options
from extractor.commands.screen import number, say, table, warn
from extractor.errors import UsageError

if TYPE_CHECKING:
    from extractor.reading.marking import Marked
    from extractor.session.folder import Session


def mark(
    session: Path,
    field: str | None = None,
    box: str | None = None,
    on: str | None = None,
    at: float | None = None,
    unit: str | None = None,
    decimals: int | None = None,
    minimum: float | None = None,
    maximum: float | None = None,
    ceiling: float | None = None,
    low: float | None = None,
    better: options.Better | None = None,
    suggest: bool = False,
    accept: list[str] | None = None,
    more: list[str] | None = None,
    remove: str | None = None,
    show: bool = False,
    reader: str = "network",
    insist: bool = False,
) -> None:
    """Mark where a number stands; once is enough for all clips of the session.

    Writes overlay.toml, says what the reader reads there on five instants across up to five
    clips, and saves a picture of the marked frame under results/pictures/.
    """
    from extractor.reading import marking
    from extractor.session.folder import Session

    opened = Session(session)
    asked = [bool(suggest or accept or more), bool(remove), bool(show), bool(field or box)]
    if sum(asked) != 1:
        raise UsageError("give one of: --field with --box, --suggest, --remove, --list")
    if show:
        _list(opened)
    elif remove:
        marking.remove(opened, remove)
        _list(opened)
    elif field or box:
        if not (field and box):
            raise UsageError("--field and --box go together")
        values = (unit, decimals, minimum, maximum, ceiling, low, better)
        said = zip(options.FIELD_OPTIONS, values, strict=True)
        given = {key: value for key, value in said if value is not None}
        spot = marking.Spot(marking.parse_box(box), on, at)
        made = marking.mark(opened, field, spot, given, reader_name=reader, insist=insist)
        _show_marked(opened, made, reader)
    else:
        _suggest(opened, [*(accept or []), *(more or [])], reader, insist)


def _list(opened: Session) -> None:
    if not opened.overlay_path.exists():
        say("Nothing is marked yet.")
        return
    rows = [
        [
            *(f.name, f.unit, f.direction or "not said"),
            *(f"{f.frame[0]}x{f.frame[1]}", ",".join(map(str, f.box.as_list()))),
        ]
        for f in opened.overlay().fields
    ]
    table(["field", "unit", "better", "frame", "box"], rows)


def _show_marked(opened: Session, marked: Marked, reader: str) -> None:
    from extractor.reading import marking
    from extractor.session import overlay

    preview = marking.preview(opened, marked.field, reader)
    rows = [
        [
            *(g.clip, number(g.time_s, 2), g.line.text),
            *(number(g.reading.value, 6).rstrip("0").rstrip("."), number(g.line.confidence, 3)),
            str(g.reading.flag),
        ]
        for g in preview.glances
    ]
    table(["clip", "time s", "text", "value", "confidence", "flag"], rows)
    for name, error in preview.failed.items():
        warn(f"{name}: {error}")
    picture = marking.save_picture(opened, marked, preview)
    say(f"Marked in {opened.overlay_path}; picture: {picture}")
    say(preview.verdict())
    if marked.field.direction is None:
        say(overlay.direction_question(marked.field.name))


def _suggest(opened: Session, accepted: list[str], reader: str, insist: bool) -> None:
    from extractor.reading import marking, suggestions

    wanted = marking.parse_accepted(accepted)
    found = suggestions.suggest(opened, reader)
    rows = [
        [str(i), ",".join(map(str, c.box.as_list())), "  ".join(c.texts[:6])]
        for i, c in enumerate(found.candidates, 1)
    ]
    if not rows:
        say("Nothing that looks like a changing number was found; mark it with --field and --box.")
        return
    table(["no.", "box", "read there"], rows)
    say(f"Numbered frames: {suggestions.save_picture(opened, found)}")
    if not wanted:
        say("Take them with: extractor mark SESSION --suggest --accept 1=bitrate 2=latency")
    for index, name in wanted.items():
        asked = suggestions.accepted(found, index, name)
        made = marking.mark(opened, name, *asked, reader_name=reader, insist=insist)
        _show_marked(opened, made, reader)
