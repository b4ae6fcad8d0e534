"""Connectionist temporal classification with a gradient that adds up in a fixed order."""

from __future__ import annotations

from typing import Any

import torch


class _Likelihood(torch.autograd.Function):
    """Negative log likelihood; forward and backward variables from PyTorch's own recursion.

    PyTorch's gradient on a graphics processor adds in the order in which threads finish, so
    that no run repeats another. Here the same recursion is run on the sequences and on the
    reversed sequences, and the posterior of each label position is summed up by a matrix
    product.
    """

    @staticmethod
    def forward(
        ctx: Any,
        table: torch.Tensor,
        labels: torch.Tensor,
        steps: torch.Tensor,
        lengths: torch.Tensor,
    ) -> torch.Tensor:
        count, most = labels.shape
        device = table.device
        sizes = steps.tolist(), lengths.tolist()
        loss, ahead = torch._ctc_loss(table, labels, *sizes, 0, False)
        possible = torch.isfinite(loss)
        steps_there, lengths_there = steps.to(device), lengths.to(device)

        time = torch.arange(table.shape[0], device=device)
        turned = (steps_there[:, None] - 1 - time) % table.shape[0]
        place = torch.arange(most, device=device)
        turned_place = (lengths_there[:, None] - 1 - place) % most
        reversed_table = table.gather(0, turned.T[:, :, None].expand_as(table))
        reversed_labels = labels.gather(1, turned_place)
        _, behind = torch._ctc_loss(reversed_table, reversed_labels, *sizes, 0, False)

        states = ahead.shape[2]
        state = torch.arange(states, device=device)
        turned_state = (2 * lengths_there[:, None] - state) % states
        behind = behind.gather(1, turned[:, :, None].expand_as(behind))
        behind = behind.gather(2, turned_state[:, None, :].expand_as(behind))

        spelled = torch.zeros((count, states), dtype=torch.int64, device=device)
        spelled[:, 1::2] = labels[:, : states // 2]
        own = table.permute(1, 0, 2).gather(2, spelled[:, None, :].expand_as(ahead))
        inside = (time[None, :, None] < steps_there[:, None, None]) & (
            state[None, None, :] <= 2 * lengths_there[:, None, None]
        )
        posterior = (ahead + behind - own + loss[:, None, None]).exp()
        posterior = torch.where(inside & possible[:, None, None], posterior, 0.0)
        sign = torch.arange(table.shape[2], device=device)
        spells = (spelled[:, :, None] == sign).to(posterior.dtype)
        ctx.save_for_backward(-torch.bmm(posterior, spells).permute(1, 0, 2))
        return torch.where(possible, loss, 0.0)

    @staticmethod
    def backward(ctx: Any, *gradients: torch.Tensor) -> tuple[torch.Tensor | None, ...]:
        (slope,) = ctx.saved_tensors
        return slope * gradients[0][None, :, None], None, None, None


def ctc_loss(
    table: torch.Tensor, labels: torch.Tensor, steps: torch.Tensor, lengths: torch.Tensor
) -> torch.Tensor:
    """Return the negative log likelihood of each label, 0 where no path can spell it.

    Parameters
    ----------
    table : float tensor (steps, crops, classes)
        Logarithms of probabilities; class 0 is the blank.
    labels : int64 tensor (crops, longest label)
    steps, lengths : int64 tensors (crops,) on the CPU
        Steps that belong to each crop; signs of each label.

    Notes
    -----
    Graves et al., Connectionist temporal classification, ICML 2006, equations 6 to 16.
    """
    loss: torch.Tensor = _Likelihood.apply(table, labels, steps, lengths)
    return loss
