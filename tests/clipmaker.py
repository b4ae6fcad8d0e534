"""Small clips whose "overlay" is a grey patch, and a reader that reads its grey level.

They test everything around the recognition: time, sampling, change instants, files.
"""

from __future__ import annotations

import wave
from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np

from extractor.reading.readers.base import Line
from extractor.video.crops import Crop

SIZE = (320, 180)
BOX = (40, 20, 64, 32)
FIELD = {"name": "bitrate", "frame": list(SIZE), "box": list(BOX)}
#: Luma of the patch for value v is FLOOR + STEP * v, v from 0 to 40.
FLOOR, STEP = 40, 4
HIDDEN, DASH = 20, 220


class GreyReader:
    """Reads the patch: level -> whole number; HIDDEN -> "", DASH -> "--"."""

    name = "grey"
    batch = 8
    gate = 0.5
    usual_share = 0.0

    def __init__(self) -> None:
        self.read_count = 0

    def version(self) -> str:
        return "1"

    def read(self, crops: Sequence[Crop]) -> list[Line]:
        self.read_count += len(crops)
        return [self._line(float(np.median(c[..., 0]))) for c in crops]

    def _line(self, level: float) -> Line:
        if abs(level - HIDDEN) < 2:
            return Line("", 0.99)
        if abs(level - DASH) < 2:
            return Line("--", 0.99)
        return Line(str(round((level - FLOOR) / STEP)), 0.99)


def crop_of(text: str, *, light_on_dark: bool = True) -> Crop:
    """Draw a line with OpenCV's stroke font: no font file, and no overlay looks like it."""
    level, ground = (230, 40) if light_on_dark else (20, 220)
    crop = np.full((44, 150, 3), 128, np.uint8)
    crop[..., 0] = ground
    luma = np.ascontiguousarray(crop[..., 0])
    cv2.putText(luma, text, (14, 33), cv2.FONT_HERSHEY_SIMPLEX, 0.9, level, 2, cv2.LINE_AA)
    crop[..., 0] = luma
    return crop


def level_of(value: int | None) -> int:
    return HIDDEN if value is None else DASH if value < 0 else FLOOR + STEP * value


def make_clip(
    path: Path,
    times_s: Sequence[float],
    value_at: Callable[[float], int | None],
    *,
    size: tuple[int, int] = SIZE,
    scene_at: Callable[[float], int] = lambda t: int(t * 37),
    codec: str = "libx264",
    options: dict[str, str] | None = None,
    container_options: dict[str, str] | None = None,
    chroma: tuple[int, int] = (128, 128),
) -> None:
    """Write a clip with one frame at each time (kept to 1/1000 s); grey but for `chroma`."""
    scale = size[0] / SIZE[0]
    x, y, width, height = (round(v * scale) for v in BOX)
    rng = np.random.default_rng(5)
    scene = rng.integers(60, 180, (size[1] // 20 + 1, size[0] // 20 + 40), dtype=np.uint8)
    with av.open(str(path), "w", options=container_options or {}) as container:
        stream = container.add_stream(codec, rate=30)
        stream.width, stream.height, stream.pix_fmt = *size, "yuv420p"
        stream.time_base = stream.codec_context.time_base = Fraction(1, 1000)
        stream.options = options or {"preset": "ultrafast", "crf": "18", "g": "15"}
        for t in times_s:
            step = scene_at(t)
            moved = np.roll(scene, (step // 2, step), axis=(0, 1)).repeat(20, 0).repeat(20, 1)
            luma = np.ascontiguousarray(moved[: size[1], : size[0]])
            luma[y - 8 : y + height + 8, x - 8 : x + width + 8] = level_of(value_at(t))
            planes = np.full((size[1] * 3 // 2, size[0]), 128, np.uint8)
            planes[: size[1]] = luma
            if chroma != (128, 128):
                planes[size[1] :].reshape(2, -1)[:] = np.array(chroma)[:, None]
            frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
            frame.pts = round(t * 1000)
            frame.time_base = Fraction(1, 1000)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def steady(duration_s: float, rate_hz: float = 30.0) -> list[float]:
    return [i / rate_hz for i in range(round(duration_s * rate_hz))]


def stairs(t: float) -> int:
    """A number that changes every 0.4 s."""
    return int(t / 0.4 + 1e-6) * 7 % 40


def overlay_toml(more: str = "", box: Sequence[int] = BOX, size: Sequence[int] = SIZE) -> str:
    return (
        f'version = 1\n[[field]]\nname = "bitrate"\nunit = "Mbit/s"\nframe = {list(size)}\n'
        f"box = {list(box)}\n{more}\n"
    )


def make_broken(folder: Path) -> dict[str, str]:
    """Make files that are no clips; return what must be said of each."""
    (folder / "empty.mp4").touch()
    (folder / "text.mp4").write_text("this is a shopping list\n" * 50)
    make_clip(folder / "x.mp4", steady(2.0), stairs)
    whole = (folder / "x.mp4").read_bytes()
    (folder / "no-index.mp4").write_bytes(whole[: len(whole) * 7 // 10])
    (folder / "x.mp4").unlink()
    with wave.open(str(folder / "sound.avi"), "wb") as sound:
        sound.setnchannels(1)
        sound.setsampwidth(2)
        sound.setframerate(8000)
        sound.writeframes(bytes(16000))
    return {
        "empty.mp4": "is empty",
        "text.mp4": "is not a video",
        "no-index.mp4": "index that a recorder writes last (moov) is missing",
        "sound.avi": "has no picture stream",
    }
