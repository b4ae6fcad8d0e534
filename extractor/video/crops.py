"""Rectangles out of decoded planes, without converting the whole picture."""

from __future__ import annotations

from typing import Any, TypeAlias

import av
import numpy as np
import numpy.typing as npt

from extractor.session.overlay import Box

#: uint8, shape (height, width, 3): Y, Cb, Cr of one rectangle at full resolution (4:4:4).
#: Y stands as it is stored in the file (usually limited range, 16 to 235).
Crop: TypeAlias = npt.NDArray[np.uint8]


def crop(frame: av.VideoFrame, box: Box) -> Crop:
    """Cut a rectangle out of the decoded planes, without converting the whole picture.

    Returns
    -------
    array of uint8, shape (box.height, box.width, 3)
        Y, Cb, Cr; the chroma of subsampled formats is repeated to full resolution.
    """
    form = frame.format.name
    if form not in PLANAR:
        frame, form = frame.reformat(format="yuv444p"), "yuv444p"
    step_x, step_y, shift = PLANAR[form]
    out = np.empty((box.height, box.width, 3), np.uint8)
    out[..., 0] = _cut(frame.planes[0], box, 1, 1, shift)
    if step_x == 0:
        out[..., 1:] = 128
    elif form == "nv12":
        pairs = rows_of(frame.planes[1], np.uint8)
        pairs = pairs[:, : pairs.shape[1] // 2 * 2].reshape(pairs.shape[0], -1, 2)
        for channel in (0, 1):
            out[..., 1 + channel] = _sub(pairs[..., channel], box, 2, 2)
    else:
        for channel in (1, 2):
            out[..., channel] = _cut(frame.planes[channel], box, step_x, step_y, shift)
    return out


#: Pixel format: chroma step in x and y (0: no chroma), bits to drop to come to 8.
PLANAR: dict[str, tuple[int, int, int]] = {
    **{f"yuv{j}420p": (2, 2, 0) for j in ("", "j")},
    **{f"yuv{j}422p": (2, 1, 0) for j in ("", "j")},
    **{f"yuv{j}444p": (1, 1, 0) for j in ("", "j")},
    **{f"yuv420p{bits}le": (2, 2, bits - 8) for bits in (10, 12)},
    **{f"yuv422p{bits}le": (2, 1, bits - 8) for bits in (10, 12)},
    "yuv411p": (4, 1, 0),
    "yuv410p": (4, 4, 0),
    "nv12": (2, 2, 0),
    "gray": (0, 0, 0),
}


def rows_of(plane: Any, kind: Any) -> npt.NDArray[Any]:
    """Return a plane as its rows, padding at the right included."""
    return np.frombuffer(plane, kind).reshape(plane.height, -1)


def _cut(plane: Any, box: Box, step_x: int, step_y: int, shift: int) -> npt.NDArray[np.uint8]:
    rows = rows_of(plane, np.uint16 if shift else np.uint8)
    part = _sub(rows, box, step_x, step_y)
    return (part >> shift).astype(np.uint8) if shift else part


def _sub(rows: npt.NDArray[Any], box: Box, step_x: int, step_y: int) -> npt.NDArray[Any]:
    right, bottom = box.x + box.width, box.y + box.height
    if step_x == step_y == 1:
        return rows[box.y : bottom, box.x : right]
    left_c, top_c = box.x // step_x, box.y // step_y
    part = rows[top_c : -(-bottom // step_y), left_c : -(-right // step_x)]
    part = part.repeat(step_y, axis=0).repeat(step_x, axis=1)
    top, left = box.y - top_c * step_y, box.x - left_c * step_x
    return part[top : top + box.height, left : left + box.width]
