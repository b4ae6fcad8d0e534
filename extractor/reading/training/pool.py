"""Examples on the training device, by width, growing while worker processes render."""

from __future__ import annotations

import multiprocessing
import os
import tempfile
from collections import deque
from collections.abc import Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch

from extractor.reading.readers.ctc import encode
from extractor.reading.readers.network import HEIGHT_PX
from extractor.reading.training.backgrounds import load_photos
from extractor.reading.training.crops import Example, make_examples
from extractor.reading.training.fonts import find_faces
from extractor.reading.training.scene import faces_by_kind

#: Crops are padded to the next of these widths, so that a batch has one.
WIDTHS_PX = (128, 256, 384)
LONGEST_LABEL = 20


@dataclass(frozen=True, slots=True)
class Packed:
    """Examples of one padded width: pictures (n, 3, height, width), widths, labels, lengths."""

    pictures: npt.NDArray[np.uint8]
    widths: npt.NDArray[np.int16]
    labels: npt.NDArray[np.uint8]
    lengths: npt.NDArray[np.uint8]


_ARRAYS = ("pictures", "widths", "labels", "lengths")


def pack(examples: Sequence[Example]) -> dict[int, Packed]:
    """Sort examples into `WIDTHS_PX` and stack them."""
    groups: dict[int, list[Example]] = {}
    for example in examples:
        width = next(w for w in WIDTHS_PX if w >= example.picture.shape[1])
        groups.setdefault(width, []).append(example)
    packed = {}
    for width, members in groups.items():
        pictures = np.zeros((len(members), 3, HEIGHT_PX, width), np.uint8)
        labels = np.zeros((len(members), LONGEST_LABEL), np.uint8)
        for row, example in enumerate(members):
            pictures[row, :, :, : example.picture.shape[1]] = example.picture.transpose(2, 0, 1)
            labels[row, : len(example.label)] = encode(example.label)
        widths = np.array([e.picture.shape[1] for e in members], np.int16)
        lengths = np.array([len(e.label) for e in members], np.uint8)
        packed[width] = Packed(pictures, widths, labels, lengths)
    return packed


_material: dict[bool, Any] = {}


def _prepare(font_folders: Sequence[Path], photo_folder: Path) -> None:
    import cv2

    cv2.setNumThreads(1)
    faces = find_faces(font_folders)
    for held in (False, True):
        _material[held] = faces_by_kind(faces, held), load_photos(photo_folder, held)


#: Whether in held-out families, the seed, how many scenes.
_Task = tuple[bool, tuple[int, ...], int]


def _render(task: _Task, folder: Path) -> Path:
    """Render scenes into a file: through a pipe they would keep the learning process busy."""
    held_out, seed, scenes = task
    examples: list[Example] = []
    for scene in range(scenes):
        groups, photos = _material[held_out]
        examples += make_examples(groups, photos, (*seed, scene))
    path = folder / "-".join(map(str, seed))
    with path.open("wb") as file:
        for width, packed in pack(examples).items():
            np.save(file, np.array(width))
            for name in _ARRAYS:
                np.save(file, getattr(packed, name))
    return path


def _load(path: Path) -> dict[int, Packed]:
    packs = {}
    size = path.stat().st_size
    with path.open("rb") as file:
        while file.tell() < size:
            width = int(np.load(file))
            packs[width] = Packed(*(np.load(file) for _ in _ARRAYS))
    path.unlink()
    return packs


class Stream:
    """Packs in the order of their tasks; few are made ahead, so that memory stays bounded."""

    def __init__(
        self, pool: ProcessPoolExecutor, tasks: list[_Task], ahead: int, folder: Path
    ) -> None:
        self._pool, self._tasks, self._next, self._folder = pool, tasks, 0, folder
        self._waiting: deque[Future[Path]] = deque()
        self._ahead = ahead

    def __iter__(self) -> Stream:
        return self

    def __next__(self) -> dict[int, Packed]:
        self._submit()
        if not self._waiting:
            raise StopIteration
        packs = _load(self._waiting.popleft().result())
        self._submit()
        return packs

    def ready(self) -> bool:
        """Whether the next pack is there without waiting."""
        self._submit()
        return bool(self._waiting) and self._waiting[0].done()

    def _submit(self) -> None:
        while len(self._waiting) < self._ahead and self._next < len(self._tasks):
            task = self._tasks[self._next]
            self._waiting.append(self._pool.submit(_render, task, self._folder))
            self._next += 1


def usual_workers() -> int:
    """Return how many processes to render in: a third of the cores is left to feed devices.

    With all but two the learning process ran at half its speed.
    """
    return max(1, (os.cpu_count() or 1) * 2 // 3)


class Renderers:
    """Worker processes that render in the order of their seeds, whoever finishes first."""

    def __init__(self, fonts: Sequence[Path], photos: Path, workers: int | None = None) -> None:
        self.workers = workers or usual_workers()
        self._folder = tempfile.TemporaryDirectory()
        # Loaded before forking: the workers share it.
        _prepare(fonts, photos)
        self._pool = ProcessPoolExecutor(
            self.workers, multiprocessing.get_context("fork"), os.nice, (10,)
        )
        self._pool.submit(int).result()

    def stream(self, held_out: bool, seed: int, chunks: int, scenes: int) -> Stream:
        """Return the coming `chunks` packs of `scenes` scenes each."""
        tasks: list[_Task] = [
            (held_out, (seed, int(held_out), chunk), scenes) for chunk in range(chunks)
        ]
        return Stream(self._pool, tasks, 4 * self.workers, Path(self._folder.name))

    def close(self) -> None:
        """End the workers."""
        self._pool.shutdown(cancel_futures=True)
        self._folder.cleanup()


@dataclass(slots=True)
class _Shelf:
    pictures: torch.Tensor
    widths: torch.Tensor
    labels: torch.Tensor
    lengths: torch.Tensor
    count: int = 0
    next: int = 0


@dataclass(slots=True)
class Store:
    """The latest examples. Pictures and labels stand on `device`, widths and lengths here.

    Grows to `most_bytes` of pictures; then the newest overwrite the oldest.
    """

    device: torch.device
    most_bytes: float = 30e9
    shelves: dict[int, _Shelf] = field(default_factory=dict)

    def add(self, many: Sequence[dict[int, Packed]]) -> None:
        """Append examples; many at once, as each copy waits for the device to be idle."""
        for width in WIDTHS_PX:
            parts = [packs[width] for packs in many if width in packs]
            if not parts:
                continue
            packed = Packed(*(np.concatenate([getattr(p, n) for p in parts]) for n in _ARRAYS))
            new = len(packed.widths)
            shelf = self._room(width, new)
            if shelf.next + new > len(shelf.widths):
                shelf.next = 0
            span = slice(shelf.next, shelf.next + new)
            shelf.pictures[span] = self._there(packed.pictures)
            shelf.labels[span] = self._there(packed.labels)
            shelf.widths[span] = torch.from_numpy(packed.widths)
            shelf.lengths[span] = torch.from_numpy(packed.lengths)
            shelf.next += new
            shelf.count = max(shelf.count, shelf.next)

    def _there(self, values: npt.NDArray[np.uint8]) -> torch.Tensor:
        tensor = torch.from_numpy(values)
        if self.device.type == "cuda":  # page-locked, so that the copy waits for nothing
            tensor = tensor.pin_memory()
        return tensor.to(self.device, non_blocking=True)

    def _room(self, width: int, new: int) -> _Shelf:
        shelf = self.shelves.get(width)
        if shelf is None:
            shelf = self.shelves[width] = self._shelf(width, 2 * new + 2048)
        wanted = (shelf.count + new) * 3 // 2
        if shelf.next + new > len(shelf.widths) and self._bytes(width, wanted) < self.most_bytes:
            larger = self._shelf(width, wanted)
            larger.count, larger.next = shelf.count, shelf.next
            for name in _ARRAYS:
                getattr(larger, name)[: shelf.count] = getattr(shelf, name)[: shelf.count]
            self.shelves[width] = shelf = larger
        return shelf

    def _bytes(self, width: int, wanted: int) -> float:
        others = sum(s.pictures.numel() for w, s in self.shelves.items() if w != width)
        return float(others + wanted * 3 * HEIGHT_PX * width)

    def _shelf(self, width: int, room: int) -> _Shelf:
        return _Shelf(
            torch.empty((room, 3, HEIGHT_PX, width), dtype=torch.uint8, device=self.device),
            torch.empty(room, dtype=torch.int16),
            torch.empty((room, LONGEST_LABEL), dtype=torch.uint8, device=self.device),
            torch.empty(room, dtype=torch.uint8),
        )

    @property
    def count(self) -> int:
        """Examples held."""
        return sum(shelf.count for shelf in self.shelves.values())
