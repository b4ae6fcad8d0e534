"""What a session is shown with: report, card, films and the pack."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from extractor.commands import options
from extractor.commands.screen import note, progress_bar, say


def report(
    sessions: options.SessionsOrPacks,
    field: options.Field = None,
    measure: options.Measure = None,
    factor: options.Factor = "antenna",
    reference: options.Reference = None,
    confidence: options.Confidence = 0.95,
    pool: options.Pool = False,
    equal_within: options.EqualWithin = None,
    title: Annotated[
        str | None, typer.Option(help="Title of the page.", show_default="the session's name")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            help="Folder for page, tables and pictures.",
            show_default="results/ of the first session",
        ),
    ] = None,
) -> None:
    """Write report.html, one self-contained page, and every chart as PNG and SVG.

    The comparison is made anew, so its tables under results/ always fit the page.
    """
    from extractor.report.html_report import Options, write_report

    asked = Options(field, measure, factor, reference, confidence, pool, equal_within, title)
    page, *others = write_report(sessions, out, asked, progress=note)
    say(f"Report: {page}")
    pictures = sorted({str(p.parent) for p in others if p.suffix == ".png"})
    note(f"Pictures: {', '.join(pictures)}")


def card(
    session: options.SessionOrPack,
    size: Annotated[
        str, typer.Option(help="Width x height in pixels: 1920x1080, 1080x1920, 1080x1080, …")
    ] = "1920x1080",
    title: Annotated[
        str | None, typer.Option(help="Over the picture.", show_default="what was compared")
    ] = None,
    field: options.Field = None,
    out: Annotated[
        Path | None,
        typer.Option(help="The PNG file.", show_default="results/pictures/card-WIDTHxHEIGHT.png"),
    ] = None,
) -> None:
    """Write the ranking as one picture: intervals, what can't be told apart, conditions."""
    from extractor.report.card import parse_size, write_card

    path = write_card(session, out, size=parse_size(size), title=title, field=field)
    say(f"Card: {path}")


def replay(
    session: options.SessionOrPack,
    field: options.Field = None,
    out: Annotated[
        Path | None, typer.Option(help="Folder for videos/ and pictures/.", show_default="results/")
    ] = None,
) -> None:
    """Simulate repeats of this very test and film how often the winner stays first."""
    from extractor.report.repeat_film import write_replay

    with progress_bar("replay") as bar:
        said, film, still = write_replay(session, out, field=field, progress=lambda s: bar(s, 1.0))
    say(said)
    say(f"Film: {film}")
    say(f"Still: {still}")


def annotate(
    session: options.SessionFolder,
    clip: Annotated[str, typer.Option(metavar="NAME", help="The clip, path in the session.")],
    out: Annotated[
        Path | None, typer.Option(help="The film, MP4.", show_default="results/videos/CLIP.mp4")
    ] = None,
) -> None:
    """Write a copy of a clip that shows what was read, and when, so that anyone can check it.

    The clip itself is left as it is. Sound is dropped.
    """
    from extractor.report.annotated_clip import annotate as write
    from extractor.session.folder import Session

    with progress_bar(clip) as bar:
        path = write(Session(session), clip, out, bar)
    say(f"Film: {path}")


def mosaic(
    session: options.SessionFolder,
    clip: options.Clips = None,
    field: options.Field = None,
    out: Annotated[
        Path | None, typer.Option(help="The film, MP4.", show_default="results/videos/mosaic.mp4")
    ] = None,
) -> None:
    """Write one film with all clips in a grid, each with its running mean and chart."""
    from extractor.report.mosaic import mosaic as write
    from extractor.session.folder import Session

    with progress_bar("mosaic") as bar:
        path = write(Session(session), out, only=clip or (), field=field, progress=bar)
    say(f"Film: {path}")


def pack(
    session: options.SessionFolder,
    out: Annotated[
        Path | None, typer.Option(help="The file.", show_default="results/SESSION.zip")
    ] = None,
) -> None:
    """Write an archive without the clips, from which report and comparison can be made again.

    It holds readings, tables, conditions, crops of doubtful readings and digests of the clips;
    compare and report take it in place of a session.
    """
    from extractor.report import pack
    from extractor.session.folder import Session

    with progress_bar("digests") as bar:
        path = pack.pack(Session(session), out, lambda clip, share: bar(share, 1.0))
    say(f"Pack: {path} ({path.stat().st_size / 1e6:.1f} MB)")
