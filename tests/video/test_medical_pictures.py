"""Numbers that real devices burnt into real pictures: ultrasound frames that pydicom carries.

The pictures belong to the package ``pydicom`` (its own test data, anonymised); they are opened
where they lie. The expected texts were read by eye from the enlarged pictures, by the authors
of these tests; the files hold no such text elsewhere.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import cv2
import numpy as np
import pytest

from extractor.reading.number_parsing import Reading, interpret
from extractor.reading.readers.network import NetworkReader
from extractor.session.overlay import Box
from extractor.statistics.flags import Flag

pydicom = pytest.importorskip("pydicom", reason="pydicom is not installed")

#: File, rectangle, number read by eye. Digits are 14 to 15 pixels high in these.
SINGLE_FRAMES = [
    ("examples_jpeg2k.dcm", Box(437, 456, 34, 16), 0.4),
    ("examples_jpeg2k.dcm", Box(509, 456, 35, 16), 0.8),
    ("examples_jpeg2k.dcm", Box(580, 456, 42, 16), 100),
    ("examples_jpeg2k.dcm", Box(576, 56, 46, 17), 118),
    ("examples_palette.dcm", Box(603, 6, 38, 22), 1.1),
    ("examples_palette.dcm", Box(614, 33, 38, 22), 0.2),
    ("examples_palette.dcm", Box(236, 84, 42, 20), 1.06),
    ("examples_palette.dcm", Box(0, 103, 50, 20), 28),
    ("examples_palette.dcm", Box(0, 122, 58, 20), 11),
    ("examples_palette.dcm", Box(40, 201, 32, 20), 60),
    ("examples_palette.dcm", Box(28, 220, 32, 20), 61),
]
#: A cine loop of 30 frames; its digits are 7 pixels high, less than the reader is made for.
CINE = "examples_ybr_color.dcm"
CINE_NUMBERS = [(Box(300, 70, 19, 11), 0.9), (Box(300, 89, 19, 11), 0.7)]


def pictures(name: str) -> np.ndarray:
    """Return all frames of one file as RGB, shape (frames, height, width, 3)."""
    folder = Path(importlib.util.find_spec("pydicom").origin).parent
    data = pydicom.dcmread(folder / "data" / "test_files" / name)
    pixels = data.pixel_array
    if data.PhotometricInterpretation == "PALETTE COLOR":
        pixels = pydicom.pixels.apply_color_lut(pixels, data)
        if pixels.dtype != np.uint8:
            pixels = (pixels >> 8).astype(np.uint8)
    return pixels if pixels.ndim == 4 else pixels[None]


def cut(picture: np.ndarray, box: Box) -> np.ndarray:
    """Cut a crop as a video would hold it: Y, Cb, Cr, limited range."""
    part = picture[box.y : box.y + box.height, box.x : box.x + box.width]
    y, cr, cb = np.moveaxis(cv2.cvtColor(np.ascontiguousarray(part), cv2.COLOR_RGB2YCrCb), 2, 0)
    limited = [
        16 + y * (219 / 255),
        *(128 + (c.astype(float) - 128) * (224 / 255) for c in (cb, cr)),
    ]
    return np.round(np.stack(limited, axis=2)).astype(np.uint8)


@pytest.fixture(scope="module")
def reader() -> NetworkReader:
    return NetworkReader()


def readings(reader: NetworkReader, crops: list[np.ndarray]) -> list[Reading]:
    return [interpret(line.text, line.confidence, reader.gate) for line in reader.read(crops)]


def test_numbers_in_single_frames_are_read(reader):
    crops = [cut(pictures(name)[0], box) for name, box, _ in SINGLE_FRAMES]
    found = readings(reader, crops)
    pairs = [(r.value, n) for r, (_, _, n) in zip(found, SINGLE_FRAMES, strict=True)]
    wrong = [p for r, p in zip(found, pairs, strict=True) if r.flag is Flag.OK and p[0] != p[1]]
    assert not wrong, f"(read, shown): {wrong}"
    right = [p for p in pairs if p[0] == p[1]]
    assert len(right) >= 8, f"(read, shown): {pairs}"


def test_numbers_in_a_cine_loop_are_right_or_called_unreadable(reader):
    frames = pictures(CINE)
    assert len(frames) == 30
    for box, number in CINE_NUMBERS:
        found = readings(reader, [cut(frame, box) for frame in frames])
        assert all(r.value == number or r.flag is Flag.UNREADABLE for r in found), (number, found)


def test_a_place_without_a_number_gives_none(reader):
    # Dark tissue and the plain margin of the same pictures.
    places = [
        ("examples_jpeg2k.dcm", Box(20, 350, 60, 18)),
        ("examples_palette.dcm", Box(380, 110, 90, 24)),
    ]
    found = readings(reader, [cut(pictures(name)[0], box) for name, box in places])
    assert all(r.flag in (Flag.HIDDEN, Flag.UNREADABLE) for r in found), found
