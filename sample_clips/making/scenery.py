"""What the survey boat's camera sees: a made-up harbour, drawn from noise and rectangles.

A scene is a wide still picture of the shore, over which the view pans, above a sheet of
water that flows in perspective. The camera's height decides what passes behind the numbers:
sky, roofs and masts, the foot of the quay, or water.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from .plan import FRAME_SIZE, Clip
from .series import frame_times, random_source

WIDTH, HEIGHT = FRAME_SIZE
ABOVE = 640
"""Rows of the shore picture above the waterline."""
WATER_ROWS = 1000
RIPPLE_SIZE = 1024
"""Side of the ripple tile, pixels."""


@dataclass(frozen=True)
class Light:
    """Colours of a time of day, RGB 0 to 255."""

    zenith: tuple[int, int, int]
    skyline: tuple[int, int, int]
    cloud: tuple[int, int, int]
    hill: tuple[int, int, int]
    water: tuple[int, int, int]
    brightness: float
    glint: float
    """How strongly ripples throw the light back, 0 to 1."""


LIGHTS = {
    "noon": Light((74, 128, 190), (188, 212, 226), (246, 247, 246), (86, 112, 108), (38, 84, 98),
                  1.0, 0.75),
    "grey": Light((128, 138, 146), (196, 200, 200), (216, 218, 218), (92, 104, 106), (72, 86, 92),
                  0.86, 0.40),
    "evening": Light((64, 84, 126), (236, 190, 142), (248, 214, 176), (84, 80, 98), (66, 66, 88),
                     0.78, 0.85),
}  # fmt: skip

HORIZONS = {"sky": 560, "trees": 330, "quay": 150, "water": -60}
"""Row of the frame on which the waterline lies, pixels; below 0 the camera looks down."""

SCENES = [f"{light}_{view}" for light in LIGHTS for view in HORIZONS]


def frames(clip: Clip) -> Iterator[np.ndarray]:
    """Yield the clip's RGB frames (uint8, shape (900, 1600, 3)) without overlay."""
    light_name, view = clip.scene.split("_")
    random = random_source(clip, "scene")
    light, horizon = LIGHTS[light_name], HORIZONS[view]
    times = [float(t) for t in frame_times(clip)]
    pan = Pan(random, times[-1])
    shore = draw_shore(light, pan.width, random)
    water = Water(light, shore, pan, random)
    for time in times:
        x, bob = pan.at(time)
        frame = np.empty((HEIGHT, WIDTH, 3), np.uint8)
        line = horizon + bob
        if line > 0:
            top = ABOVE - line
            frame[:line] = shore[max(top, 0) : ABOVE, x : x + WIDTH]
        water.draw(frame, line, x, time)
        yield frame


def even(value: float) -> int:
    """Round to an even number: whole pixels of the colour planes, which are half as wide."""
    return 2 * round(float(value) / 2)


class Pan:
    """Where the camera looks: it swings along the shore and rides the waves."""

    def __init__(self, random: np.random.Generator, seconds: float) -> None:
        self.seconds = seconds
        self.speed = random.uniform(70, 130) * random.choice((-1, 1))
        self.swing = random.uniform(60, 140)
        self.phase = random.uniform(0, 6.28)
        reach = abs(self.speed) * seconds
        self.start = self.swing + 8 + (reach if self.speed < 0 else 0)
        self.width = int(WIDTH + reach + 2 * self.swing + 16)

    def at(self, time_s: float) -> tuple[int, int]:
        """Return the left edge of the view in the shore picture and the bob, even pixels."""
        x = self.start + self.speed * time_s
        x += self.swing * np.sin(0.9 * time_s + self.phase)
        return even(x), even(7 * np.sin(1.7 * time_s + 2 * self.phase))


def noise(shape: tuple[int, int], cell: tuple[float, float], random, octaves: int = 4):
    """Return smooth noise, about -1 to 1; `cell` is the size of its coarsest lumps, (y, x)."""
    total = np.zeros(shape, np.float32)
    for n in range(octaves):
        rows = int(shape[0] / cell[0] * 2**n) + 3
        columns = int(shape[1] / cell[1] * 2**n) + 3
        coarse = random.standard_normal((rows, columns)).astype(np.float32)
        size = (shape[1], shape[0])
        total += cv2.resize(coarse, size, interpolation=cv2.INTER_CUBIC) * 0.55**n
    return total / (1.6 * total.std())


def draw_shore(light: Light, width: int, random) -> np.ndarray:
    """Draw sky, hills, trees, boathouses and moored boats, RGB uint8, `ABOVE` rows high."""
    picture = _sky(light, width, random)
    _hills(picture, light, random)
    _trees(picture, light, random)
    _quay(picture, light, random)
    _boats(picture, light, random)
    return np.clip(picture * light.brightness, 0, 255).astype(np.uint8)


def _sky(light: Light, width: int, random) -> np.ndarray:
    height = np.linspace(1, 0, ABOVE, dtype=np.float32)[:, None, None]
    sky = np.float32(light.zenith) * height + np.float32(light.skyline) * (1 - height)
    clouds = noise((ABOVE, width), (110, 420), random, 5) + 0.5 * (height[:, :, 0] - 0.6)
    cover = np.clip(clouds * 1.1, 0, 1)[:, :, None]
    shade = 1 - 0.16 * np.clip(noise((ABOVE, width), (60, 200), random), 0, 1)[:, :, None]
    return sky * (1 - cover) + np.float32(light.cloud) * shade * cover


def _profile(width: int, cell: float, low: float, high: float, random) -> np.ndarray:
    """Return a skyline: heights above the water, pixels, one a column."""
    line = noise((1, width), (1, cell), random, 5)[0]
    return low + (high - low) * (0.5 + 0.5 * np.clip(line, -1, 1))


def _fill_below(picture, heights, colour, texture) -> None:
    rows = np.arange(ABOVE)[:, None]
    mask = (ABOVE - rows) < heights[None, :]
    picture[mask] = (np.float32(colour) * (1 + texture)[:, :, None])[mask]


def _hills(picture, light: Light, random) -> None:
    width = picture.shape[1]
    for n, (low, high) in enumerate(((150, 290), (110, 210))):
        haze = 0.62 - 0.3 * n
        colour = np.float32(light.hill) * (1 - haze) + np.float32(light.skyline) * haze
        texture = 0.06 * noise((ABOVE, width), (30, 60), random)
        _fill_below(picture, _profile(width, 600, low, high, random), colour, texture)


def _trees(picture, light: Light, random) -> None:
    width = picture.shape[1]
    heights = _profile(width, 160, 60, 330, random)
    heights += 9 * noise((1, width), (1, 24), random, 3)[0]
    leaves = 0.28 * noise((ABOVE, width), (26, 30), random, 3)
    colour = 0.62 * np.float32(light.hill) + np.float32((6, 22, 4))
    _fill_below(picture, heights, colour, leaves)


def _quay(picture, light: Light, random) -> None:
    """Boathouses in a row on a wall, with planks, doors and lit windows."""
    width = picture.shape[1]
    wall = np.float32((120, 116, 108))
    picture[ABOVE - 34 :] = wall * (1 + 0.08 * noise((34, width), (8, 40), random))[:, :, None]
    picture[ABOVE - 34 : ABOVE - 30] *= 1.25
    paints = ((150, 78, 62), (176, 168, 150), (88, 108, 118), (206, 196, 176), (112, 92, 70))
    x = int(random.integers(20, 200))
    while x < width - 60:
        wide, high = int(random.integers(170, 330)), int(random.integers(90, 170))
        if random.random() < 0.72:
            _boathouse(picture, x, wide, high, paints[int(random.integers(len(paints)))], random)
        x += wide + int(random.integers(30, 240))


def _boathouse(picture, x: int, wide: int, high: int, paint, random) -> None:
    foot, wide = ABOVE - 34, min(wide, picture.shape[1] - x)
    face = picture[foot - high : foot, x : x + wide]
    planks = 1 - 0.16 * (np.arange(wide) % 14 < 2)
    face[:] = np.float32(paint) * planks[None, :, None]
    face *= (1 + 0.05 * noise(face.shape[:2], (40, 20), random))[:, :, None]
    roof = np.int32([[x - 14, foot - high], [x + wide // 2, foot - high - int(0.3 * wide)],
                     [x + wide + 14, foot - high]])  # fmt: skip
    cv2.fillPoly(picture, [roof], (70.0, 66.0, 66.0))
    cv2.polylines(picture, [roof[:2]], False, (176.0, 172.0, 164.0), 4, cv2.LINE_AA)
    for left in range(x + 24, x + wide - 50, 62):
        lit = random.random() < 0.5
        glass = (250.0, 226.0, 160.0) if lit else (44.0, 54.0, 62.0)
        top = foot - high + 26
        cv2.rectangle(
            picture, (left - 3, top - 3), (left + 35, top + 41), (226.0, 222.0, 212.0), -1
        )
        cv2.rectangle(picture, (left, top), (left + 32, top + 38), glass, -1)
        cv2.line(picture, (left + 16, top), (left + 16, top + 38), (226.0, 222.0, 212.0), 2)


def _boats(picture, light: Light, random) -> None:
    """Moored boats: pale hulls low on the water, masts that rise past the roofs."""
    width = picture.shape[1]
    for x in range(int(random.integers(80, 260)), width - 200, 430):
        x += int(random.integers(-90, 90))
        long, mast = int(random.integers(120, 200)), int(random.integers(210, 420))
        hull = np.int32([[x, ABOVE - 26], [x + long, ABOVE - 30], [x + long - 22, ABOVE],
                         [x + 18, ABOVE]])  # fmt: skip
        middle = x + long // 2
        cv2.line(picture, (middle, ABOVE - 28), (middle, ABOVE - mast), (222.0, 220.0, 212.0), 5)
        cv2.line(picture, (middle, ABOVE - mast), (x + 6, ABOVE - 26), (70.0, 70.0, 70.0), 1,
                 cv2.LINE_AA)  # fmt: skip
        cv2.fillPoly(picture, [hull], (236.0, 236.0, 230.0))
        cv2.line(picture, (x + 8, ABOVE - 12), (x + long - 14, ABOVE - 14), (54.0, 84.0, 120.0), 5)


def _ripples(random) -> np.ndarray:
    """Return a square of ripples, about -1 to 1, that repeats without a seam.

    White noise through a band-pass filter: waves of about 30 to 160 pixels, longer across.
    """
    across = np.fft.rfftfreq(RIPPLE_SIZE)[None, :] * 2.2
    along = np.fft.fftfreq(RIPPLE_SIZE)[:, None]
    wavelength = 1 / np.maximum(np.hypot(across, along), 1e-6)
    band = np.exp(-((np.log(wavelength / 48) / 0.75) ** 2))
    white = np.fft.rfft2(random.standard_normal((RIPPLE_SIZE, RIPPLE_SIZE)))
    ripple = np.fft.irfft2(white * band, s=(RIPPLE_SIZE, RIPPLE_SIZE))
    return np.clip(ripple / (2 * ripple.std()), -1, 1.2).astype(np.float32)


class Water:
    """A sheet of ripples in perspective that mirrors the shore.

    It slides sideways as one, in even pixels: a motion that an encoder gets nearly for free,
    so that the bits go to the numbers.
    """

    def __init__(self, light: Light, shore: np.ndarray, pan: Pan, random) -> None:
        self.drift = float(random.choice((-30, 30)))
        self.margin = int(abs(self.drift) * pan.seconds) + 8
        mirror = cv2.GaussianBlur(shore[::-1], (0, 0), sigmaX=3, sigmaY=9)
        depth = np.arange(WATER_ROWS, dtype=np.float32)[:, None, None]
        share = 0.62 * np.exp(-depth / 190) * np.clip(1 - depth / ABOVE, 0, 1)
        self.base = np.empty((WATER_ROWS, shore.shape[1], 3), np.uint8)
        deep = np.float32(light.water) * light.brightness
        for row in range(WATER_ROWS):
            seen = mirror[min(row, ABOVE - 1)]
            self.base[row] = deep * (1 - share[row]) + seen * share[row]
        self.ripples = self._drawn_ripples(light, shore.shape[1] + 2 * self.margin, random)

    def _drawn_ripples(self, light: Light, width: int, random) -> np.ndarray:
        """Return what the ripples add to the picture, RGB int16, in perspective."""
        depth = np.arange(WATER_ROWS, dtype=np.float32)
        far = 260.0 / (depth + 60.0)
        columns = np.arange(width, dtype=np.float32)
        map_x = np.mod(columns[None, :] * far[:, None], RIPPLE_SIZE)
        map_y = np.broadcast_to(np.mod(900.0 * far, RIPPLE_SIZE)[:, None], map_x.shape)
        ripple = cv2.remap(_ripples(random), map_x, np.ascontiguousarray(map_y),
                           cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)  # fmt: skip
        ripple *= np.clip(depth / 120, 0.06, 1)[:, None]
        glint = np.clip(ripple - 0.62, 0, 1) * (light.glint * 420)
        added = 26 * light.brightness * ripple[:, :, None] * np.float32((0.8, 1.0, 1.05))
        return (added + glint[:, :, None] * (np.float32(light.skyline) / 255)).astype(np.int16)

    def draw(self, frame: np.ndarray, line: int, x: int, time_s: float) -> None:
        """Fill the frame from row `line` down; `x` is the left edge of the view."""
        rows = slice(max(-line, 0), HEIGHT - line)
        left = x + even(self.margin + self.drift * time_s)
        base, ripples = self.base[rows, x : x + WIDTH], self.ripples[rows, left : left + WIDTH]
        frame[max(line, 0) :] = cv2.add(base, ripples, dtype=cv2.CV_8U)
