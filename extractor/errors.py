"""Every error the tool raises on purpose, with its exit code.

::

    ExtractorError                  2
    ├── UsageError                  2   wrong option or argument
    │   └── ConsentError            2   it would make readings worse, and was not insisted on
    ├── SessionFileError            2   a file that the user writes is wrong
    │   ├── OverlayError            2   overlay.toml
    │   ├── TableError              2   runs.csv, antennas.csv, corrections.csv, a given CSV
    │   └── ChangedMeanwhileError   2   a file is no longer what the edit was based on
    ├── ReaderUnavailableError      2   the chosen reader cannot run here
    ├── StorageError                2   a result cannot be written (full disk, read-only folder)
    ├── SessionBusyError            2   another process is at work on the session
    └── ClipError                   3   one clip cannot be read; the others go on

Exit codes: 0 done (also with warnings), 2 wrong usage or files of the session, 3 a clip
gave no readings (the others are done), 130 interrupted. 1 stays Python's own: a bug.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

EXIT_OK = 0
EXIT_USAGE = 2
EXIT_CLIP = 3
EXIT_INTERRUPTED = 130


class ExtractorError(Exception):
    """Base of all errors with a message meant for the user.

    The message says in one line what is wrong, where, and what to do about it.
    """

    exit_code = EXIT_USAGE


class UsageError(ExtractorError):
    """An option or argument that cannot be followed."""


class ConsentError(UsageError):
    """What was asked for would make good readings worse; nothing was changed."""


class SessionFileError(ExtractorError):
    """A file that the user writes (or the session folder itself) is wrong."""


class OverlayError(SessionFileError):
    """``overlay.toml`` is missing, malformed or contradicts itself."""


class TableError(SessionFileError):
    """A table that the user keeps (CSV) cannot be understood."""


class ChangedMeanwhileError(SessionFileError):
    """A file was changed by someone else since it was looked at; it is left as it is."""


class ReaderUnavailableError(ExtractorError):
    """The chosen reader cannot run on this machine."""


class StorageError(ExtractorError):
    """A result cannot be written; what stood there before still stands."""


class SessionBusyError(ExtractorError):
    """Another process is at work on this session."""


class ClipError(ExtractorError):
    """One clip cannot be read; the others go on."""

    exit_code = EXIT_CLIP


@contextmanager
def reading(kind: type[ExtractorError], name: object, missing: str = "") -> Iterator[None]:
    """Turn what the system says of a file that cannot be read into an error of this `kind`.

    `missing` is what to say instead of one that is not there.
    """
    try:
        yield
    except OSError as error:
        if missing and isinstance(error, FileNotFoundError):
            raise kind(f"{name}: {missing}") from None
        raise kind(f"{name}: cannot be read ({error.strerror})") from error
