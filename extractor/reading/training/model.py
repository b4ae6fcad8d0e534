"""The network: separable convolutions, two pixels of width to a step, CTC at the end."""

from __future__ import annotations

import copy
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
    """Channels of the stages of 16, 8, 4 and 1 rows, and blocks in the last three."""

    stem: int = 24
    early: int = 48
    late: int = 96
    row: int = 160
    early_blocks: int = 3
    late_blocks: int = 3
    row_blocks: int = 4


SHAPES = {
    "small": Shape(),
    "medium": Shape(late=112, row=208, late_blocks=4, row_blocks=5),
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


class LineNetwork(nn.Module):
    """Scores (crops, CLASSES, 1, width / 2) from crops (crops, 3, HEIGHT_PX, width)."""

    def __init__(self, shape: Shape) -> None:
        super().__init__()
        self.shape = shape
        layers: list[nn.Module] = [
            _Step(3, shape.stem, (3, 3), (2, 2), (1, 1)),
            _Step(shape.stem, shape.early, (3, 3), (2, 1), (1, 1)),
        ]
        layers += [_Block(shape.early, (3, 3)) for _ in range(shape.early_blocks)]
        layers += [
            _Step(shape.early, shape.early, (3, 3), (2, 1), (1, 1), groups=shape.early),
            _Step(shape.early, shape.late, (1, 1), (1, 1), (0, 0)),
        ]
        layers += [_Block(shape.late, (3, 3)) for _ in range(shape.late_blocks)]
        layers += [_Step(shape.late, shape.row, (HEIGHT_PX // 8, 1), (1, 1), (0, 0))]
        layers += [_Block(shape.row, (1, 7)) for _ in range(shape.row_blocks)]
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
    """Read a checkpoint written by `save`, or the weights in an ONNX file written by `export`.

    Raises
    ------
    ValueError
        If an ONNX file holds no network of `SHAPES`.
    """
    if path.suffix == ".onnx":
        return _from_onnx(path)
    content = torch.load(path, map_location="cpu", weights_only=True)
    network = LineNetwork(Shape(**content["shape"]))
    network.load_state_dict(content["weights"])
    return network.eval()


def _from_onnx(path: Path) -> LineNetwork:
    """Return the network in an ONNX file; its norms do nothing but add, see `settle`."""
    import onnx
    from onnx import numpy_helper

    graph = onnx.load(str(path)).graph
    arrays = {tensor.name: numpy_helper.to_array(tensor) for tensor in graph.initializer}
    for node in graph.node:
        if node.op_type == "Constant":
            arrays[node.output[0]] = numpy_helper.to_array(node.attribute[0].t)
    stored = [
        tuple(torch.from_numpy(arrays[name].copy()) for name in node.input[1:3])
        for node in graph.node
        if node.op_type == "Conv"
    ]
    for shape in SHAPES.values():
        network = LineNetwork(shape).eval()
        convolutions = _convolutions(network)
        if [c.weight.shape for c, _ in convolutions] == [weight.shape for weight, _ in stored]:
            break
    else:
        raise ValueError(f"{path.name}: no network of a known shape ({', '.join(SHAPES)})")
    with torch.no_grad():
        for (convolution, norm), (weight, bias) in zip(convolutions, stored, strict=True):
            convolution.weight.copy_(weight)
            if norm is None:
                assert convolution.bias is not None
                convolution.bias.copy_(bias)
            else:
                norm.weight.fill_((1 + norm.eps) ** 0.5)
                norm.bias.copy_(bias)
    return network


def _convolutions(network: LineNetwork) -> list[tuple[nn.Conv2d, nn.BatchNorm2d | None]]:
    """Return each convolution with the norm behind it, in the order of the forward pass."""
    pairs: list[tuple[nn.Conv2d, nn.BatchNorm2d | None]] = []
    for module in network.modules():
        if isinstance(module, _Step):
            pairs.append((module.conv, module.norm))
        elif isinstance(module, _Block):
            pairs += [(module.depth, module.depth_norm), (module.point, module.point_norm)]
    return [*pairs, (network.head, None)]


@torch.no_grad()
def settle(network: LineNetwork, pictures: torch.Tensor) -> None:
    """Give the norms the statistics of a batch, so that the network can learn on as it is.

    Norms that only add, as those of an ONNX file do, would change what the network says as
    soon as they take their statistics from a batch.
    """
    seen: dict[nn.BatchNorm2d, tuple[torch.Tensor, torch.Tensor]] = {}

    def look(norm: nn.Module, inputs: tuple[torch.Tensor, ...]) -> None:
        assert isinstance(norm, nn.BatchNorm2d)
        values = inputs[0].float()
        seen[norm] = values.mean((0, 2, 3)), values.var((0, 2, 3), correction=0)

    norms = [norm for _, norm in _convolutions(network) if norm is not None]
    handles = [norm.register_forward_pre_hook(look) for norm in norms]
    training = network.training
    network.eval()(pictures)
    network.train(training)
    for handle in handles:
        handle.remove()
    for norm, (mean, variance) in seen.items():
        assert norm.running_mean is not None and norm.running_var is not None
        gain = norm.weight / (norm.running_var + norm.eps).sqrt()
        norm.bias += gain * (mean - norm.running_mean)
        norm.weight.copy_(gain * (variance + norm.eps).sqrt())
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(variance)


def export(network: LineNetwork, path: Path) -> None:
    """Write the network as ONNX for batches of any size and width."""
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
