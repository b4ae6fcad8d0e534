"""What a session is shown with: report, card, films and the pack."""

from __future__ import annotations

from pathlib import Path

from extractor.commands.screen import note, progress_bar, say


def report(
    sessions: list[Path],
    field: str | None = None,
    measure: str | None = None,
    factor: str = "antenna",
    reference: str | None = None,
    confidence: float = 0.95,
    pool: bool = False,
    equal_within: float | None = None,
    spread_from: list[Path] | None = None,
    title: str | None = None,
    out: Path | None = None,
) -> None:
    """Write report.html, one self-contained page, and every chart as PNG and SVG.

    The comparison is made anew, so its tables under results/ always fit the page.
    """
    from extractor.report.html_report import Options, write_report

    lending = tuple(spread_from or ())
    asked = Options(
        field, measure, factor, reference, confidence, pool, equal_within, lending, title
    )
    page, *others = write_report(sessions, out, asked, progress=note)
    say(f"Report: {page}")
    pictures = sorted({str(p.parent) for p in others if p.suffix == ".png"})
    note(f"Pictures: {', '.join(pictures)}")


def card(
    sessions: list[Path],
    size: str = "1920x1080",
    title: str | None = None,
    field: str | None = None,
    dark: bool = False,
    background: str = "plain",
    out: Path | None = None,
) -> None:
    """Write the ranking of one or more rounds as one picture: intervals, ties, conditions."""
    from extractor.report.card import write_card
    from extractor.video.encoding import parse_format

    path = write_card(
        sessions, out, size=parse_format(size), title=title, field=field, dark=dark,
        background=background,
    )  # fmt: skip
    say(f"Card: {path}")


def film(
    sessions: list[Path],
    size: str = "1920x1080",
    rate: float = 30.0,
    codec: str = "h264",
    seconds: float = 12.0,
    title: str | None = None,
    field: str | None = None,
    dark: bool = True,
    background: str = "plain",
    loop: bool = False,
    out: Path | None = None,
) -> None:
    """Film how the ranking comes about: bars grow as the clips play, then the card stands.

    Captions (.vtt) and a list of chapters are written beside it.
    """
    from extractor.report.ranking_film import write_ranking_film
    from extractor.video.encoding import parse_format

    with progress_bar("film") as bar:
        path = write_ranking_film(
            sessions, out, form=parse_format(size, rate or 30.0, codec), length_s=seconds,
            title=title, field=field, dark=dark, background=background, loop=loop, progress=bar,
        )  # fmt: skip
    say(f"Film: {path}")


def describe(
    sessions: list[Path],
    field: str | None = None,
    out: Path | None = None,
) -> None:
    """Write the text to paste under a video: method, ranking, limits, answers to questions."""
    from extractor.report.description import describe as described
    from extractor.session.atomic import write_text
    from extractor.session.folder import results_folder

    text = described(sessions, field=field)
    path = out or results_folder(sessions[0]) / "description.txt"
    write_text(path, text)
    say(text.rstrip())
    note(f"Text: {path}")


def replay(
    sessions: list[Path],
    size: str = "1920x1080",
    rate: float = 30.0,
    codec: str = "h264",
    field: str | None = None,
    dark: bool = True,
    out: Path | None = None,
) -> None:
    """Simulate repeats of this very test and film how often the winner stays first."""
    from extractor.report.repeat_film import write_replay
    from extractor.video.encoding import parse_format

    with progress_bar("replay") as bar:
        said, film, still = write_replay(
            sessions, out, field=field, form=parse_format(size, rate or 30.0, codec), dark=dark,
            progress=bar,
        )  # fmt: skip
    say(said)
    say(f"Film: {film}")
    say(f"Still: {still}")


def annotate(
    session: Path,
    clip: str,
    codec: str = "h264",
    panel: str | None = None,
    dark: bool = True,
    out: Path | None = None,
) -> None:
    """Write a copy of a clip that shows what was read, and when, so that anyone can check it.

    With --codec prores or png what is laid over it comes alone. The clip itself is left as it is.
    Sound is dropped.
    """
    from extractor.report.annotated_clip import annotate as write
    from extractor.session.folder import Session
    from extractor.video.encoding import parse_format

    form = parse_format("1920x1080", codec=codec)
    with progress_bar(clip) as bar:
        path = write(Session(session), clip, out, bar, codec=form.codec, panel=panel, dark=dark)
    say(f"Film: {path}")


def mosaic(
    sessions: list[Path],
    clip: list[str] | None = None,
    size: str = "1920x1080",
    rate: float = 30.0,
    codec: str = "h264",
    order: str = "rank",
    title: str = "",
    legend: bool = True,
    field: str | None = None,
    dark: bool = True,
    out: Path | None = None,
) -> None:
    """Write one film with all runs in a grid, each with its number, bar and curve; it loops."""
    from extractor.report.mosaic import mosaic as write
    from extractor.video.encoding import parse_format

    with progress_bar("mosaic") as bar:
        path = write(
            sessions, out, form=parse_format(size, rate, codec), only=clip or (), field=field,
            order=order, title=title, legend=legend, dark=dark, progress=bar,
        )  # fmt: skip
    say(f"Film: {path}")


def pack(session: Path, out: Path | None = None) -> None:
    """Write an archive without the clips, from which report and comparison can be made again.

    It holds readings, tables, conditions, crops of doubtful readings and digests of the clips;
    compare and report take it in place of a session.
    """
    from extractor.report import pack
    from extractor.session.folder import Session

    with progress_bar("digests") as bar:
        path = pack.pack(Session(session), out, lambda clip, share: bar(share, 1.0))
    say(f"Pack: {path} ({path.stat().st_size / 1e6:.1f} MB)")
