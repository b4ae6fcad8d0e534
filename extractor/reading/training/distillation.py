"""Learning from a wider network beside it: how sure to be where what is read can be doubted.

A label says what was drawn, not whether anyone could have read it. A narrow network learns by
half from the label, by half from what a wide one, which learns at the same time from labels
alone, gives each sign at each step (knowledge distillation: Hinton, Vinyals and Dean, Distilling
the knowledge in a neural network, arXiv 1503.02531).
"""

from __future__ import annotations

import copy

import torch

from extractor.reading.training.likelihood import ctc_loss
from extractor.reading.training.model import LineNetwork

#: Share of the loss that comes from the label alone.
LABEL_SHARE = 0.5
#: The teacher knows nothing at first: its share grows over this part of the training.
_GROWTH = 0.15


class Teacher:
    """A copy of a learning network, on the device of those that learn from it."""

    def __init__(self, network: LineNetwork, device: torch.device) -> None:
        self._source = network
        self._copy = copy.deepcopy(network).to(device).eval()

    def refresh(self) -> None:
        """Take over what the network has learnt since."""
        self._copy.load_state_dict(self._source.state_dict())

    @torch.no_grad()
    def table(self, pictures: torch.Tensor) -> torch.Tensor:
        """Return the logarithms of the probabilities that it gives, (steps, crops, classes)."""
        return table_of(self._copy, pictures)


def table_of(network: LineNetwork, pictures: torch.Tensor) -> torch.Tensor:
    """Return logarithms of probabilities (steps, crops, classes), in half precision on a GPU."""
    kind = pictures.device.type
    with torch.autocast(kind, torch.bfloat16, enabled=kind == "cuda"):
        scores = network(pictures)
    return scores.float().squeeze(2).permute(2, 0, 1).log_softmax(2)


def divergence(table: torch.Tensor, other: torch.Tensor, steps: torch.Tensor) -> torch.Tensor:
    """Return how far each crop's table is from another one, in nats, added up over its steps.

    The Kullback-Leibler divergence of `table` from `other`; both are (steps, crops, classes),
    `steps` (crops,) is on the CPU.
    """
    inside = torch.arange(table.shape[0])[:, None] < steps[None]
    apart = (other.exp() * (other - table)).sum(2)
    return (apart * inside.to(table.device)).sum(0)


def guided_loss(
    table: torch.Tensor,
    label: tuple[torch.Tensor, torch.Tensor],
    steps: torch.Tensor,
    of_teacher: torch.Tensor | None,
    progress: float,
) -> torch.Tensor:
    """Return the loss of each crop against its label and what the teacher says.

    Parameters
    ----------
    table : float tensor (steps, crops, classes)
        Logarithms of the learner's probabilities.
    label : tensors (crops, longest) and (crops,)
        What was drawn, on the device, and its lengths, on the CPU.
    steps : int64 tensor (crops,) on the CPU
    of_teacher : tensor like `table`, or None
        None: the label alone counts.
    progress : float
        Share of the training that is over, 0 to 1.
    """
    loss = ctc_loss(table, label[0], steps, label[1])
    if of_teacher is None:
        return loss
    share = (1 - LABEL_SHARE) * min(1.0, progress / _GROWTH)
    return (1 - share) * loss + share * divergence(table, of_teacher, steps)
