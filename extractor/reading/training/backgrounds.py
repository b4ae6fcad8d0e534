"""Moving pictures to put behind the lettering: photographs and made-up textures."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

Picture = npt.NDArray[np.uint8]
PHOTO_WIDTH_PX = 1600
#: The photographs and drawn pictures used, by path, from the Debian packages
#: lomiri-wallpapers-16.04, lomiri-wallpapers-20.04, mate-backgrounds, gnome-backgrounds and
#: stellarium-data, and the two photographs in the PyPI package scikit-learn.
PHOTO_PATTERNS = (
    "*/lomiri*/*.jpg",
    "*/backgrounds/*_by_*.jpg",
    "*/mate/nature/*.jpg",
    "*/mate/abstract/Elephants.jpg",
    "*/gnome/wood-?.webp",
    "*/gnome/pixels-?.webp",
    "*/gnome/truchet-?.webp",
    "*/landscapes/hurricane/*.png",
    "*/landscapes/garching/*.png",
    "*/landscapes/ocean/*.png",
    "*/landscapes/guereins/*.png",
    "*/landscapes/trees/*.png",
    "*/sklearn/datasets/images/*.jpg",
)


def gather_photos(folders: Sequence[Path], destination: Path) -> int:
    """Copy the pictures of `PHOTO_PATTERNS` below `folders`, at training size; return how many.

    Where a picture is transparent (the sky of a panorama) it is filled with a plain sky.
    """
    destination.mkdir(parents=True, exist_ok=True)
    found = sorted(
        path
        for folder in folders
        for path in folder.rglob("*")
        if path.is_file() and any(path.match(pattern) for pattern in PHOTO_PATTERNS)
    )
    count = 0
    for path in found:
        picture = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
        if picture is None or min(picture.shape[:2]) < 200:
            continue
        if picture.ndim == 3 and picture.shape[2] == 4:
            alpha = picture[:, :, 3:] / 255.0
            picture = (picture[:, :, :3] * alpha + (1 - alpha) * (225, 190, 150)).astype(np.uint8)
        name = f"{count:03d}-{path.stem}.jpg"
        small = _limited(np.asarray(picture, dtype=np.uint8))
        cv2.imwrite(str(destination / name), small, [cv2.IMWRITE_JPEG_QUALITY, 88])
        count += 1
    return count


#: Of every so many pictures in the order of their names, the last are held out together: views of
#: one landscape stand side by side.
_RUN, _RUN_HELD_OUT = 19, 4


def load_photos(folder: Path, held_out: bool) -> list[Picture]:
    """Return the pictures of a folder to learn from, or to judge on, as RGB.

    They are at most `PHOTO_WIDTH_PX` wide. Four of nineteen are held out.

    Raises
    ------
    FileNotFoundError
        If the folder holds none.
    """
    photos = []
    usual = {".jpg", ".jpeg", ".png", ".webp"}
    paths = sorted(path for path in folder.rglob("*") if path.suffix.lower() in usual)
    for place, path in enumerate(paths):
        if (place % _RUN >= _RUN - _RUN_HELD_OUT) == held_out:
            picture = cv2.imread(str(path), cv2.IMREAD_COLOR)
            if picture is not None and min(picture.shape[:2]) >= 200:
                photos.append(_limited(np.asarray(picture[:, :, ::-1], dtype=np.uint8)))
    if not photos:
        raise FileNotFoundError(f"no photographs in {folder}")
    return photos


def _limited(picture: Picture) -> Picture:
    height, width = picture.shape[:2]
    if width <= PHOTO_WIDTH_PX:
        return np.ascontiguousarray(picture)
    size = PHOTO_WIDTH_PX, round(height * PHOTO_WIDTH_PX / width)
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def moving_background(
    photos: Sequence[Picture], size: tuple[int, int], frames: int, rng: np.random.Generator
) -> list[Picture]:
    """Return `frames` RGB pictures of `size` (width, height) over which a camera moves.

    Two of three are photographs, the others made up; speed, zoom, turn, exposure and motion
    blur vary.
    """
    still = photos[int(rng.integers(len(photos)))] if rng.random() < 0.66 else texture(size, rng)
    if rng.random() < 0.5:
        still = still[:, ::-1]
    still = _exposed(np.ascontiguousarray(still), rng)
    height, width = still.shape[:2]
    fit = min(width / size[0], height / size[1])
    zoom = float(rng.uniform(0.25, 0.95)) * fit
    if rng.random() < 0.4:
        still = with_strokes(still, zoom, rng)
    angle = float(rng.normal(0, 6))
    centre = rng.uniform(0.3, 0.7, 2) * (width, height)
    speed = rng.normal(0, 1, 2) * float(rng.choice([0.0, 1.0, 5.0, 16.0])) * zoom
    blur = int(min(25, np.hypot(*speed) / zoom * 0.6)) if rng.random() < 0.5 else 0
    pictures = []
    for index in range(frames):
        turn = cv2.getRotationMatrix2D((0.0, 0.0), angle + index * float(rng.normal(0, 0.1)), zoom)
        turn[:, 2] = centre + speed * index - turn[:, :2] @ (size[0] / 2, size[1] / 2)
        picture = cv2.warpAffine(
            still, turn, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REFLECT,
        )  # fmt: skip
        if blur > 2:
            picture = cv2.blur(picture, (blur, 1) if abs(speed[0]) > abs(speed[1]) else (1, blur))
        pictures.append(np.asarray(picture, dtype=np.uint8))
    return pictures


def with_strokes(picture: Picture, zoom: float, rng: np.random.Generator) -> Picture:
    """Scatter what looks like a minus, a point or a 1: glints, ripples, poles, edges of walls.

    They belong to the background and move with it; `zoom` is pixels of the picture for one
    of the frame.
    """
    strewn = np.ascontiguousarray(picture).copy()
    height, width = strewn.shape[:2]
    usual = 4.0 * 2 ** float(rng.uniform(-1, 2))
    light = rng.uniform(170, 255, 3) if rng.random() < 0.7 else _colour(rng)
    flat = float(rng.choice([0.0, 0.0, rng.normal(0, 8), 90.0]))
    count = int(height * width / (zoom * 14) ** 2 * rng.uniform(0.02, 0.25) / (usual / 4))
    for _ in range(min(count, 2500)):
        x, y = float(rng.uniform(0, width)), float(rng.uniform(0, height))
        kind = rng.random()
        thick = usual * float(rng.uniform(0.3, 0.9))
        length = usual * float(rng.uniform(1.0, 5.0)) if kind < 0.85 else thick
        angle = flat if kind < 0.6 else float(rng.choice([0.0, 90.0, rng.uniform(0, 180)]))
        corners = cv2.boxPoints(((x, y), (length * zoom, max(1.0, thick * zoom)), angle))
        shade = np.clip(light + rng.normal(0, 14), 0, 255)
        cv2.fillPoly(
            strewn, [np.round(corners * 8).astype(np.int32)], shade.tolist(), cv2.LINE_AA, 3
        )
    return strewn


def _exposed(picture: Picture, rng: np.random.Generator) -> Picture:
    kind = rng.random()
    if kind < 0.4:
        return picture
    gain, gamma = float(rng.uniform(0.5, 1.8)), float(rng.uniform(0.5, 1.8))
    levels = np.clip((np.arange(256) / 255.0) ** gamma * gain * 255.0, 0, 255).astype(np.uint8)
    picture = np.asarray(cv2.LUT(picture, levels), dtype=np.uint8)
    if kind > 0.85:
        grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
        picture = np.asarray(cv2.cvtColor(grey, cv2.COLOR_GRAY2RGB), dtype=np.uint8)
    return picture


def texture(size: tuple[int, int], rng: np.random.Generator) -> Picture:
    """Return a made-up RGB picture half as large again as `size` (width, height)."""
    width, height = round(size[0] * 1.5), round(size[1] * 1.5)
    kind = rng.random()
    if kind < 0.18:
        return np.full((height, width, 3), _colour(rng), dtype=np.uint8)
    base = _gradient(width, height, rng)
    if kind < 0.35:
        return base
    if kind < 0.65:
        return _noise(base, rng)
    return _clutter(_noise(base, rng) if rng.random() < 0.5 else base, rng)


def _colour(rng: np.random.Generator) -> npt.NDArray[np.float64]:
    if rng.random() < 0.4:
        return np.full(3, rng.uniform(0, 255)) + rng.normal(0, 6, 3)
    return rng.uniform(0, 255, 3)


def _gradient(width: int, height: int, rng: np.random.Generator) -> Picture:
    corners = np.stack([_colour(rng) for _ in range(4)]).reshape(2, 2, 3).astype(np.float32)
    smooth = cv2.resize(corners, (width, height), interpolation=cv2.INTER_LINEAR)
    return np.clip(smooth, 0, 255).astype(np.uint8)


def _noise(base: Picture, rng: np.random.Generator) -> Picture:
    """Add noise of several grain sizes, as foliage, gravel, water and cloud have it."""
    height, width = base.shape[:2]
    total = base.astype(np.float32)
    for _ in range(int(rng.integers(1, 4))):
        grain = float(2 ** rng.uniform(0, 6))
        stretch = float(2 ** rng.uniform(-1.5, 1.5))
        shape = max(2, int(height / grain)), max(2, int(width / grain / stretch))
        strength = float(rng.uniform(4, 60))
        speckle = rng.normal(0, strength, (*shape, 1)).astype(np.float32)
        if rng.random() < 0.3:
            speckle = speckle + rng.normal(0, strength / 2, (*shape, 3)).astype(np.float32)
        else:
            speckle = np.repeat(speckle, 3, axis=2)
        total += cv2.resize(speckle, (width, height), interpolation=cv2.INTER_CUBIC)
    return np.clip(total, 0, 255).astype(np.uint8)


def _clutter(base: Picture, rng: np.random.Generator) -> Picture:
    """Draw lines, bars, rings and blobs: poles, wires, windows, branches, markings."""
    picture = np.ascontiguousarray(base)
    height, width = picture.shape[:2]
    for _ in range(int(rng.integers(20, 160))):
        colour = tuple(float(c) for c in _colour(rng))
        x, y = int(rng.integers(width)), int(rng.integers(height))
        reach = int(2 ** rng.uniform(2, 8))
        dx, dy = (int(v) for v in rng.integers(-reach, reach + 1, 2))
        thick = int(2 ** rng.uniform(0, 3.5))
        kind = int(rng.integers(4))
        if kind == 0:
            cv2.line(picture, (x, y), (x + dx, y + dy), colour, thick, cv2.LINE_AA)
        elif kind == 1:
            cv2.rectangle(picture, (x, y), (x + dx, y + dy), colour, thick if dx % 2 else -1)
        elif kind == 2:
            cv2.circle(picture, (x, y), reach // 2, colour, thick if dx % 2 else -1, cv2.LINE_AA)
        else:
            axes = reach // 2 + 1, reach // 5 + 1
            cv2.ellipse(picture, (x, y), axes, dx * 3, 0, 40 + 3 * abs(dy), colour, thick)
    return picture
