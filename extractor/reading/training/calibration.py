"""Turns string probabilities into confidences: how often such readings are right."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.optimize import isotonic_regression

from extractor.reading.readers.ctc import best_path, kind_of, string_probability
from extractor.reading.readers.network import NetworkReader
from extractor.reading.training.backgrounds import load_photos
from extractor.reading.training.crops import make_examples
from extractor.reading.training.fonts import find_faces
from extractor.reading.training.scene import faces_by_kind

#: Bounds of the bins of string probability; closer where it matters.
BOUNDS = (0.0, 0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995, 0.999, 1.0)

#: Bins with fewer readings are left to their neighbours.
LEAST_READINGS = 25


def held_out_readings(
    model: Path, fonts: Sequence[Path], photos: Path, seed: int, scenes: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_], npt.NDArray[np.str_]]:
    """Read crops in the held-out families with an ONNX file.

    Returns
    -------
    probability : float array
        Of the whole string, one per crop.
    right : bool array
    kinds : array of str
        Of what was read, see `extractor.reading.readers.ctc.kind_of`.
    """
    groups = faces_by_kind(find_faces(fonts), held_out=True)
    pictures = load_photos(photos)
    reader = NetworkReader(model)
    probability, right, kinds = [], [], []
    for scene in range(scenes):
        examples = make_examples(groups, pictures, (seed, 1, scene))
        tables = reader.probabilities([example.picture for example in examples])
        labels = [best_path(table)[0] for table in tables]
        probability += string_probability(tables, labels).tolist()
        right += [
            same_number(label, example.label)
            for label, example in zip(labels, examples, strict=True)
        ]
        kinds += [kind_of(label) for label in labels]
    return np.array(probability), np.array(right), np.array(kinds)


def same_number(read: str, truth: str) -> bool:
    """Whether two labels say the same, letters around the number and the kind of point apart."""
    cores = [(text.strip("~ ") or text).replace(",", ".") for text in (read, truth)]
    return cores[0] == cores[1]


def calibration_table(
    probability: npt.NDArray[np.float64], right: npt.NDArray[np.bool_]
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return mean string probabilities of `BOUNDS`' bins and the shares right there.

    The shares never fall (isotonic regression over single readings); the table is extended
    flat to 1 and straight to (0, 0).
    """
    order = np.argsort(probability, kind="stable")
    rising = isotonic_regression(right[order].astype(float)).x
    bins = np.digitize(probability[order], BOUNDS[1:-1])
    knots, shares = [0.0], [0.0]
    for number in np.unique(bins):
        inside = bins == number
        if inside.sum() < LEAST_READINGS:
            continue
        knots.append(float(probability[order][inside].mean()))
        shares.append(float(rising[inside].mean()))
    knots.append(1.0)
    shares.append(shares[-1])
    return tuple(round(k, 4) for k in knots), tuple(round(s, 4) for s in shares)
