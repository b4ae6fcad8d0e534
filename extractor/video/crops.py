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


class Part(NamedTuple):
    """A rectangle as it was decoded: half the bytes of a `Crop` where colour is subsampled."""

    planes: tuple[npt.NDArray[Any], ...]
    box: Box
    form: tuple[int, int, int]
    """See `PLANAR`."""

    def crop(self) -> Crop:
        """Return it with the chroma of subsampled formats repeated to full resolution."""
        step_x, step_y, shift = self.form
        out = np.full((self.box.height, self.box.width, 3), 128, np.uint8)
        out[..., 0] = self.planes[0] >> shift
        for channel, plane in enumerate(self.planes[1:], 1):
            wide = plane.repeat(step_y, axis=0).repeat(step_x, axis=1)[self.box.y % step_y :]
            left = self.box.x % step_x
            out[..., channel] = wide[: self.box.height, left : left + self.box.width] >> shift
        return out


def part(frame: av.VideoFrame, box: Box) -> Part:
    """Cut a rectangle out of the decoded planes, without converting the whole picture."""
    form = frame.format.name
    if form not in PLANAR:
        frame, form = frame.reformat(format="yuv444p"), "yuv444p"
    step_x, step_y, shift = PLANAR[form]
    rows = [rows_of(p, np.uint16 if shift else np.uint8) for p in frame.planes]
    if form == "nv12":
        rows = [rows[0], rows[1][:, 0::2], rows[1][:, 1::2]]
    planes = [rows[0][box.y : box.y + box.height, box.x : box.x + box.width].copy()]
    if step_x:
        tall = slice(box.y // step_y, -(-(box.y + box.height) // step_y))
        wide = slice(box.x // step_x, -(-(box.x + box.width) // step_x))
        planes += [plane[tall, wide].copy() for plane in rows[1:3]]
    return Part(tuple(planes), box, (step_x, step_y, shift))


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
