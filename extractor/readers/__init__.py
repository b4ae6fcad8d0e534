"""Readers: crop in, text and confidence out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from extractor.errors import UsageError

if TYPE_CHECKING:
    from extractor.readers.base import Reader

#: Names that can be asked for; the first is the default.
NAMES = ("network", "tesseract")


def create(name: str, glyphs: Path | None = None) -> Reader:
    """Return a reader by its name.

    Parameters
    ----------
    name : str
        One of `NAMES`.
    glyphs : Path, optional
        Glyphs taught for one overlay (``overlay_glyphs.npz``); used together with the network.

    Raises
    ------
    UsageError
        If there is no such reader.
    ReaderUnavailableError
        If it cannot run on this machine.
    ImportError
        If a system library that OpenCV needs is missing.
    """
    # Missed here, in the caller's own process, not in the workers clip by clip.
    import cv2  # noqa: F401

    if name == "tesseract":
        from extractor.readers.tesseract import TesseractReader, installed_version

        installed_version()
        return TesseractReader()
    if name == "network":
        from extractor.readers.network import NetworkReader

        network = NetworkReader()
        if glyphs is None or not glyphs.exists():
            return network
        from extractor.readers.glyphs import GlyphReader, Glyphs

        return GlyphReader(network, Glyphs.load(glyphs))
    raise UsageError(f"no reader '{name}'; there are: {', '.join(NAMES)}")
