"""The network: separable convolutions, two pixels of width to a step, CTC at the end."""

from __future__ import annotations

import copy
import warnings
from dataclasses import asdict, dataclass
from pathlib import Path

import torch
from torch import nn
from torch.nn.utils.fusion import fuse_conv_bn_eval

from extractor.reading.readers.ctc import CLASSES
from extractor.reading.readers.network import HEIGHT_PX

#: Only operations that OpenCV's network engine runs, and runs fast: a full convolution on few
#: rows costs it four times a separable one of equal reach.


@dataclass(frozen=True, slots=True)
class Shape:
    """Channels of the stages of 16, 8, 4 and 1 rows, and blocks in the last three.

    `lean` folds rows together by separable convolutions, too: the two full ones between the
    stages cost OpenCV two fifths of the time.
    """

    stem: int
    early: int
    late: int
    row: int
    early_blocks: int
    late_blocks: int
    row_blocks: int
    lean: bool


SHAPES = {
    "wide": Shape(32, 64, 160, 288, 3, 4, 6, lean=False),
    "medium": Shape(24, 48, 112, 208, 3, 4, 5, lean=False),
    "narrow": Shape(24, 48, 96, 176, 2, 3, 5, lean=True),
}


class _Block(nn.Module):
    """A depthwise and a pointwise convolution beside a shortcut."""

    def __init__(self, channels: int, kernel: tuple[int, int]) -> None:
        super().__init__()
        padding = kernel[0] // 2, kernel[1] // 2
        self.depth = nn.Conv2d(
            channels, channels, kernel, padding=padding, groups=channels, bias=False
        )
        self.depth_norm = nn.BatchNorm2d(channels)
        self.point = nn.Conv2d(channels, channels, 1, bias=False)
        self.point_norm = nn.BatchNorm2d(channels)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        y = torch.relu(self.depth_norm(self.depth(x)))
        return torch.relu(x + self.point_norm(self.point(y)))


class _Step(nn.Module):
    """A convolution, its norm and a rectifier."""

    def __init__(
        self, inputs: int, outputs: int, kernel: tuple[int, int], stride: tuple[int, int],
        padding: tuple[int, int], groups: int = 1,
    ) -> None:  # fmt: skip
        super().__init__()
        self.conv = nn.Conv2d(inputs, outputs, kernel, stride, padding, groups=groups, bias=False)
        self.norm = nn.BatchNorm2d(outputs)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        return torch.relu(self.norm(self.conv(x)))


def _point(inputs: int, outputs: int) -> _Step:
    return _Step(inputs, outputs, (1, 1), (1, 1), (0, 0))


class LineNetwork(nn.Module):
    """Scores (crops, CLASSES, 1, width / 2) from crops (crops, 3, HEIGHT_PX, width)."""

    def __init__(self, shape: Shape) -> None:
        super().__init__()
        self.shape = shape
        stem, early, late, row = shape.stem, shape.early, shape.late, shape.row
        layers: list[nn.Module] = [_Step(3, stem, (3, 3), (2, 2), (1, 1))]
        if shape.lean:
            layers += [_Step(stem, stem, (3, 3), (2, 1), (1, 1), groups=stem), _point(stem, early)]
        else:
            layers += [_Step(stem, early, (3, 3), (2, 1), (1, 1))]
        layers += [_Block(early, (3, 3)) for _ in range(shape.early_blocks)]
        layers += [_Step(early, early, (3, 3), (2, 1), (1, 1), groups=early), _point(early, late)]
        layers += [_Block(late, (3, 3)) for _ in range(shape.late_blocks)]
        fold = HEIGHT_PX // 8, 1
        if shape.lean:
            layers += [_point(late, row), _Step(row, row, fold, (1, 1), (0, 0), groups=row)]
        else:
            layers += [_Step(late, row, fold, (1, 1), (0, 0))]
        layers += [_Block(row, (1, 7)) for _ in range(shape.row_blocks)]
        self.body = nn.Sequential(*layers)
        self.drop = nn.Dropout(0.1)
        self.head = nn.Conv2d(shape.row, CLASSES, 1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """Return the scores."""
        return self.head(self.drop(self.body(x)))


def fused(network: LineNetwork) -> LineNetwork:
    """Return a copy for use, its norms folded into the convolutions before them."""
    network = copy.deepcopy(network).eval()
    for module in network.modules():
        if isinstance(module, _Step):
            module.conv = fuse_conv_bn_eval(module.conv, module.norm)
            module.norm = nn.Identity()
        elif isinstance(module, _Block):
            module.depth = fuse_conv_bn_eval(module.depth, module.depth_norm)
            module.point = fuse_conv_bn_eval(module.point, module.point_norm)
            module.depth_norm, module.point_norm = nn.Identity(), nn.Identity()
    return network


def save(network: LineNetwork, path: Path) -> None:
    """Write a checkpoint: the shape and the weights."""
    torch.save({"shape": asdict(network.shape), "weights": network.state_dict()}, path)


def load(path: Path) -> LineNetwork:
    """Read a checkpoint written by `save`."""
    content = torch.load(path, map_location="cpu", weights_only=True)
    network = LineNetwork(Shape(**content["shape"]))
    network.load_state_dict(content["weights"])
    return network.eval()


def export(network: LineNetwork, path: Path) -> None:
    """Write the network as ONNX for batches of any size and width."""
    with warnings.catch_warnings():  # the newer exporter writes what OpenCV does not read
        warnings.simplefilter("ignore", DeprecationWarning)
        torch.onnx.export(
            fused(network),
            (torch.zeros(2, 3, HEIGHT_PX, 160),),
            str(path),
            input_names=["crops"],
            output_names=["scores"],
            dynamic_axes={"crops": {0: "batch", 3: "width"}, "scores": {0: "batch", 3: "steps"}},
            opset_version=17,
            dynamo=False,
        )
