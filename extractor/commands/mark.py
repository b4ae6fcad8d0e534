"""``extractor mark``: where the numbers stand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from extractor.commands import options
from extractor.commands.screen import number, say, table, warn
from extractor.errors import UsageError

if TYPE_CHECKING:
    from extractor.reading.marking import Marked
    from extractor.session.folder import Session


def mark(
    session: options.SessionFolder,
    field: Annotated[
        str | None, typer.Option(metavar="NAME", help="The number's name; becomes a column.")
    ] = None,
    box: Annotated[
        str | None,
        typer.Option(metavar="X,Y,W,H", help="Its rectangle in pixels, origin top left."),
    ] = None,
    on: Annotated[
        str | None, typer.Option(metavar="CLIP", help="Clip it is marked on; default the first.")
    ] = None,
    at: Annotated[
        float | None,
        typer.Option(metavar="SECONDS", min=0, help="Moment it is marked at; default the middle."),
    ] = None,
    unit: Annotated[str | None, typer.Option(help="Its unit, such as Mbit/s.")] = None,
    decimals: options.Decimals = None,
    minimum: options.Minimum = None,
    maximum: options.Maximum = None,
    ceiling: options.Ceiling = None,
    low: options.Low = None,
    better: Annotated[
        options.Better | None,
        typer.Option(help="Which is better; known for ms, Mbit/s and the like, else say it."),
    ] = None,
    suggest: Annotated[
        bool, typer.Option("--suggest", help="Look for numbers and list candidates.")
    ] = False,
    accept: Annotated[
        list[str] | None,
        typer.Option(
            metavar="N=NAME",
            help="With --suggest: take candidate N; more may follow: 1=bitrate 2=latency.",
        ),
    ] = None,
    more: Annotated[
        list[str] | None, typer.Argument(metavar="[N=NAME]...", help="Further candidates to take.")
    ] = None,
    remove: Annotated[str | None, typer.Option(metavar="NAME", help="Forget this field.")] = None,
    show: Annotated[bool, typer.Option("--list", help="List what is marked.")] = False,
    reader: options.ReaderName = "network",
    insist: options.Insist = False,
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
        given = {
            key: v for key, v in zip(options.FIELD_OPTIONS, values, strict=True) if v is not None
        }
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
            g.clip,
            number(g.time_s, 2),
            g.line.text,
            number(g.reading.value, 6).rstrip("0").rstrip("."),
            number(g.line.confidence, 3),
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
