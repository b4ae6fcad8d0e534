"""The command line: arguments in, exit codes out. Everything else is done elsewhere."""

from __future__ import annotations

import functools
import inspect
import io
import logging
import os
import sys
from collections.abc import Callable

import typer

from extractor import __version__
from extractor.commands import (
    compare,
    expect,
    mark,
    match,
    plan,
    read,
    showing,
    summarise,
    teach,
    watch,
)
from extractor.commands.open import open_page
from extractor.commands.options import described
from extractor.commands.screen import MANNER, fail
from extractor.errors import EXIT_INTERRUPTED, EXIT_USAGE, ConsentError, ExtractorError

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help=(
        "Reads link bitrate and latency out of recorded video overlays and compares antennas. "
        "Exit codes: 0 done (also with warnings), 2 wrong usage or files of the session, "
        "3 a clip gave no readings (the others are done), 130 interrupted."
    ),
)

#: What Linux says of a library that is not there; OpenCV's windows, unused here, need some.
_NO_LIBRARY = "cannot open shared object file"
_HOW_TO_GET_IT = (
    "apt-get install libgl1 libglib2.0-0; or, without root: pip uninstall opencv-python, "
    "then pip install opencv-python-headless, which needs no such library"
)


def _with_exit_codes(command: Callable[..., None]) -> Callable[..., None]:
    """Add ``--quiet`` and ``--debug``; turn the tool's own errors into one line and a code."""

    @functools.wraps(command)
    def run(*args: object, quiet: bool, debug: bool, **kwargs: object) -> None:
        MANNER.quiet, MANNER.debug = MANNER.quiet or quiet, MANNER.debug or debug
        if MANNER.debug:
            return command(*args, **kwargs)
        try:
            command(*args, **kwargs)
        except ExtractorError as error:
            way = "; to do it all the same: --insist" if isinstance(error, ConsentError) else ""
            fail(f"{error}{way}")
            raise typer.Exit(error.exit_code) from None
        except ImportError as error:
            if _NO_LIBRARY not in str(error):
                raise
            fail(f"a system library is missing ({error}); {_HOW_TO_GET_IT}")
            raise typer.Exit(EXIT_USAGE) from None
        except KeyboardInterrupt:
            print("interrupted: finished clips stay finished, run it again", file=sys.stderr)
            raise typer.Exit(EXIT_INTERRUPTED) from None

    own = inspect.signature(command, eval_str=True)
    shared = inspect.signature(_shared_options, eval_str=True).parameters.values()
    parameters = [described(command.__name__, p) for p in (*own.parameters.values(), *shared)]
    run.__annotations__ = {p.name: p.annotation for p in parameters}
    vars(run)["__signature__"] = own.replace(parameters=parameters)
    return run


def _shared_options(quiet: bool = False, debug: bool = False) -> None:
    """Every command has these."""


#: In the order of the work, as the help lists them.
COMMANDS = (
    *(plan.plan, mark.mark, read.read, read.quick, watch.watch, match.match, teach.teach),
    *(summarise.summarise, compare.compare, expect.expect, showing.report, showing.card),
    *(showing.film, showing.replay, showing.annotate, showing.mosaic, showing.describe),
    showing.pack,
)
for _command in COMMANDS:
    app.command()(_with_exit_codes(_command))
app.command("open")(_with_exit_codes(open_page))


def _show_version(value: bool) -> None:
    if value:
        typer.echo(__version__)
        raise typer.Exit


@app.callback()
def _root(
    version: bool = typer.Option(
        False, "--version", callback=_show_version, is_eager=True, help="Print the version."
    ),
) -> None:
    pass


def _speak_utf8() -> None:
    """Begin anew in UTF-8 mode where the locale knows few letters; what can't print becomes ``?``.

    Files are named in UTF-8 nearly everywhere: read by the letters of an 8-bit locale, the name
    of a clip is another one than in ``runs.csv``.
    """
    if sys.getfilesystemencoding().lower() != "utf-8":
        os.environ.setdefault("PYTHONIOENCODING", f"{sys.stdout.encoding}:replace")
        os.execv(sys.executable, [sys.executable, "-X", "utf8", *sys.orig_argv[1:]])
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")


def main() -> None:
    """Run one command and exit with its code (see `extractor.errors`)."""
    # Before NumPy is imported: its matrices are small here, and on a busy machine threads that
    # share one wait for each other, up to four times as long as one needs alone.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # It warns of a home that it cannot write to, and does without.
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    _speak_utf8()
    app()
