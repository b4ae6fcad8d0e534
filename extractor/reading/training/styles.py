"""How overlays are painted: colours, outlines, shadows, boxes, translucency."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from extractor.reading.training.lettering import Lettering, Mask

Colour = npt.NDArray[np.float32]
#: float32 (height, width, 4): red, green, blue times alpha (0 to 255), alpha (0 to 1).
Layer = npt.NDArray[np.float32]

_PALETTE = (
    (255, 255, 255), (255, 255, 255), (235, 235, 235), (0, 255, 0), (60, 230, 90), (255, 235, 0),
    (255, 170, 0), (255, 60, 40), (0, 230, 255), (120, 190, 255), (255, 90, 220), (0, 0, 0),
    (20, 20, 20), (160, 255, 160), (200, 200, 200),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Style:
    """One way of painting a line. Widths in pixels, opacities 0 to 1."""

    fill: Colour
    opacity: float
    outline: Colour
    outline_px: int
    outline_opacity: float
    shadow_px: tuple[int, int]
    shadow_blur: float
    box: Colour
    box_opacity: float
    box_margin_px: tuple[int, int]
    ghost_opacity: float


def sample_style(height_px: float, rng: np.random.Generator) -> Style:
    """Draw a style for lettering of about `height_px`."""
    fill = _colour(rng)
    dark = fill.mean() < 110
    kind = rng.random()
    outlined, shadowed, boxed = kind < 0.3, 0.25 < kind < 0.47, kind > 0.8
    if rng.random() < 0.12:
        boxed = True
    opposite = np.full(3, rng.uniform(190, 255) if dark else rng.uniform(0, 60), np.float32)
    weight = max(1, round(height_px * float(rng.uniform(0.02, 0.1))))
    box = opposite if rng.random() < 0.7 else _colour(rng)
    if abs(float(box.mean() - fill.mean())) < 40:
        box = opposite
    offset = max(1, round(height_px * float(rng.uniform(0.03, 0.12))))
    return Style(
        fill=fill,
        opacity=float(rng.uniform(0.4, 0.95)) if rng.random() < 0.35 else 1.0,
        outline=opposite,
        outline_px=weight if outlined else 0,
        outline_opacity=float(rng.uniform(0.5, 1.0)),
        shadow_px=(offset * int(rng.integers(-1, 2)), offset) if shadowed else (0, 0),
        shadow_blur=float(rng.choice([0.0, rng.uniform(0.5, 3.0)])),
        box=box,
        box_opacity=float(rng.choice([1.0, rng.uniform(0.2, 0.9)])) if boxed else 0.0,
        box_margin_px=(
            round(height_px * float(rng.uniform(0.02, 0.6))),
            round(height_px * float(rng.uniform(0.02, 0.45))),
        ),
        ghost_opacity=float(rng.choice([0.0, 0.0, rng.uniform(0.03, 0.16)])),
    )


def recoloured(style: Style, rng: np.random.Generator) -> Style:
    """Return the style with another fill, as overlays that colour by value have it."""
    values = {name: getattr(style, name) for name in Style.__slots__}
    return Style(**values | {"fill": _colour(rng)})


def _colour(rng: np.random.Generator) -> Colour:
    if rng.random() < 0.12:
        return rng.uniform(0, 255, 3).astype(np.float32)
    return np.array(_PALETTE[int(rng.integers(len(_PALETTE)))], dtype=np.float32)


def paint_box(layer: Layer, size: tuple[int, int], style: Style, x: int, y: int) -> None:
    """Paint the box behind a line whose ink is of `size` (width, height) at x, y."""
    if style.box_opacity:
        across, down = style.box_margin_px
        box = np.full((size[1] + 2 * down, size[0] + 2 * across), style.box_opacity, np.float32)
        _over(layer, box, style.box, x - across, y - down)


def paint(layer: Layer, line: Lettering, style: Style, x: int, y: int) -> None:
    """Paint a line with its top left at x, y of the layer; what falls outside is cut."""
    reach = style.outline_px + 3 + int(style.shadow_blur * 3)
    margin = reach + max(abs(v) for v in style.shadow_px) + 1
    ink = _unit(np.pad(line.ink, margin))
    if style.shadow_px != (0, 0):
        shadow = np.roll(ink, style.shadow_px[::-1], axis=(0, 1))
        if style.shadow_blur:
            shadow = np.asarray(cv2.GaussianBlur(shadow, (0, 0), style.shadow_blur), np.float32)
        shade = shadow * style.outline_opacity * style.opacity
        _over(layer, shade, style.outline, x - margin, y - margin)
    if style.outline_px:
        size = 2 * style.outline_px + 1
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
        rim = np.asarray(cv2.dilate(ink, kernel), dtype=np.float32)
        rim = rim * style.outline_opacity * style.opacity
        _over(layer, rim, style.outline, x - margin, y - margin)
    if line.ghost is not None and style.ghost_opacity:
        ghost = np.pad(_unit(line.ghost), margin) * style.ghost_opacity
        _over(layer, ghost, style.fill, x - margin, y - margin)
    _over(layer, ink * style.opacity, style.fill, x - margin, y - margin)


def _unit(mask: Mask) -> npt.NDArray[np.float32]:
    return np.asarray(mask / np.float32(255.0), dtype=np.float32)


def _over(layer: Layer, alpha: npt.NDArray[np.float32], colour: Colour, x: int, y: int) -> None:
    """Lay one colour over the layer, alpha (height, width) from 0 to 1."""
    top, left = max(0, y), max(0, x)
    bottom = min(layer.shape[0], y + alpha.shape[0])
    right = min(layer.shape[1], x + alpha.shape[1])
    if bottom <= top or right <= left:
        return
    part = alpha[top - y : bottom - y, left - x : right - x, None]
    target = layer[top:bottom, left:right]
    target *= 1.0 - part
    target[:, :, :3] += part * colour
    target[:, :, 3:] += part
