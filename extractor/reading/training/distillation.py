"""Learning from other networks: how sure to be where what they read can be doubted.

A label says what was drawn, not whether anyone could have read it. Two networks trained apart
agree where it can be read and differ where it cannot: the probability that they give to what
each of them reads, and to the label, is what a third learns here (knowledge distillation:
Hinton, Vinyals and Dean, Distilling the knowledge in a neural network, arXiv 1503.02531, here
over whole strings, as the networks place their signs at different steps).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

import torch

from extractor.reading.training.likelihood import ctc_loss, likelihood_of
from extractor.reading.training.model import LineNetwork, fused

#: Share of the loss that comes from the label alone.
LABEL_SHARE = 0.5
#: Below this probability of everything proposed, the label alone counts.
_LEAST = 1e-6

#: Labels (crops, longest) on the device and their lengths (crops,) on the CPU.
Labels: TypeAlias = tuple[torch.Tensor, torch.Tensor]


class Teachers:
    """Networks that are asked, not changed."""

    def __init__(self, networks: Sequence[LineNetwork], device: torch.device) -> None:
        self._networks = [
            fused(network).to(device).to(memory_format=torch.channels_last) for network in networks
        ]

    def tables(self, pictures: torch.Tensor) -> list[torch.Tensor]:
        """Return the logarithms of probabilities that each gives, (steps, crops, classes)."""
        return [table_of(network, pictures) for network in self._networks]


def table_of(network: LineNetwork, pictures: torch.Tensor) -> torch.Tensor:
    """Return logarithms of probabilities (steps, crops, classes), in half precision on a GPU."""
    kind = pictures.device.type
    with torch.autocast(kind, torch.bfloat16, enabled=kind == "cuda"):
        scores = network(pictures)
    return scores.float().squeeze(2).permute(2, 0, 1).log_softmax(2)


def best_labels(table: torch.Tensor, steps: torch.Tensor, longest: int) -> Labels:
    """Return what stands along the most probable signs, cut at `longest` signs."""
    inside = torch.arange(table.shape[0])[:, None] < steps[None]
    codes = table.argmax(2) * inside.to(table.device)
    before = torch.cat([torch.zeros_like(codes[:1]), codes[:-1]])
    new = (codes != 0) & (codes != before)
    place = new.long().cumsum(0) - 1
    place = torch.where(new & (place < longest), place, longest)
    labels = torch.zeros((table.shape[1], longest + 1), dtype=torch.int64, device=table.device)
    labels = labels.scatter_(1, place.T, codes.T)[:, :longest].contiguous()
    return labels, new.sum(0).clamp(max=longest).cpu()


def shares(
    tables: Sequence[torch.Tensor], steps: torch.Tensor, proposed: Sequence[Labels]
) -> torch.Tensor:
    """Return how the teachers share belief among what is proposed, (proposals, crops).

    The mean of their string probabilities, made to add up to 1; a proposal that repeats an
    earlier one gets 0, and where none is believed the first gets all.
    """
    rows = []
    for index, (labels, lengths) in enumerate(proposed):
        each = [likelihood_of(table, labels, steps, lengths) for table in tables]
        belief = torch.stack(each).mean(0)
        for earlier, their_lengths in proposed[:index]:
            same = (labels == earlier).all(1) & (lengths == their_lengths).to(labels.device)
            belief = belief * ~same
        rows.append(belief)
    result = torch.stack(rows)
    first = torch.zeros_like(result)
    first[0] = 1.0
    result = torch.where(result.sum(0) > _LEAST, result, first)
    return result / result.sum(0)


def softened_loss(
    table: torch.Tensor,
    label: Labels,
    steps: torch.Tensor,
    of_teachers: Sequence[torch.Tensor],
) -> torch.Tensor:
    """Return the loss of each crop against its label and what the teachers believe.

    Parameters
    ----------
    table : float tensor (steps, crops, classes)
        Logarithms of the learner's probabilities.
    label : Labels
        What was drawn.
    steps : int64 tensor (crops,) on the CPU
    of_teachers : sequence of tensors like `table`
        From `Teachers.tables`, for the same pictures.
    """
    with torch.no_grad():
        longest = label[0].shape[1]
        proposed = [label, *(best_labels(other, steps, longest) for other in of_teachers)]
        weights = shares(of_teachers, steps, proposed)
    losses = torch.stack([ctc_loss(table, labels, steps, n) for labels, n in proposed])
    return LABEL_SHARE * losses[0] + (1 - LABEL_SHARE) * (weights * losses).sum(0)
