"""Pictures as the content of PNG and JPEG files."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

JPEG_QUALITY = 88


def png(picture: npt.NDArray[np.uint8]) -> bytes:
    """Return an RGB picture as a PNG file's content."""
    return cv2.imencode(".png", picture[..., ::-1])[1].tobytes()


def jpeg(picture: npt.NDArray[np.uint8], width: int) -> bytes:
    """Return an RGB picture as a JPEG file's content, at most `width` pixels wide."""
    if width < picture.shape[1]:
        height = max(1, round(picture.shape[0] * width / picture.shape[1]))
        small = cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA)
        picture = np.asarray(small, np.uint8)
    quality = [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY]
    return cv2.imencode(".jpg", picture[..., ::-1], quality)[1].tobytes()
