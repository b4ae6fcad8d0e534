"""Writing files whole or not at all, and one process at a time."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import socket
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from extractor.errors import SessionBusyError, StorageError

PREVIOUS_SUFFIX = ".previous"
PART_SUFFIX = ".part"
#: How often a lock that another holds is tried again, seconds.
LOCK_POLL_S = 0.02
#: What file systems say that have no locks.
_NO_LOCKS = (errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOTSUP, errno.EINVAL)


def write_text(path: Path, text: str, *, keep_previous: bool = False) -> None:
    r"""Replace `path` by `text` (UTF-8, ``\n`` as it stands) in one step.

    Parameters
    ----------
    path : Path
        Its folder is made when missing.
    text : str
        The whole content.
    keep_previous : bool
        Keep the version before as ``.NAME.previous`` beside it: for files that are the
        user's own work.

    Raises
    ------
    StorageError
        If it cannot be written; what stood there before still stands.
    """
    write_bytes(path, text.encode("utf-8"), keep_previous=keep_previous)


def write_bytes(path: Path, content: bytes, *, keep_previous: bool = False) -> None:
    """Replace `path` by `content` in one step; see `write_text`."""
    with replacing(path, keep_previous=keep_previous) as stream:
        stream.write(content)


@contextmanager
def replacing(path: Path, *, keep_previous: bool = False) -> Iterator[IO[bytes]]:
    """Give a binary stream whose content replaces `path` when the block ends without error.

    Raises
    ------
    StorageError
        If it cannot be written; what stood there before still stands.
    """
    with (
        replacing_path(path, keep_previous=keep_previous) as temporary,
        temporary.open("wb") as stream,
    ):
        yield stream
        stream.flush()
        os.fsync(stream.fileno())


@contextmanager
def replacing_path(
    path: Path, *, suffix: str = "", keep_previous: bool = False, private: bool = False
) -> Iterator[Path]:
    """Give the path of a temporary file in the same folder that replaces `path` at the end.

    For writers that open a file by name and judge its kind by `suffix`, such as a video muxer.
    A `private` file is for this user alone.

    Raises
    ------
    StorageError
        If it cannot be written; what stood there before still stands.
    """
    with _as_storage_error(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        # Cut: with the additions the name must stay within the 255 bytes of most file systems.
        name = f".{path.name[:40]}.{os.urandom(6).hex()}{PART_SUFFIX}{suffix}"
        temporary = path.with_name(name)
        # With the mode of an ordinary file, from which the system takes the user's mask.
        mode = 0o600 if private else 0o666
        os.close(os.open(temporary, os.O_CREAT | os.O_EXCL | os.O_WRONLY, mode))
    try:
        with _as_storage_error(path):
            yield temporary
            if path.exists() and not private:
                temporary.chmod(path.stat().st_mode & 0o777)
            if keep_previous and path.exists():
                previous = path.with_name(f".{path.name}{PREVIOUS_SUFFIX}")
                write_bytes(previous, path.read_bytes())
            temporary.replace(path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


@contextmanager
def _as_storage_error(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise StorageError(
            f"{path}: cannot be written ({error.strerror or error}); what stood there before "
            "is unchanged; free some space or make the folder writable"
        ) from error


@contextmanager
def locked(path: Path, root: Path, *, wait_s: float) -> Iterator[None]:
    """Hold the lock `path` while the block runs: one thread of one process at a time.

    The lock is the operating system's and ends with the process that holds it, however that
    ends. The thread that holds it may take it again inside the block.

    Parameters
    ----------
    path : Path
        The lock's file; made when missing. Who holds it stands beside it, in ``NAME_holder``.
    root : Path
        The session folder, for the message.
    wait_s : float
        How long to wait for another holder to finish, seconds.

    Raises
    ------
    SessionBusyError
        If another still holds it; the message says which process.
    StorageError
        If the file cannot be made.
    """
    from filelock import FileLock, Timeout

    holder = path.with_name(f"{path.name}_holder")
    with contextlib.ExitStack() as held:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            lock = FileLock(path.resolve(), is_singleton=True)
            held.enter_context(lock.acquire(wait_s, LOCK_POLL_S))
            holder.write_text(f"process {os.getpid()} on {socket.gethostname()}", "utf-8")
        except Timeout:
            raise SessionBusyError(
                f"{root}: another extractor is at work on this session ({_text_of(holder)}); "
                "wait until it is done, or end it"
            ) from None
        except OSError as error:
            if error.errno not in _NO_LOCKS:  # without locks: go on as if alone
                raise StorageError(
                    f"{path.parent}: cannot be written ({error.strerror or error}); make the "
                    "folder writable"
                ) from error
        yield


def _text_of(holder: Path) -> str:
    try:
        return holder.read_text("utf-8")
    except (OSError, UnicodeDecodeError):
        return "process not known"


def clean_up(folder: Path, names: str = "*", older_than_s: float = 0.0) -> None:
    """Remove what a killed run left half-written.

    Parameters
    ----------
    folder : Path
        Where to look.
    names : str
        Pattern of the files that were being written.
    older_than_s : float
        Spare younger ones: where others may be writing at this moment.
    """
    for leftover in folder.glob(f".{names}.*{PART_SUFFIX}*"):
        with contextlib.suppress(OSError):
            if time.time() - leftover.stat().st_mtime >= older_than_s:
                leftover.unlink()


def read_json(path: Path) -> dict[str, Any]:
    """Return a remembered mapping, empty if there is none or it is not understood."""
    try:
        content = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return content if isinstance(content, dict) else {}


def write_json(path: Path, content: Mapping[str, Any]) -> None:
    """Remember a mapping.

    Raises
    ------
    StorageError
        If it cannot be written.
    """
    write_text(path, json.dumps(content, ensure_ascii=False, separators=(",", ":")))
