"""A sheet of training crops with their labels, for the eye."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageDraw

from extractor.reading.training.backgrounds import load_photos
from extractor.reading.training.crops import Example, make_examples
from extractor.reading.training.fonts import find_faces
from extractor.reading.training.scene import faces_by_kind

_COLUMNS, _ROWS, _CELL_PX = 4, 30, (390, 50)


def draw_sheet(fonts: Sequence[Path], photos: Path, seed: int, held_out: bool, path: Path) -> None:
    """Render enough scenes to fill a sheet and write it as a picture."""
    groups = faces_by_kind(find_faces(fonts), held_out)
    pictures = load_photos(photos, held_out)
    examples: list[Example] = []
    scene = 0
    while len(examples) < 4 * _COLUMNS * _ROWS:
        examples += make_examples(groups, pictures, (seed, int(held_out), scene))
        scene += 1
    order = np.random.default_rng(seed).permutation(len(examples))[: _COLUMNS * _ROWS]
    width, height = _CELL_PX
    sheet = Image.new("RGB", (_COLUMNS * width, _ROWS * height))
    pen = ImageDraw.Draw(sheet)
    for place, index in enumerate(order):
        x, y = place % _COLUMNS * width, place // _COLUMNS * height
        example = examples[index]
        swapped = np.ascontiguousarray(example.picture[:, :, [0, 2, 1]])
        colours = np.asarray(cv2.cvtColor(swapped, cv2.COLOR_YCrCb2RGB), dtype=np.uint8)
        sheet.paste(Image.fromarray(colours), (x, y))
        pen.text((x, y + 34), repr(example.label), fill=(255, 255, 0))
    sheet.save(path)
