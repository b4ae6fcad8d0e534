"""Clips that are handed over piece by piece, as a browser does; never over a file that is there."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from extractor.errors import ChangedMeanwhileError, StorageError, UsageError
from extractor.session.atomic import PART_SUFFIX
from extractor.session.folder import KINDS, VIDEO_SUFFIXES, Session

LONGEST_NAME_BYTES = 200
#: In the name of a file that is not whole yet.
MARK = ".dropped"
#: One that nobody went on with for so long was given up, seconds.
GIVEN_UP_S = 86_400.0


def take_piece(
    session: Session,
    name: str,
    piece: bytes,
    *,
    at: int,
    size: int,
    modified_s: float | None = None,
) -> bool:
    """Add a piece to a clip that is being copied into a session; return whether that was the last.

    The clip appears under its name when it is whole; until then it is hidden.

    Parameters
    ----------
    session : Session
        Where to.
    name : str
        The file's name.
    piece : bytes
        The next bytes.
    at : int
        Where they begin; 0 begins anew what was broken off.
    size : int
        Of the whole, in bytes.
    modified_s : float, optional
        When the original was modified, seconds since 1970: clips may have no other order.

    Raises
    ------
    UsageError
        If the name is no clip's, or a file of that name is there: nothing is overwritten.
    ChangedMeanwhileError
        If another piece was expected.
    StorageError
        If the disk is full or cannot be written.
    """
    target = session.root / _checked(name)
    part = target.with_name(f".{target.name}{MARK}.0{PART_SUFFIX}")
    try:
        if target.exists():
            raise FileExistsError
        if not at and shutil.disk_usage(session.root).free < size:
            raise StorageError(f"{name}: the disk has no room for it ({size / 1e9:.1f} GB)")
        with part.open("r+b" if at else "wb") as stream:
            if stream.seek(0, os.SEEK_END) != at or at + len(piece) > size:
                raise ChangedMeanwhileError(f"{name}: is being copied twice, or was; try again")
            stream.write(piece)
            if at + len(piece) < size:
                return False
            stream.flush()
            os.fsync(stream.fileno())
        if modified_s is not None:
            os.utime(part, (modified_s, modified_s))
        _appear(part, target)
    except FileNotFoundError:
        raise ChangedMeanwhileError(f"{name}: its first piece is gone; try again") from None
    except FileExistsError:
        raise UsageError(f"{name}: is in the session already; it was left as it is") from None
    except OSError as error:
        part.unlink(missing_ok=True)
        raise StorageError(f"{name}: cannot be copied ({error.strerror})") from error
    return True


def _checked(name: str) -> str:
    if Path(name).suffix.lower() not in VIDEO_SUFFIXES:
        raise UsageError(f"{name}: is no clip (wanted: {KINDS})")
    strange = {"/", "\\", ":", "\0"} & {*name} or name.startswith(".") or not name.isprintable()
    if strange or len(name.encode()) > LONGEST_NAME_BYTES:
        raise UsageError(f"{name}: rename the file; such a name can't be kept")
    return name


def _appear(part: Path, target: Path) -> None:
    try:
        os.link(part, target)  # fails where something stands: two may come at one instant
    except OSError:  # or on a card's file system without links
        if target.exists():
            raise FileExistsError from None
        part.rename(target)
    finally:
        part.unlink(missing_ok=True)
