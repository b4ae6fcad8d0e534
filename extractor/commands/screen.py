"""What the commands print: results to stdout, progress and warnings to stderr."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.progress import Progress

    from extractor.reading.clip_job import ClipJob
    from extractor.reading.session_clips import ClipReport, SessionReport


@dataclass(slots=True)
class Manner:
    """How to speak; set once by the command line."""

    quiet: bool = False
    debug: bool = False


MANNER = Manner()


def printable(text: str, line_ends: str = "") -> str:
    r"""Return a text without what could steer a terminal or cannot be shown.

    Names come from files and tables: an escape sequence in one could clear the screen or forge
    a line. Odd spaces become plain ones, anything else that does not print the sign U+FFFD.

    Parameters
    ----------
    text : str
        Anything.
    line_ends : str
        What to keep besides: ``"\n"`` where the text has several lines.
    """
    if text.isprintable():
        return text
    return "".join(
        c if c.isprintable() or c in line_ends else " " if c.isspace() else "\ufffd" for c in text
    )


def say(text: str = "") -> None:
    """Print one or more lines of a result."""
    print(printable(text, "\n"))


def note(text: str) -> None:
    """Print a line about the work, unless quiet."""
    if not MANNER.quiet:
        print(printable(text), file=sys.stderr)


def warn(text: str) -> None:
    """Print a warning, also when quiet."""
    print(f"warning: {printable(text)}", file=sys.stderr)


def fail(text: object) -> None:
    """Print why something could not be done."""
    print(f"error: {printable(str(text))}", file=sys.stderr)


def table(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print a table; columns whose cells are numbers stand right-aligned."""
    from rich import box
    from rich.console import Console
    from rich.table import Table

    from extractor.session.numerals import parse_number

    drawn = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for i, column in enumerate(columns):
        filled = [row[i] for row in rows if row[i]]
        numeric = bool(filled) and all(
            parse_number(c.rstrip(" %").split(" ")[0]) is not None for c in filled
        )
        drawn.add_column(_plain(column), justify="right" if numeric else "left", overflow="fold")
    for row in rows:
        drawn.add_row(*[_plain(cell) for cell in row])
    # Not a terminal: the width is unknown, and a table folded at 80 is no use to anyone.
    Console(width=None if sys.stdout.isatty() else 200, soft_wrap=False).print(drawn)


def _plain(text: str) -> Any:
    from rich.text import Text

    return Text(printable(text))  # names are the user's: square brackets in them are no markup


def number(value: object, digits: int = 2) -> str:
    """Return a number with so many decimals, empty where there is none."""
    if isinstance(value, int | float) and value == value:
        return f"{value:.{digits}f}"
    return ""


def percent(share: object) -> str:
    """Return a share of 0 to 1 as percent, empty where there is none."""
    shown = number(100 * share, 1) if isinstance(share, int | float) else ""
    return f"{shown} %" if shown else ""


def _bars() -> Progress:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    console, quiet = Console(stderr=True), MANNER.quiet or not sys.stderr.isatty()
    share = TextColumn("{task.percentage:>3.0f} %")
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), share)
    left = TimeRemainingColumn()
    return Progress(*columns, left, console=console, transient=True, disable=quiet)


class Bars:
    """A `session_clips.Watcher` that draws a progress bar per clip, if stderr is a terminal."""

    def __init__(self, tell: Callable[[str], None] = note) -> None:
        self._bars, self._tell = _bars(), tell
        self._tasks: dict[str, Any] = {}
        self._lengths: dict[str, float | None] = {}

    def __enter__(self) -> Bars:
        """Start drawing."""
        self._bars.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Stop drawing."""
        self._bars.stop()

    def started(self, jobs: Sequence[ClipJob]) -> None:
        """Draw the bar of the whole."""
        if self._bars.disable:
            return
        from extractor.video.clips import length_s

        self._lengths = {job.clip: length_s(job.path) for job in jobs}
        if len(jobs) > 1:
            self._tasks[""] = self._bars.add_task("all clips", total=len(jobs))

    def progress(self, clip: str, seconds: float) -> None:
        """Move one clip's bar."""
        if clip not in self._tasks:
            self._tasks[clip] = self._bars.add_task(printable(clip), total=self._lengths.get(clip))
        self._bars.update(self._tasks[clip], completed=seconds)

    def ended(self, report: ClipReport) -> None:
        """Say what a clip shows, and take its bar away."""
        done = report.message if report.outcome == "failed" else report.said or report.outcome
        if report.said or self._bars.disable:
            self._tell(f"{report.clip}: {done}")
        if self._bars.disable:
            return
        if report.clip in self._tasks:
            self._bars.remove_task(self._tasks.pop(report.clip))
        if "" in self._tasks:
            self._bars.advance(self._tasks[""])


@contextmanager
def progress_bar(what: str) -> Iterator[Callable[[float, float], None]]:
    """Draw one progress bar, if stderr is a terminal; give a function of done and total."""
    with _bars() as bars:
        task = bars.add_task(printable(what), total=None)
        yield lambda done, total: bars.update(task, completed=done, total=total or None)


#: Flags in the order in which the table names them, with short words.
_FLAGS = ("no_link", "hidden", "unreadable", "range", "spike", "format", "frozen", "corrected")


def summary_table(rows: Sequence[dict[str, Any]]) -> None:
    """Print the clip statistics that matter at a glance, one line a run and field."""
    columns = ["run", "field", "mean", "95 % interval", "sd", "readable", "at ceiling", "flags"]
    table(columns, [_summary_line(row) for row in rows])


def _summary_line(row: dict[str, Any]) -> list[str]:
    interval = f"{number(row['mean_low'])} to {number(row['mean_high'])}"
    flags = ", ".join(f"{row['n_' + f]} {f}" for f in _FLAGS if row["n_" + f])
    unit = f" {row['unit']}" if row["unit"] else ""
    return [
        *(str(row["run"]), str(row["field"])),
        f"{number(row['mean'])}{unit}" if number(row["mean"]) else "",
        interval if number(row["mean_low"]) else "",
        *(number(row["sd"]), percent(row["coverage"]), percent(row["ceiling_share"]), flags),
    ]


def report_problems(report: SessionReport) -> None:
    """Print warnings, then what each clip's owner should know, then the failures."""
    from extractor.reading.session_clips import damage

    for warning in report.warnings:
        warn(warning)
    for one in report.clips:
        if one.outcome == "failed":
            continue
        for missing in damage(one.complete, one.message, one.undecodable):
            warn(f"{one.clip}: {missing}")
        for remark in one.notes:
            note(f"note: {one.clip}: {remark}")
    if report.drafted:
        note(report.drafted)
    for one in report.failed:
        fail(one.message)
