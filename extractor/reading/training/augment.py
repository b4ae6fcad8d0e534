"""Changes to a batch on the training device: stretch, shift, noise, blur, inversion."""

from __future__ import annotations

import torch
import torch.nn.functional as functional

from extractor.reading.readers.network import CHROMA_SCALE, LEAST_SPREAD, STEP_PX


def stretched(
    pictures: torch.Tensor, widths: torch.Tensor, generator: torch.Generator
) -> tuple[torch.Tensor, torch.Tensor]:
    """Stretch each crop by up to a seventh each way, shift and shear it a little.

    Parameters
    ----------
    pictures : float tensor (n, 3, height, padded width)
    widths : int tensor (n,) on the CPU
    generator : torch.Generator
        On the CPU.

    Returns
    -------
    pictures, widths
        Of the same shapes; beyond a width the picture holds rubbish to be masked.
    """
    count, _, height, padded = pictures.shape
    draw = torch.rand(5, count, generator=generator)
    scale_x = 1.0 + 0.3 * (draw[0] - 0.5)
    new_widths = (widths * scale_x).round().clamp(8, padded).to(torch.int64)
    step_x = widths / new_widths
    step_y = 1.0 + 0.24 * (draw[1] - 0.4)
    middle = (height - 1) / 2
    shift_y = middle * (1 - step_y) + 2.4 * (draw[2] - 0.5)
    shear = 0.3 * (draw[3] - 0.5) * (draw[4] < 0.5)
    device = pictures.device
    x = torch.arange(padded, device=device, dtype=torch.float32)
    y = torch.arange(height, device=device, dtype=torch.float32)
    step_x, step_y, shift_y, shear = (
        value.to(device)[:, None, None] for value in (step_x, step_y, shift_y, shear)
    )
    rows = (y[None, :, None] * step_y + shift_y).expand(-1, -1, padded)
    columns = (x[None, None, :] + 0.5) * step_x - 0.5 + shear * (y[None, :, None] - middle)
    columns = torch.minimum(columns.clamp(min=0.0), widths.to(device)[:, None, None] - 1.0)
    grid = torch.stack([2 * columns / (padded - 1) - 1, 2 * rows / (height - 1) - 1], dim=3)
    moved = functional.grid_sample(
        pictures, grid, mode="bilinear", padding_mode="border", align_corners=True
    )
    return moved, new_widths


def disturbed(pictures: torch.Tensor, generator: torch.Generator) -> torch.Tensor:
    """Add noise and blur to some, invert some, take the colour from some (generator on device)."""
    count = pictures.shape[0]
    draw = torch.rand(6, count, 1, 1, 1, device=pictures.device, generator=generator)
    blurred = functional.avg_pool2d(
        functional.pad(pictures, (1, 1, 1, 1), mode="replicate"), 3, stride=1
    )
    weight = draw[0] * (draw[1] < 0.15)
    pictures = pictures * (1 - weight) + blurred * weight
    noise = torch.randn(pictures.shape, device=pictures.device, generator=generator)
    pictures = pictures + noise * (10.0 * draw[2] ** 2) * (draw[3] < 0.4)
    pictures = torch.where(draw[4] < 0.1, 255.0 - pictures, pictures)
    grey = torch.cat([pictures[:, :1], torch.full_like(pictures[:, 1:], 128.0)], dim=1)
    return torch.where(draw[5] < 0.1, grey, pictures).clamp(0.0, 255.0)


def normalised(pictures: torch.Tensor, widths: torch.Tensor) -> torch.Tensor:
    """`extractor.reading.readers.network.normalised` for a padded batch; padding becomes 0."""
    widths = widths.to(pictures.device)[:, None, None, None]
    inside = torch.arange(pictures.shape[3], device=pictures.device)[None, None, None] < widths
    size = widths * pictures.shape[2]
    mean = (pictures * inside).sum(dim=(2, 3), keepdim=True) / size
    centred = (pictures - mean) * inside
    spread = (centred[:, :1].square().sum(dim=(2, 3), keepdim=True) / size).sqrt()
    luma = centred[:, :1] / spread.clamp(min=LEAST_SPREAD)
    return torch.cat([luma, centred[:, 1:] / CHROMA_SCALE], dim=1)


def steps(widths: torch.Tensor) -> torch.Tensor:
    """Output steps that belong to crops of these widths."""
    return -(-widths.to(torch.int64) // STEP_PX)
