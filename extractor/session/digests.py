"""Texts that change when a content does: how the tool knows what has to be done again."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

BLOCK_BYTES = 1 << 16


def digest_of(*content: object) -> str:
    """Return a text that changes with any of the values (JSON or printable)."""
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, default=str)
    return bytes_digest(text.encode())


def file_digest(path: Path) -> str:
    """Return a text that changes with the content of a (small) file; "" if there is none."""
    try:
        return bytes_digest(path.read_bytes())
    except OSError:
        return ""


def blocks_digest(path: Path, told: str, blocks: int) -> str:
    """Return a text that changes with what is `told` of a file, or with one of its blocks.

    Parameters
    ----------
    path : Path
        The file, perhaps a large one.
    told : str
        Begins what is digested.
    blocks : int
        So many of `BLOCK_BYTES` are looked at, from the first to the last, 2 or more.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    hasher = hashlib.blake2b(told.encode(), digest_size=12)
    beyond = max(0, path.stat().st_size - BLOCK_BYTES)
    with path.open("rb") as stream:
        for i in range(blocks):
            stream.seek(beyond * i // (blocks - 1))
            hasher.update(stream.read(BLOCK_BYTES))
    return hasher.hexdigest()


def bytes_digest(content: bytes) -> str:
    """Return what `file_digest` gives for a file of this content."""
    return hashlib.blake2b(content, digest_size=12).hexdigest()
