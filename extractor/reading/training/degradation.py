"""What happens to a picture between the overlay chip and the recorder's encoder."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

Picture = npt.NDArray[np.uint8]


def degrade(
    frames: Sequence[Picture], severity: int, rng: np.random.Generator
) -> tuple[list[Picture], float, float]:
    """Scale, blur, sharpen, add noise, comb; return frames of whole macroblocks and both scales.

    `severity` 0 scales at most, 1 does about one thing more, 2 about two.
    """
    result = list(frames)
    share = (0.0, 1.0, 2.0)[severity]
    if rng.random() < 0.08 * share:
        result = _interlaced(result)
    scale_x = scale_y = 1.0
    if rng.random() < 0.3 + 0.1 * share:
        scale_y = float(rng.uniform(0.7 - 0.05 * share, 1.7))
        scale_x = scale_y * (float(rng.uniform(0.8, 1.25)) if rng.random() < 0.3 else 1.0)
    result, scale_x, scale_y = _scaled(result, scale_x, scale_y, rng)
    if rng.random() < 0.14 * share:
        sigma = float(rng.uniform(0.3, 1.0))
        result = [_picture(cv2.GaussianBlur(frame, (0, 0), sigma)) for frame in result]
    if rng.random() < 0.1 * share:
        result = _sharpened(result, rng)
    kind = rng.random()
    if kind < 0.12 * share:
        result = _analogue(result, share, rng)
    elif kind < 0.32 * share:
        result = [_noisy(frame, float(rng.uniform(2, 7 * share)), 1, rng) for frame in result]
    return result, scale_x, scale_y


def _picture(array: object) -> Picture:
    return np.asarray(array, dtype=np.uint8)


def _scaled(
    frames: list[Picture], scale_x: float, scale_y: float, rng: np.random.Generator
) -> tuple[list[Picture], float, float]:
    height, width = frames[0].shape[:2]
    # Whole macroblocks: what an encoder pads others with may be whatever the memory held.
    size = max(1, round(width * scale_x / 16)) * 16, max(1, round(height * scale_y / 16)) * 16
    if size == (width, height):
        return frames, 1.0, 1.0
    how = int(rng.choice([cv2.INTER_LINEAR, cv2.INTER_CUBIC, cv2.INTER_AREA]))
    scaled = [_picture(cv2.resize(frame, size, interpolation=how)) for frame in frames]
    return scaled, size[0] / width, size[1] / height


def _interlaced(frames: list[Picture]) -> list[Picture]:
    """Even rows of one frame with odd rows of the next: what moves is combed."""
    combed = []
    for now, later in zip(frames, [*frames[1:], frames[-1]], strict=True):
        both = now.copy()
        both[1::2] = later[1::2]
        combed.append(both)
    return combed


def _sharpened(frames: list[Picture], rng: np.random.Generator) -> list[Picture]:
    amount, sigma = float(rng.uniform(0.4, 1.8)), float(rng.uniform(0.8, 2.0))
    return [
        _picture(cv2.addWeighted(f, 1 + amount, cv2.GaussianBlur(f, (0, 0), sigma), -amount, 0))
        for f in frames
    ]


def _noisy(frame: Picture, sigma: float, smear: int, rng: np.random.Generator) -> Picture:
    height, width = frame.shape[:2]
    noise = rng.standard_normal((height, width), dtype=np.float32)
    if smear > 1:
        noise = np.asarray(cv2.blur(noise, (smear, 1)) * np.sqrt(smear), dtype=np.float32)
    if rng.random() < 0.4:
        colour = rng.standard_normal((height // 4, width // 4, 3), dtype=np.float32)
        wide = cv2.resize(colour, (width, height)) + noise[:, :, None]
    else:
        wide = np.repeat(noise[:, :, None], 3, axis=2)
    return np.clip(frame + sigma * wide, 0, 255).astype(np.uint8)


def _analogue(frames: list[Picture], share: float, rng: np.random.Generator) -> list[Picture]:
    """Limited bandwidth, smeared colour, jittering lines, an echo, grain."""
    smear, echo = int(rng.integers(1, 4)), float(rng.choice([0.0, rng.uniform(0.05, 0.2)]))
    delay, sigma = int(rng.integers(2, 14)), float(rng.uniform(3, 5 + 6 * share))
    jitter = float(rng.choice([0.0, rng.uniform(0.2, 1.2)]))
    result = []
    for frame in frames:
        planes = cv2.cvtColor(frame, cv2.COLOR_RGB2YCrCb)
        luma = cv2.blur(planes[:, :, 0], (smear, 1))
        colour = np.roll(cv2.blur(planes[:, :, 1:], (9, 1)), int(rng.integers(0, 4)), axis=1)
        picture = cv2.cvtColor(np.dstack([luma, colour]), cv2.COLOR_YCrCb2RGB)
        if echo:
            picture = cv2.addWeighted(picture, 1 - echo, np.roll(picture, delay, axis=1), echo, 0)
        if jitter:
            picture = _jittered(_picture(picture), jitter, rng)
        result.append(_noisy(_picture(picture), sigma, int(rng.integers(1, 4)), rng))
    return result


def _jittered(picture: Picture, sigma: float, rng: np.random.Generator) -> Picture:
    height, width = picture.shape[:2]
    shift = rng.normal(0, sigma, (height, 1)).astype(np.float32)
    columns = np.arange(width, dtype=np.float32)[None, :] + shift
    rows = np.repeat(np.arange(height, dtype=np.float32)[:, None], width, axis=1)
    return _picture(cv2.remap(picture, columns, rows, cv2.INTER_LINEAR))
