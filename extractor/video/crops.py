"""Rectangles out of decoded planes, and their colours: the one conversion to RGB."""

from __future__ import annotations

from typing import Any, NamedTuple, TypeAlias

import av
import numpy as np
import numpy.typing as npt
from av.video.reformatter import ColorRange

from extractor.session.overlay import Box

#: uint8, shape (height, width, 3): Y, Cb, Cr of one rectangle at full resolution (4:4:4).
#: Y stands as it is stored in the file (usually limited range, 16 to 235).
Crop: TypeAlias = npt.NDArray[np.uint8]
#: Pictures of so many lines or more are BT.709 where the file does not say, others BT.601.
HD_LINES = 720
BT709, BT601 = 1, 5


class Colour(NamedTuple):
    """What the planes of a clip stand for."""

    matrix: int
    """Coefficients of red, green and blue, by their number in ITU-T H.273, table 4."""
    full: bool
    """Y goes from 0 to 255, not from 16 to 235."""


def colour_of(frame: av.VideoFrame) -> Colour:
    """Return matrix and range as the file says them; where it does not, by the usual convention.

    That is BT.709 for pictures of `HD_LINES` or more and BT.601 for smaller ones, limited range.
    """
    full = frame.color_range == ColorRange.JPEG or frame.format.name.startswith("yuvj")
    if frame.format.is_rgb:  # `crop` makes planes of it, by BT.601
        return Colour(BT601, full)
    usual = BT709 if frame.height >= HD_LINES else BT601
    return Colour(frame.colorspace if frame.colorspace in _SHARES else usual, full)


#: Shares of red and blue in Y by the number that files write (2 is "not known"): ITU-T H.273,
#: table of matrix coefficients, from memory.
_SHARES = {
    1: (0.2126, 0.0722),
    4: (0.30, 0.11),
    5: (0.299, 0.114),
    6: (0.299, 0.114),
    7: (0.212, 0.087),
    9: (0.2627, 0.0593),
}


def shares(matrix: int) -> tuple[float, float]:
    """Return the shares of red and blue in Y, see `Colour.matrix`."""
    return _SHARES[matrix]


def cut_out(picture: Crop, box: Box) -> Crop:
    """Return a rectangle of a crop, one of a whole frame for example."""
    part = picture[box.y : box.y + box.height, box.x : box.x + box.width]
    return np.ascontiguousarray(part)


def rgb(crop: Crop, colour: Colour) -> npt.NDArray[np.uint8]:
    """Return a crop as red, green, blue, shape (height, width, 3), each from 0 to 255.

    The equations of ITU-T H.273 (from memory) for non-constant luminance. The video library's own
    conversion gives other colours with each of its versions (``docs/decisions.md``).
    """
    red, blue = shares(colour.matrix)
    green = 1 - red - blue
    least, luma, chroma = (0, 1.0, 1.0) if colour.full else (16, 255 / 219, 255 / 224)
    by_cb, by_cr = 2 * (1 - blue) * chroma, 2 * (1 - red) * chroma
    rows = np.array(
        [
            [luma, 0, by_cr],
            [luma, -by_cb * blue / green, -by_cr * red / green],
            [luma, by_cb, 0],
        ],
        np.float32,
    )
    shifted = crop.astype(np.float32) - np.array([least, 128, 128], np.float32)
    return np.asarray((shifted @ rows.T).round().clip(0, 255).astype(np.uint8))


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
