"""Rectangles of a clip's displayed picture, cut out of every frame in the same way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeAlias

import av
import numpy as np
import numpy.typing as npt

from extractor.errors import ClipError
from extractor.session.overlay import Box
from extractor.video.crops import PLANAR, Crop, Part, part, rows_of
from extractor.video.intervals import Picture

if TYPE_CHECKING:
    from extractor.video.clips import Clip

#: Every n-th pixel in both directions is looked at to judge whether the picture moves.
MOTION_STRIDE = 16
Thumb: TypeAlias = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Crops(Sequence[Crop]):
    """Crops of one frame, each made when it is asked for: most are never looked at."""

    parts: tuple[Part, ...]
    turns: int = 0
    """Quarters by which they are turned counter-clockwise."""

    def __len__(self) -> int:
        """Return how many boxes were cut."""
        return len(self.parts)

    def __getitem__(self, index: Any) -> Any:
        """Return one crop."""
        crop = self.parts[index].crop()
        return np.ascontiguousarray(np.rot90(crop, self.turns)) if self.turns else crop


@dataclass(frozen=True, slots=True)
class Frame:
    """One decoded frame, reduced to what the reading needs."""

    time_s: float
    """From the file's own presentation timestamps; the first frame is 0."""
    crops: Sequence[Crop]
    """One per box asked for, in that order."""
    thumb: Thumb | None = field(default=None, repr=False)
    """Sparse luma samples of the picture outside the boxes, shape (n,); None unless asked for."""
    spoilt: bool = False
    """Damage makes it show something else than the screen did."""
    fresh: bool = False
    """It does not follow the frame before: there is a hole, a jump of the clock or damage."""

    @property
    def bytes(self) -> int:
        """Return how much its crops take."""
        parts = getattr(self.crops, "parts", ())
        return sum(p.nbytes for p in [p for one in parts for p in one.planes] or self.crops)


class Cutter:
    """Cuts the same rectangles out of every frame of one clip."""

    def __init__(self, clip: Clip, boxes: Sequence[Box], *, thumbs: bool) -> None:
        self._clip = clip
        turned = clip.rotation in (90, 270)
        self._stored = (clip.height, clip.width) if turned else (clip.width, clip.height)
        self._turns = clip.rotation // 90
        self._boxes = [_to_stored(b, clip) for b in boxes]
        self._outside = self._mask(self._boxes) if thumbs else None

    def keep(self, frame: av.VideoFrame) -> tuple[Crops, Thumb | None] | None:
        """Return what is kept of a decoded frame; None if it has another size than the clip."""
        if (frame.width, frame.height) != self._stored:
            return None
        crops = Crops(tuple(part(frame, b) for b in self._boxes), self._turns)
        return crops, self._thumb(frame) if self._outside is not None else None

    def cut(self, frame: av.VideoFrame | Picture, time_s: float) -> Frame:
        """Return a decoded frame's crops.

        Raises
        ------
        ClipError
            If it has another size than the clip.
        """
        kept = frame.parts if isinstance(frame, Picture) else self.keep(frame)
        if kept is None:
            raise ClipError(
                f"{self._clip.path.name}: the picture changes from {self._stored[0]}x"
                f"{self._stored[1]} to {frame.width}x{frame.height} at {time_s:.2f} s; "
                "cut the recording there and mark the parts"
            )
        return Frame(time_s, *kept)

    def _mask(self, boxes: Sequence[Box]) -> npt.NDArray[np.bool_]:
        width, height = self._stored
        outside = np.ones((height, width), bool)
        for b in boxes:
            # Grown: loose or tight, what changes with the number is no movement of the scene.
            grown = Box(
                b.x - b.height, b.y - b.height, b.width + 2 * b.height, 3 * b.height
            ).clipped(width, height)
            outside[grown.y : grown.y + grown.height, grown.x : grown.x + grown.width] = False
        return outside[::MOTION_STRIDE, ::MOTION_STRIDE]

    def _thumb(self, frame: av.VideoFrame) -> Thumb:
        form = frame.format.name
        if form not in PLANAR:
            frame, form = frame.reformat(format="gray"), "gray"
        shift = PLANAR[form][2]
        rows = rows_of(frame.planes[0], np.uint16 if shift else np.uint8)
        sparse = rows[: frame.height : MOTION_STRIDE, : frame.width : MOTION_STRIDE]
        values = sparse[self._outside]
        return (values >> shift).astype(np.uint8) if shift else values


def _to_stored(box: Box, clip: Clip) -> Box:
    # np.rot90 turns counter-clockwise; this is the way back for a rectangle, quarter by quarter.
    width, height = clip.width, clip.height
    for _ in range(clip.rotation // 90):
        box = Box(height - box.y - box.height, box.x, box.height, box.width)
        width, height = height, width
    return box
