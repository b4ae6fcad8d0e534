"""Texts that change when a content does: how the tool knows what has to be done again."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path


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


def bytes_digest(content: bytes) -> str:
    """Return what `file_digest` gives for a file of this content."""
    return hashlib.blake2b(content, digest_size=12).hexdigest()
