"""Compares networks on what none of them learnt: held-out families over held-out pictures."""

from __future__ import annotations

import multiprocessing
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

import numpy as np
import numpy.typing as npt

from extractor.reading.readers.ctc import Kind, best_path, kind_of, string_probability
from extractor.reading.readers.network import NetworkReader
from extractor.reading.training.backgrounds import load_photos
from extractor.reading.training.calibration import calibration_table, same_number
from extractor.reading.training.crops import make_examples
from extractor.reading.training.fonts import find_faces
from extractor.reading.training.pool import usual_workers
from extractor.reading.training.scene import faces_by_kind

#: Room above and below the number, in shares of its height; 0.2 is what fields are brought to.
ROOMS = (0.15, 0.2, 0.25, 0.35, 0.45, 0.6)


@dataclass(frozen=True, slots=True)
class Readings:
    """What one network read; all arrays have one entry a crop.

    `half` is 0 where calibrated and 1 where judged; scenes of one half are not in the other.
    """

    probability: npt.NDArray[np.float64]
    right: npt.NDArray[np.bool_]
    kind: npt.NDArray[np.str_]
    room: npt.NDArray[np.float64]
    family: npt.NDArray[np.str_]
    half: npt.NDArray[np.int64]

    def confidence(self) -> npt.NDArray[np.float64]:
        """Return the share right among such readings of the first half."""
        result = np.zeros(len(self.right))
        for kind in get_args(Kind):
            own = self.kind == kind
            first = own & (self.half == 0)
            table = calibration_table(self.probability[first], self.right[first])
            result[own] = np.interp(self.probability[own], *table)
        return result


_material: dict[str, Any] = {}


def _read(seed: tuple[int, ...]) -> list[list[tuple[Any, ...]]]:
    rooms = _material["rooms"]
    examples = make_examples(_material["groups"], _material["photos"], seed, rooms)
    rows = []
    for model in _material["models"]:
        tables = NetworkReader(model).probabilities([e.picture for e in examples])
        labels = [best_path(table)[0] for table in tables]
        chances = string_probability(tables, labels)
        rows.append(
            [
                (
                    chance,
                    same_number(label, e.label),
                    kind_of(label),
                    e.room,
                    e.family,
                    seed[-1] % 2,
                )
                for chance, label, e in zip(chances, labels, examples, strict=True)
            ]
        )
    return rows


def readings(
    models: Sequence[Path],
    fonts: Sequence[Path],
    photos: Path,
    seed: int,
    scenes: int,
    workers: int | None = None,
    rooms: Sequence[float] = ROOMS,
) -> list[Readings]:
    """Read the same crops with each of the ONNX files `models`.

    With `rooms` only numbers are cut, at these rooms; without, crops as people draw them.
    """
    import cv2

    cv2.setNumThreads(1)
    _material["models"], _material["rooms"] = list(models), rooms
    _material["groups"] = faces_by_kind(find_faces(fonts), held_out=True)
    _material["photos"] = load_photos(photos, held_out=True)
    tasks = [(seed, 1, scene) for scene in range(scenes)]
    with ProcessPoolExecutor(
        workers or usual_workers(), multiprocessing.get_context("fork")
    ) as pool:
        parts = list(pool.map(_read, tasks))
    return [
        Readings(*map(np.array, zip(*(row for part in parts for row in part[k]), strict=True)))
        for k in range(len(models))
    ]


def table(each: Readings, gate: float) -> list[str]:
    """Return lines: of the judged half, how many crops a room are right, wrong and missing."""
    confidence = each.confidence()
    lines = []
    for room in [*np.unique(each.room), None]:
        own = each.half == 1
        if room is not None:
            own &= each.room == room
        passing = confidence[own] >= gate
        right = int((passing & each.right[own]).sum())
        wrong = int(passing.sum()) - right
        name = "all" if room is None else f"{room:.2f}"
        lines.append(
            f"{name}: {own.sum()} crops, {right} right, {wrong} wrong "
            f"({wrong / own.sum():.2%}), {(~passing).sum()} missing ({(~passing).mean():.1%})"
        )
    return lines
