"""Taking the last edit of one of the user's files back."""

from __future__ import annotations

from extractor.errors import ChangedMeanwhileError, UsageError
from extractor.session import digests
from extractor.session.atomic import PREVIOUS_SUFFIX, write_bytes
from extractor.session.folder import Session

FILES = ("runs.csv", "overlay.toml", "session.toml")


def seen(session: Session) -> dict[str, str]:
    """Return a digest of each of `FILES`, to be handed back to `undo`."""
    return {name: digests.file_digest(session.root / name) for name in FILES}


def undo(session: Session, name: str, digest: str) -> None:
    """Put a file back as it was before its last edit; done twice, the edit stands again.

    Parameters
    ----------
    session : Session
        The folder.
    name : str
        One of `FILES`.
    digest : str
        Of the file as it was looked at.

    Raises
    ------
    UsageError
        If there is no version before.
    ChangedMeanwhileError
        If the file is another by now.
    """
    if name not in FILES:
        raise UsageError(f"{name}: edits of it can't be taken back here")
    path = session.root / name
    with session.editing():
        if digests.file_digest(path) != digest:
            raise ChangedMeanwhileError(f"{name} was changed meanwhile; nothing was taken back")
        previous = path.with_name(f".{name}{PREVIOUS_SUFFIX}")
        if not previous.is_file():
            raise UsageError(f"{name}: there is no version before this one")
        write_bytes(path, previous.read_bytes(), keep_previous=True)
