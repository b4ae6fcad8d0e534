"""Readers: crop in, text and confidence out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from extractor.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path

    from extractor.reading.readers.base import Reader
    from extractor.reading.readers.glyphs import Glyphs

#: Names that can be asked for; the first is the default.
NAMES = ("network", "tesseract")


def create(name: str) -> Reader:
    """Return a reader by its name.

    Parameters
    ----------
    name : str
        One of `NAMES`.

    Raises
    ------
    UsageError
        If there is no such reader.
    ReaderUnavailableError
        If it cannot run on this machine.

    Examples
    --------
    A crop is an array of bytes, height x width x 3 (see `extractor.video.crops`).

    >>> import numpy as np
    >>> from extractor import create_reader
    >>> reader = create_reader("network")
    >>> (line,) = reader.read([np.zeros((40, 120, 3), np.uint8)])
    >>> line.text
    ''
    """
    if name == "tesseract":
        from extractor.reading.readers.tesseract import TesseractReader, installed_version

        installed_version()
        return TesseractReader()
    if name == "network":
        from extractor.reading.readers.network import NetworkReader

        return NetworkReader()
    raise UsageError(f"no reader '{name}'; there are: {', '.join(NAMES)}")


def lessons(name: str, path: Path) -> Glyphs:
    """Return what was taught for a session's overlay, as far as this reader is helped by it.

    Raises
    ------
    SessionFileError
        If the file holds no glyphs.
    """
    from extractor.reading.readers.glyphs import Glyphs

    return Glyphs(()) if name == "tesseract" else Glyphs.load(path)
