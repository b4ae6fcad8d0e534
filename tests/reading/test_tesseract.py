"""The second reader: one process for a batch, and one clear line where it is missing."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from clipmaker import crop_of

from extractor.errors import ReaderUnavailableError, UsageError
from extractor.reading import readers
from extractor.reading.readers import tesseract

needs_tesseract = pytest.mark.skipif(
    shutil.which("tesseract") is None, reason="Tesseract is not installed"
)


@needs_tesseract
def test_a_batch_keeps_its_order_and_is_one_process(monkeypatch: pytest.MonkeyPatch) -> None:
    import pytesseract

    calls = []
    real = pytesseract.image_to_data
    monkeypatch.setattr(
        pytesseract, "image_to_data", lambda *a, **k: calls.append(a) or real(*a, **k)
    )
    texts = ["38.4", "27", "12.6", "105"]
    crops = [crop_of(t, light_on_dark=i % 2 == 0) for i, t in enumerate(texts)]
    lines = tesseract.TesseractReader().read(crops)
    assert len(calls) == 1
    assert [line.text for line in lines] == texts
    assert all(0.0 <= line.confidence <= 1.0 for line in lines)
    assert tesseract.TesseractReader().read([]) == []


@needs_tesseract
def test_nothing_there_is_not_a_sure_nothing() -> None:
    (line,) = tesseract.TesseractReader().read([np.full((44, 150, 3), 90, np.uint8)])
    assert line.text == ""
    assert line.confidence < tesseract.TesseractReader.gate


def test_missing_or_old_gets_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    import pytesseract

    tesseract.installed_version.cache_clear()
    monkeypatch.setattr(pytesseract.pytesseract, "tesseract_cmd", str(Path("no-such-program")))
    with pytest.raises(ReaderUnavailableError, match="apt-get install tesseract-ocr"):
        readers.create("tesseract")
    assert not tesseract.available()
    tesseract.installed_version.cache_clear()
    monkeypatch.setattr(pytesseract, "get_tesseract_version", lambda: "3.05.01")
    with pytest.raises(ReaderUnavailableError, match=r"3\.05\.01 is older than 4\.1"):
        readers.create("tesseract")
    tesseract.installed_version.cache_clear()


def test_unknown_reader() -> None:
    with pytest.raises(UsageError, match="there are: network, tesseract"):
        readers.create("best")
