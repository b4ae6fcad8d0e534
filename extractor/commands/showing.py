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
    session: Path,
    size: str = "1920x1080",
    title: str | None = None,
    field: str | None = None,
    out: Path | None = None,
) -> None:
    """Write the ranking as one picture: intervals, what can't be told apart, conditions."""
    from extractor.report.card import parse_size, write_card

    path = write_card(session, out, size=parse_size(size), title=title, field=field)
    say(f"Card: {path}")


def replay(session: Path, field: str | None = None, out: Path | None = None) -> None:
    """Simulate repeats of this very test and film how often the winner stays first."""
    from extractor.report.repeat_film import write_replay

    with progress_bar("replay") as bar:
        said, film, still = write_replay(session, out, field=field, progress=lambda s: bar(s, 1.0))
    say(said)
    say(f"Film: {film}")
    say(f"Still: {still}")


def annotate(session: Path, clip: str, out: Path | None = None) -> None:
    """Write a copy of a clip that shows what was read, and when, so that anyone can check it.

    The clip itself is left as it is. Sound is dropped.
    """
    from extractor.report.annotated_clip import annotate as write
    from extractor.session.folder import Session

    with progress_bar(clip) as bar:
        path = write(Session(session), clip, out, bar)
    say(f"Film: {path}")


def mosaic(
    session: Path, clip: list[str] | None = None, field: str | None = None, out: Path | None = None
) -> None:
    """Write one film with all clips in a grid, each with its running mean and chart."""
    from extractor.report.mosaic import mosaic as write
    from extractor.session.folder import Session

    with progress_bar("mosaic") as bar:
        path = write(Session(session), out, only=clip or (), field=field, progress=bar)
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
