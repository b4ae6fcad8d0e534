"""The built-in reader: a small convolutional network run by OpenCV, nothing to install.

How it was made, on what, and how well it reads: ``docs/reader.md``.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from extractor.errors import ReaderUnavailableError
from extractor.reading.readers.base import Line
from extractor.reading.readers.ctc import (
    DASH_CODE,
    Kind,
    Probabilities,
    best_path,
    kind_of,
    shown,
    string_probability,
    without_dash,
)
from extractor.video.crops import Crop

if TYPE_CHECKING:
    import cv2

MODEL = Path(__file__).with_name("network.onnx")

#: Every crop is brought to this height; its width follows.
HEIGHT_PX = 32
#: Pixels of width from one step of the output to the next.
STEP_PX = 2
_WIDTH_STEP_PX = 32
_NARROWEST_PX = 32
_WIDEST_PX = 1024
#: Crops that go through the network together: more take memory, and no less time.
_TOGETHER = 8
#: Brightness spread (standard deviation, 0 to 255) below which a crop is not stretched further.
LEAST_SPREAD = 10.0
CHROMA_SCALE = 24.0
#: A dash less probable than this at every step changes no reading.
LEAST_DASH = 1e-3

#: String probability and the share of readings with it that are right, for each kind of label
#: (docs/reader.md): a dash needs less evidence than five digits, and emptiness another.
CALIBRATION: dict[Kind, tuple[tuple[float, ...], tuple[float, ...]]] = {
    "number": (
        (0.0, 0.1129, 0.3046, 0.5083, 0.7055, 0.8548, 0.9275, 0.9674, 0.9857, 0.9929, 0.9976,
         0.9994, 1.0),
        (0.0, 0.0539, 0.1866, 0.4069, 0.6266, 0.7946, 0.8653, 0.9357, 0.9635, 0.9815, 0.9924,
         0.9978, 0.9978),
    ),
    "dash": (
        (0.0, 0.3041, 0.5281, 0.7127, 0.8544, 0.9282, 0.9683, 0.986, 0.9929, 0.9976, 0.9994, 1.0),
        (0.0, 0.7344, 0.7484, 0.828, 0.8958, 0.9351, 0.9859, 0.9918, 0.9933, 0.9954, 1.0, 1.0),
    ),
    "letters": (
        (0.0, 0.1311, 0.2955, 0.5015, 0.699, 0.854, 0.9271, 0.9678, 0.9856, 0.9927, 0.9976,
         0.9997, 1.0),
        (0.0, 0.0556, 0.1052, 0.1976, 0.3145, 0.4877, 0.7254, 0.8411, 0.9273, 0.9594, 0.9692,
         0.9965, 0.9965),
    ),
    "empty": (
        (0.0, 0.1207, 0.319, 0.5134, 0.7167, 0.8564, 0.9284, 0.9675, 0.9855, 0.9926, 0.9966, 1.0),
        (0.0, 0.1457, 0.3996, 0.64, 0.8075, 0.8771, 0.9389, 0.9772, 0.9899, 0.9938, 1.0, 1.0),
    ),
}  # fmt: skip

#: Share right among the crops that the tables come from.
CALIBRATED_SHARE = 0.847


def scaled(crop: Crop) -> npt.NDArray[np.uint8]:
    """Return a crop at `HEIGHT_PX`, its shape kept within `_NARROWEST_PX` to `_WIDEST_PX`."""
    import cv2

    height, width = crop.shape[:2]
    new_width = min(max(round(width * HEIGHT_PX / height), _NARROWEST_PX), _WIDEST_PX)
    shrink = height > HEIGHT_PX
    how = cv2.INTER_AREA if shrink else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(crop, (new_width, HEIGHT_PX), interpolation=how), dtype=np.uint8)


def normalised(picture: npt.NDArray[np.uint8]) -> npt.NDArray[np.float32]:
    """Return the network's input for one scaled crop, float32 (3, `HEIGHT_PX`, width).

    Each plane loses its mean; brightness is divided by its own spread, colour by a constant,
    so that 0 is the crop's mean and can stand for padding.
    """
    planes = picture.astype(np.float32).transpose(2, 0, 1)
    planes -= planes.mean(axis=(1, 2), keepdims=True)
    planes[0] /= max(float(planes[0].std()), LEAST_SPREAD)
    planes[1:] /= CHROMA_SCALE
    return planes


class NetworkReader:
    """Reads crops with the shipped network. One instance belongs to one thread.

    Parameters
    ----------
    model : Path, optional
        Another ONNX file made by ``extractor.reading.training``.
    """

    name = "network"
    batch = 32
    gate = 0.9
    usual_share = CALIBRATED_SHARE

    def __init__(self, model: Path = MODEL) -> None:
        self._model = model

    @cached_property
    def _weights(self) -> bytes:
        try:
            return self._model.read_bytes()
        except OSError as error:
            raise ReaderUnavailableError(
                f"{self._model.name}: the reader's weights cannot be read ({error.strerror}); "
                "install the package again"
            ) from error

    @cached_property
    def _net(self) -> cv2.dnn.Net:
        import cv2

        try:
            return cv2.dnn.readNetFromONNX(np.frombuffer(self._weights, dtype=np.uint8))
        except cv2.error as error:
            raise ReaderUnavailableError(
                f"OpenCV {cv2.__version__} cannot load {self._model.name}; "
                "install opencv-python 4.10 or later"
            ) from error

    def version(self) -> str:
        """Return a digest of the weights and the calibration."""
        digest = hashlib.sha256(self._weights)
        digest.update(repr((CALIBRATION, CALIBRATED_SHARE)).encode())
        return f"{self.name}-{digest.hexdigest()[:12]}"

    def read(self, crops: Sequence[Crop]) -> list[Line]:
        """Read each crop; see `Reader.read`.

        The text holds digits and ``.,:-``, `OTHER` for letters (set off by spaces), and
        `OTHER` without a space where a sign is cut by the crop's edge: ``~8.4`` may be the
        end of a longer number, ``~ 8.4`` is a label and a number.
        """
        return self.decode(self.probabilities(crops))

    def probabilities(self, crops: Sequence[Crop]) -> list[Probabilities]:
        """Return for each crop the probability of each class at each step.

        Parameters
        ----------
        crops : sequence of uint8 arrays (height, width, 3)

        Returns
        -------
        list of float32 arrays (steps, `extractor.reading.readers.ctc.CLASSES`)
            Crops of one size give arrays of one size, step by step at the same places, so
            that those of several frames may be averaged.
        """
        pictures = [scaled(crop) for crop in crops]
        groups: dict[int, list[int]] = {}
        for index, picture in enumerate(pictures):
            width = -(-picture.shape[1] // _WIDTH_STEP_PX) * _WIDTH_STEP_PX
            groups.setdefault(width, []).append(index)
        result: list[Probabilities] = [np.empty((0, 0), np.float32)] * len(crops)
        for width, members in groups.items():
            for start in range(0, len(members), _TOGETHER):
                chosen = members[start : start + _TOGETHER]
                table = self._forward([pictures[k] for k in chosen], width)
                for row, k in enumerate(chosen):
                    result[k] = table[row, : -(-pictures[k].shape[1] // STEP_PX)]
        return result

    def _forward(self, pictures: list[npt.NDArray[np.uint8]], width: int) -> Probabilities:
        """Run one batch padded to `width`; shape (crops, steps, classes)."""
        blob = np.zeros((len(pictures), 3, HEIGHT_PX, width), np.float32)
        for row, picture in enumerate(pictures):
            blob[row, :, :, : picture.shape[1]] = normalised(picture)
        self._net.setInput(blob)
        scores = np.asarray(self._net.forward(), dtype=np.float32)
        scores = scores.reshape(scores.shape[0], scores.shape[1], -1).transpose(0, 2, 1)
        scores = np.exp(scores - scores.max(axis=2, keepdims=True))
        return np.asarray(scores / scores.sum(axis=2, keepdims=True), dtype=np.float32)

    def decode(self, probabilities: Sequence[Probabilities]) -> list[Line]:
        """Return the most probable line of each table that `probabilities` gave."""
        lines = self._lines(probabilities)
        # What may be a dash but is none is asked for where there may be one beside a number.
        dashed = [
            k
            for k, (table, line) in enumerate(zip(probabilities, lines, strict=True))
            if table[:, DASH_CODE].max() > LEAST_DASH and any(c.isdigit() for c in line.text)
        ]
        others = self._lines([without_dash(probabilities[k]) for k in dashed])
        for k, other in zip(dashed, others, strict=True):
            lines[k] = replace(lines[k], unsigned=other)
        return lines

    def _lines(self, probabilities: Sequence[Probabilities]) -> list[Line]:
        paths = [best_path(table) for table in probabilities]
        labels = [label for label, *_ in paths]
        confidences = calibrated(string_probability(probabilities, labels), labels)
        lines = []
        for k, (label, peaks, steps) in enumerate(paths):
            text, characters = shown(label, peaks)
            places = tuple((step + 0.5) / len(probabilities[k]) for step in steps)
            lines.append(Line(text, float(confidences[k]), characters, shown(label, places)[1]))
        return lines


def calibrated(raw: npt.NDArray[np.float64], labels: Sequence[str]) -> npt.NDArray[np.float64]:
    """Return the share of right readings among those of this kind with these probabilities.

    Parameters
    ----------
    raw : float array, shape (n,)
        String probabilities, 0 to 1.
    labels : sequence of str, length n
        What was read, see `ctc.kind_of`.
    """
    result = np.empty(len(raw))
    kinds = [kind_of(label) for label in labels]
    for kind, table in CALIBRATION.items():
        rows = [row for row, own in enumerate(kinds) if own == kind]
        result[rows] = np.interp(raw[rows], *table)
    return result
