"""Writing films: the one place that encodes video."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

import av
import numpy as np
import numpy.typing as npt

from extractor.errors import StorageError, UsageError
from extractor.session.atomic import replacing_path
from extractor.video.crops import BT709, shares

Picture = npt.NDArray[np.uint8]
"""Planes Y, then U and V at half resolution, shape (height * 3 // 2, width); or red, green, blue,
opacity, shape (height, width, 4), the colours already times the opacity."""
#: Times are kept to this, seconds.
TICK = Fraction(1, 90_000)
Codec = Literal["h264", "h265", "prores", "png"]
_QUIET = {"x265-params": "log-level=error"}
#: Encoder, pixel format, suffix and options of each. x265's own log goes to the screen.
_CODECS: dict[str, tuple[str, str, str, dict[str, str]]] = {
    "h264": ("libx264", "yuv420p", ".mp4", {"preset": "veryfast"}),
    "h265": (
        "libx265",
        "yuv420p",
        ".mp4",
        {"preset": "superfast", "x265-params": "log-level=error"},
    ),
    "prores": ("prores_ks", "yuva444p10le", ".mov", {"profile": "4444", "alpha_bits": "16"}),
    "png": ("png", "rgba", "", {"compression_level": "1"}),
}
SMALLEST, LARGEST = 480, 4096
FASTEST_HZ = 120.0


@dataclass(frozen=True)
class Format:
    """Size, rate and codec of a film or picture; sides are even, pixels; rate 0: the clips' own."""

    width: int = 1920
    height: int = 1080
    rate_hz: float = 30.0
    codec: Codec = "h264"

    @property
    def alpha(self) -> bool:
        """Tell whether it can be laid over footage."""
        return self.codec in ("prores", "png")

    @property
    def suffix(self) -> str:
        """Return the end of its files' names; empty for a folder of pictures."""
        return _CODECS[self.codec][2]


def parse_format(size: str, rate: float = 30.0, codec: str = "h264") -> Format:
    """Return the format that ``1920x1080``, a rate and a codec's name say.

    Raises
    ------
    UsageError
        If one of them cannot be.
    """
    match = re.fullmatch(r"\s*(\d{1,5})\s*[xX×]\s*(\d{1,5})\s*", size)
    if match is None:
        raise UsageError(f"--size {size}: give width x height in pixels, such as 1920x1080")
    width, height = int(match[1]), int(match[2])
    if not all(SMALLEST <= side <= LARGEST for side in (width, height)):
        raise UsageError(f"--size {size}: each side must be {SMALLEST} to {LARGEST} pixels")
    if width % 2 or height % 2:
        raise UsageError(f"--size {size}: both sides must be even numbers")
    if rate and not 1 <= rate <= FASTEST_HZ:
        raise UsageError(
            f"--rate {rate:g}: give 1 to {FASTEST_HZ:g} pictures a second, or 0 for the clips' own"
        )
    if codec not in _CODECS:
        raise UsageError(f"--codec {codec}: choose one of {', '.join(_CODECS)}")
    return Format(width, height, rate, codec)  # type: ignore[arg-type]


Add = Callable[[Picture, float], None]
"""Adds one picture to a film; and when it is shown, seconds, which must rise."""


@contextmanager
def film(path: Path, form: Format, *, quality: int = 20, matrix: int = BT709) -> Iterator[Add]:
    """Write a film without sound; it replaces `path` when all went well.

    Parameters
    ----------
    path : Path
        Its folder is made when missing. For `png` a folder of numbered pictures.
    form : Format
        The rate is said in the header; each picture has a time of its own.
    quality : int
        Constant rate factor of H.264 and H.265: lower is better and larger.
    matrix : int
        What YUV pictures are meant by, see `crops.Colour`; others are converted by it.

    Raises
    ------
    StorageError
        If it cannot be written; what stood there before still stands.
    """
    encoder, pixels, _, options = _CODECS[form.codec]
    with _target(path, form) as place, _container(place, form) as container:
        rate = Fraction(form.rate_hz).limit_denominator(1001)
        stream: Any = container.add_stream(encoder, rate=rate)
        stream.width, stream.height, stream.pix_fmt = form.width, form.height, pixels
        context = stream.codec_context
        if form.codec != "png":
            stream.time_base = context.time_base = TICK
            context.color_range = 1
            context.colorspace = context.color_primaries = context.color_trc = matrix
        if form.codec == "h265":
            context.codec_tag = "hvc1"
        stream.options = options if form.alpha else options | {"crf": str(quality)}
        last, step = -1, round(1 / (form.rate_hz * TICK))

        def add(picture: Picture, time_s: float) -> None:
            nonlocal last
            last = max(round(time_s / TICK), last + 1)
            frame = _frame(picture, form, matrix)
            frame.color_range, frame.colorspace = 1, matrix
            if hasattr(frame, "color_primaries"):  # not in PyAV 16; ProRes takes them from here
                frame.color_primaries = frame.color_trc = matrix
            if form.codec != "png":  # numbered pictures count by themselves
                frame.pts, frame.time_base, frame.duration = last, TICK, step
            container.mux(stream.encode(frame))

        yield add
        container.mux(stream.encode(None))


def _container(place: str, form: Format) -> Any:
    if form.codec == "png":
        kind, options = "image2", {}
    else:
        kind, options = form.suffix.removeprefix("."), {"movflags": "+faststart"}
    return av.open(place, "w", format=kind, options=options)


@contextmanager
def _target(path: Path, form: Format) -> Iterator[str]:
    if form.codec != "png":
        with replacing_path(path, suffix=form.suffix) as temporary:
            yield str(temporary)
        return
    fresh = path.with_name(f".{path.name}.new")
    try:
        if path.exists() and any(not re.fullmatch(r"\d+\.png", p.name) for p in path.iterdir()):
            raise StorageError(f"{path}: holds other things than numbered pictures; name another")
        shutil.rmtree(fresh, ignore_errors=True)
        fresh.mkdir(parents=True)
        # A percent sign in a folder's name would count as a place for the number.
        yield f"{str(fresh).replace('%', '%%')}/%05d.png"
        shutil.rmtree(path, ignore_errors=True)
        fresh.rename(path)
    except OSError as error:
        raise StorageError(f"{path}: cannot be written ({error.strerror})") from error
    finally:
        shutil.rmtree(fresh, ignore_errors=True)


def _frame(picture: Picture, form: Format, matrix: int) -> Any:
    if not form.alpha:
        flat = picture if picture.ndim == 2 else planes(picture, matrix)
        return av.VideoFrame.from_ndarray(flat, format="yuv420p")
    straight = unassociated(picture)
    if form.codec == "png":
        return av.VideoFrame.from_ndarray(straight, format="rgba")
    import cv2

    wide = cv2.transform(straight.astype(np.uint16), _toward(matrix, 4, times=4.0))
    frame = av.VideoFrame(form.width, form.height, "yuva444p10le")
    alpha = straight[..., 3].astype(np.uint32) * 1023 // 255
    for plane, values in zip(frame.planes, (*cv2.split(wide), alpha), strict=True):
        rows = np.zeros((form.height, plane.line_size // 2), np.uint16)
        rows[:, : form.width] = values
        plane.update(rows.tobytes())
    return frame


def unassociated(picture: Picture) -> Picture:
    """Return a picture with opacity whose colours are not yet times it, as files hold them."""
    out = picture.copy()
    some = (picture[..., 3] > 0) & (picture[..., 3] < 255)
    colors = out[some].astype(np.uint16)
    opacity = colors[:, 3:]
    colors[:, :3] = np.minimum(255, (colors[:, :3] * 255 + opacity // 2) // opacity)
    out[some] = colors
    return out


def _toward(matrix: int, channels: int, times: float = 1.0) -> npt.NDArray[np.float64]:
    """Return what makes Y, Cb, Cr (limited range, as stored) of red, green, blue.

    The equations of ITU-T H.273 (from memory), the way back from `crops.rgb`.
    """
    red, blue = shares(matrix)
    luma = np.array([red, 1 - red - blue, blue])
    rows = np.array(
        [
            luma * 219,
            (np.array([0, 0, 1]) - luma) * 112 / (1 - blue),
            (np.array([1, 0, 0]) - luma) * 112 / (1 - red),
        ]
    )
    made = np.zeros((3, channels + 1))
    made[:, :3], made[:, -1] = rows / 255 * times, np.array([16, 128, 128]) * times
    return made


def planes(picture: Picture, matrix: int = BT709) -> Picture:
    """Return red, green, blue (and opacity, over black) of even sides as planes Y, U, V."""
    import cv2

    height, width = picture.shape[:2]
    half = cv2.resize(picture, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    made = []
    for row, part in zip(_toward(matrix, 3), (picture, half, half), strict=True):
        # Sums of whole channels: many times as fast as `cv2.transform`.
        red, green, blue = cv2.split(part)[:3]
        mixed = cv2.addWeighted(red, row[0], green, row[1], row[3])
        made.append(cv2.addWeighted(mixed, 1.0, blue, row[2], 0.0))
    return np.concatenate([p.reshape(-1) for p in made]).reshape(-1, width)


def even(value: float) -> int:
    """Return the nearest even number, at least 2."""
    return max(2, round(value / 2) * 2)
