"""The built-in reader: a small convolutional network run by OpenCV, nothing to install.

How it was made, on what, and how well it reads: ``docs/reader.md``.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from extractor.errors import ReaderUnavailableError
from extractor.readers.base import Crop, Line
from extractor.readers.ctc import (
    Kind,
    Probabilities,
    best_path,
    kind_of,
    shown,
    string_probability,
)

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
#: Brightness spread (standard deviation, 0 to 255) below which a crop is not stretched further.
LEAST_SPREAD = 10.0
CHROMA_SCALE = 24.0

#: String probability and the share of readings with it that are right, for each kind of label
#: (docs/reader.md): a dash needs less evidence than five digits, and emptiness another.
CALIBRATION: dict[Kind, tuple[tuple[float, ...], tuple[float, ...]]] = {
    "number": (
        (0.0, 0.0903, 0.3051, 0.5077, 0.7022, 0.8547, 0.9281, 0.9674, 0.9856, 0.9928, 0.9974,
         0.9994, 1.0),
        (0.0, 0.0706, 0.2591, 0.4787, 0.6785, 0.8343, 0.9032, 0.9573, 0.9761, 0.9887, 0.9972,
         0.9987, 0.9987),
    ),
    "dash": (
        (0.0, 0.1101, 0.2991, 0.5221, 0.7101, 0.8564, 0.9288, 0.9672, 0.9857, 0.993, 0.9973,
         0.9993, 1.0),
        (0.0, 0.5431, 0.6497, 0.6882, 0.8319, 0.9375, 0.9723, 0.9834, 0.9921, 0.9943, 0.9982,
         1.0, 1.0),
    ),
    "letters": (
        (0.0, 0.0995, 0.3112, 0.5041, 0.6995, 0.8505, 0.9299, 0.9671, 0.9857, 0.993, 0.9975,
         0.9997, 1.0),
        (0.0, 0.0994, 0.141, 0.2349, 0.4457, 0.6208, 0.7119, 0.8782, 0.9573, 0.9809, 0.9891,
         0.9985, 0.9985),
    ),
    "empty": (
        (0.0, 0.1051, 0.3062, 0.5054, 0.7101, 0.8559, 0.9275, 0.9657, 0.9846, 0.9923, 0.9971,
         0.9997, 1.0),
        (0.0, 0.4132, 0.6457, 0.7523, 0.8406, 0.9349, 0.9782, 0.9915, 0.9948, 1.0, 1.0, 1.0,
         1.0),
    ),
}  # fmt: skip


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
        Another ONNX file made by ``extractor.training``.
    """

    name = "network"
    batch = 32
    gate = 0.9

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
        digest.update(repr(CALIBRATION).encode())
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
        list of float32 arrays (steps, `extractor.readers.ctc.CLASSES`)
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
            for start in range(0, len(members), self.batch):
                chosen = members[start : start + self.batch]
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
        paths = [best_path(table) for table in probabilities]
        labels = [label for label, _ in paths]
        confidences = calibrated(string_probability(probabilities, labels), labels)
        lines = []
        for (label, peaks), confidence in zip(paths, confidences, strict=True):
            text, characters = shown(label, peaks)
            lines.append(Line(text, float(confidence), characters))
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
