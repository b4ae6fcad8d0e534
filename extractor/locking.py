"""One process at a time writes a session's results.

The lock is the operating system's, on an open file: it ends with the process that holds it,
however that ends, so there is no stale lock to heal.
"""

from __future__ import annotations

import contextlib
import os
import socket
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from extractor.errors import SessionBusyError, StorageError

POLL_S = 0.1


@contextlib.contextmanager
def locked(path: Path, *, wait_s: float = 2.0) -> Iterator[None]:
    """Hold the lock `path` while the block runs.

    Parameters
    ----------
    path : Path
        The lock's file; made when missing and left there.
    wait_s : float
        How long to wait for another holder to finish, seconds.

    Raises
    ------
    SessionBusyError
        If another process still holds it; the message says which.
    StorageError
        If the file cannot be made.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        stream = path.open("a+", encoding="utf-8")
    except OSError as error:
        raise StorageError(
            f"{path.parent}: cannot be written ({error.strerror}); make the folder writable"
        ) from error
    with stream:
        _take(stream, path, time.monotonic() + wait_s)
        stream.truncate(0)
        stream.write(f"process {os.getpid()} on {socket.gethostname()}")
        stream.flush()
        yield


def _take(stream: IO[str], path: Path, deadline: float) -> None:
    while not _try(stream):
        if time.monotonic() >= deadline:
            holder = ""
            with contextlib.suppress(OSError):
                holder = path.read_text("utf-8").strip()
            raise SessionBusyError(
                f"{path.parent.parent.parent}: another extractor is at work on this session "
                f"({holder or 'process not known'}); wait until it is done, or end it"
            )
        time.sleep(POLL_S)


def _try(stream: IO[str]) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            stream.seek(0)
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    except OSError:
        return True  # a file system without locks: go on, as it was before there was one
    return True
