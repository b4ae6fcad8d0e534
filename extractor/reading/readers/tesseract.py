"""The second reader: Tesseract, one process for a whole batch of crops."""

from __future__ import annotations

import functools
import os
import re
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from extractor.errors import ReaderUnavailableError
from extractor.reading.readers.base import Line
from extractor.video.crops import Crop

OLDEST_VERSION = (4, 1)
INSTALL = (
    "install it (Debian, Ubuntu: apt-get install tesseract-ocr; Fedora: dnf install tesseract; "
    "macOS: brew install tesseract; Windows: the installer of the Tesseract project), or choose "
    "the built-in reader: --reader network"
)
#: Height in pixels to which a crop is brought, and the share of the brightest (or darkest) level
#: from which on a pixel counts as text: measured with tests/benchmarks/tesseract_preparation.py.
HEIGHT = 40
EXTREME = 0.75
MARGIN = 16
CHARACTERS = "0123456789.,:-"
#: One line of text; the page-layout analysis would only find reasons to see none.
_CONFIG = f"--psm 7 -c tessedit_char_whitelist={CHARACTERS}"


@functools.cache
def installed_version() -> tuple[int, ...]:
    """Return the version of the installed Tesseract.

    Raises
    ------
    ReaderUnavailableError
        If there is none or it is older than `OLDEST_VERSION`; the message says how to install.
    """
    import pytesseract

    try:
        found = str(pytesseract.get_tesseract_version())
    except (pytesseract.TesseractNotFoundError, OSError, SystemExit):
        raise ReaderUnavailableError(f"Tesseract is not installed; {INSTALL}") from None
    version = tuple(int(part) for part in re.findall(r"\d+", found)[:3])
    if version < OLDEST_VERSION:
        oldest = ".".join(map(str, OLDEST_VERSION))
        raise ReaderUnavailableError(f"Tesseract {found} is older than {oldest}; {INSTALL}")
    return version


def available() -> bool:
    """Tell whether a Tesseract that can be used is installed."""
    try:
        installed_version()
    except ReaderUnavailableError:
        return False
    return True


class TesseractReader:
    """Reads with the installed Tesseract; slower and less sure than the built-in reader."""

    name = "tesseract"
    batch = 300
    gate = 0.9
    usual_share = 0.0

    def version(self) -> str:
        """Return the installed version and the way crops are prepared."""
        return ".".join(map(str, installed_version())) + f"/{HEIGHT}"

    def read(self, crops: Sequence[Crop]) -> list[Line]:
        """Read all crops in one process.

        Raises
        ------
        ReaderUnavailableError
            If Tesseract is missing, too old or fails.
        """
        installed_version()
        if not crops:
            return []
        with tempfile.TemporaryDirectory(prefix="extractor-") as folder:
            return self._read_in(Path(folder), crops)

    def _read_in(self, folder: Path, crops: Sequence[Crop]) -> list[Line]:
        import pytesseract

        paths = []
        for i, crop in enumerate(crops):
            paths.append(folder / f"{i:06d}.pgm")  # no compression: written and read at once
            cv2.imwrite(str(paths[-1]), prepare(crop))
        batch = folder / "batch.txt"
        batch.write_text("\n".join(map(str, paths)) + "\n", encoding="utf-8")
        # One crop is too small to share among threads: they only wait for each other.
        os.environ.setdefault("OMP_THREAD_LIMIT", "1")
        try:
            tsv = pytesseract.image_to_data(str(batch), config=_CONFIG)
        except (pytesseract.TesseractError, RuntimeError) as error:
            raise ReaderUnavailableError(f"Tesseract failed: {error}") from error
        return _lines(tsv, len(crops))


def prepare(crop: Crop) -> npt.NDArray[np.uint8]:
    """Return a grey picture, dark text on light, of the height that Tesseract reads best.

    Parameters
    ----------
    crop : array of uint8, shape (height, width, 3)
        Y, Cb, Cr.

    Returns
    -------
    array of uint8, shape (HEIGHT + 2 * MARGIN, ...)
    """
    luma = crop[..., 0]
    width = max(1, round(luma.shape[1] * HEIGHT / luma.shape[0]))
    scaled = cv2.resize(luma, (width, HEIGHT), interpolation=cv2.INTER_CUBIC)
    grey = scaled.astype(np.float32)
    if not _light_on_dark(grey):
        grey = 255 - grey
    # Overlays are drawn in the extreme: what lies well below it is scene, whatever its shape.
    top = max(float(np.percentile(grey, 98)), 1.0)
    low, high = top * (EXTREME - 0.1), top * (EXTREME + 0.1)
    ink = np.clip((grey - low) * (255 / (high - low)), 0, 255)
    return np.pad((255 - ink).astype(np.uint8), MARGIN, mode="edge")


def _light_on_dark(grey: npt.NDArray[Any]) -> bool:
    # Text covers the smaller part of its box, whatever the mean: compare the tails.
    middle = np.median(grey)
    return bool(np.percentile(grey, 97) - middle >= middle - np.percentile(grey, 3))


def _lines(tsv: str, count: int) -> list[Line]:
    words: list[list[tuple[str, float]]] = [[] for _ in range(count)]
    header, *rows = tsv.splitlines()
    columns = header.split("\t")
    page, conf, text = (columns.index(c) for c in ("page_num", "conf", "text"))
    for row in rows:
        cells = row.split("\t")
        if len(cells) == len(columns) and cells[text].strip():
            words[int(cells[page]) - 1].append((cells[text].strip(), float(cells[conf])))
    return [_line(w) for w in words]


def _line(words: list[tuple[str, float]]) -> Line:
    text = " ".join(word for word, _ in words)
    # Tesseract does not say how sure it is that there is nothing.
    confidence = min((c for _, c in words), default=50.0) / 100
    return Line(text, max(0.0, min(1.0, confidence)))
