"""The training loop: render, train, judge on held-out families, save."""

from __future__ import annotations

import math
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from torch.optim.swa_utils import AveragedModel, get_ema_multi_avg_fn

from extractor.reading.readers.ctc import SIGNS, best_path, string_probability
from extractor.reading.training.augment import disturbed, normalised, steps, stretched
from extractor.reading.training.distillation import Teachers, softened_loss, table_of
from extractor.reading.training.likelihood import ctc_loss
from extractor.reading.training.model import SHAPES, LineNetwork, load, save, settle
from extractor.reading.training.pool import Packed, Renderers, Store

#: Packs that wait before they are copied to the device; fewer where there are few in all.
ADDED_AT_ONCE = 16


@dataclass(frozen=True, slots=True)
class Plan:
    """How long and on how much to train.

    `chunks` of `scenes` scenes are rendered; one scene gives about 150 crops. `steps` batches
    of `batch` crops are drawn from those rendered so far; the first step waits for
    `head_start` of the chunks. `minutes`, where given, ends the schedule by then and takes
    chunks as they come; without it the same plan sees the same data at the same step.
    """

    seed: int
    chunks: int
    scenes: int
    steps: int
    batch: int
    rate: float
    head_start: float
    validation_chunks: int
    minutes: float | None


class _Learner:
    """One network on one device with its optimiser, schedule and running average."""

    def __init__(
        self,
        name: str,
        network: LineNetwork,
        device: torch.device,
        plan: Plan,
        seed: int,
        teachers: Teachers | None = None,
    ) -> None:
        self.name, self.plan, self.teachers = name, plan, teachers
        self.network = network.to(device).to(memory_format=torch.channels_last)
        decay = [p for p in network.parameters() if p.ndim > 1]
        plain = [p for p in network.parameters() if p.ndim <= 1]
        groups = [{"params": decay, "weight_decay": 0.02}, {"params": plain, "weight_decay": 0.0}]
        self.optimiser = torch.optim.AdamW(
            groups, lr=plan.rate, betas=(0.9, 0.98), fused=device.type == "cuda"
        )
        self.average = AveragedModel(
            self.network,
            multi_avg_fn=get_ema_multi_avg_fn(min(0.999, 1 - 8 / plan.steps)),
            use_buffers=True,
        )
        self.store = Store(device)
        self.validation = Store(device)
        self.device = device
        self.here = torch.Generator().manual_seed(seed)
        self.there = torch.Generator(device).manual_seed(seed)
        self.loss = torch.zeros((), device=device)

    def step(self, progress: float) -> None:
        """Take one step on crops of one padded width."""
        rate = self.plan.rate * min(1.0, progress / 0.02 + 0.01)
        rate *= 0.5 * (1 + math.cos(math.pi * progress)) + 1e-3
        for group in self.optimiser.param_groups:
            group["lr"] = rate
        pictures, widths, labels, lengths = self._batch()
        table = table_of(self.network, pictures)
        if self.teachers is None:
            losses = ctc_loss(table, labels, steps(widths), lengths)
        else:
            with torch.no_grad():
                of_teachers = self.teachers.tables(pictures)
            losses = softened_loss(table, (labels, lengths), steps(widths), of_teachers)
        loss = losses.sum() / len(lengths)
        self.optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(self.network.parameters(), 4.0)
        self.optimiser.step()
        self.average.update_parameters(self.network)
        self.loss = 0.99 * self.loss + 0.01 * loss.detach()

    def settle(self) -> None:
        """Fit a network that comes from an ONNX file to the data before the first step."""
        settle(self.network, self._batch()[0])

    def _batch(self) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor, torch.Tensor]:
        shelves = self.store.shelves
        counts = torch.tensor([float(shelf.count) for shelf in shelves.values()])
        width = list(shelves)[int(torch.multinomial(counts, 1, generator=self.here))]
        shelf = shelves[width]
        size = max(16, self.plan.batch * 128 // width)
        index = torch.randint(shelf.count, (size,), generator=self.here)
        on_device = index.to(self.device)
        pictures, widths = stretched(
            shelf.pictures[on_device].float(), shelf.widths[index], self.here
        )
        pictures = normalised(disturbed(pictures, self.there), widths)
        pictures = pictures.to(memory_format=torch.channels_last)
        return pictures, widths, shelf.labels[on_device].long(), shelf.lengths[index].long()


def train(
    plan: Plan,
    renderers: Renderers,
    shapes: list[str],
    start: Path | None,
    out: Path,
    say: Callable[[str], None],
    teachers: Sequence[Path] = (),
) -> None:
    """Train one network for each name in `shapes`, each on a device of its own if there are.

    All see the same crops, each in an order of its own and from other first weights: a shape
    named twice shows how far the result depends on these. With `teachers` (checkpoints or ONNX
    files) they also learn from what those read (`distillation`). Checkpoints are written to
    `out` as ``<shape>.pt`` (``<shape>-2.pt``) five times on the way.
    """
    torch.manual_seed(plan.seed)
    _repeatable()
    learners = []
    for index, name in enumerate(shapes):
        network = load(start).train() if start is not None else LineNetwork(SHAPES[name])
        again = shapes[:index].count(name)
        own = f"{name}-{again + 1}" if again else name
        device = _device(index)
        asked = Teachers([load(path) for path in teachers], device) if teachers else None
        learners.append(_Learner(own, network, device, plan, plan.seed + index, asked))
    began = time.monotonic()
    for packs in renderers.stream(True, plan.seed, plan.validation_chunks, plan.scenes):
        for learner in learners:
            learner.validation.add([packs])
    say(f"{learners[0].validation.count} validation crops, {time.monotonic() - began:.0f} s")
    stream = renderers.stream(False, plan.seed, plan.chunks, plan.scenes)
    rendered, taken, waited, next_save = 0, 0, 0.0, 0.2
    arrived: list[dict[int, Packed]] = []
    for step in range(plan.steps):
        progress = step / plan.steps
        if plan.minutes is not None:
            progress = max(progress, (time.monotonic() - began) / 60 / plan.minutes)
        if progress >= 1.0:
            break
        needed = plan.chunks * min(1.0, plan.head_start + step / plan.steps / 0.9)
        first = plan.chunks * plan.head_start
        before = time.monotonic()
        while rendered < first or stream.ready() if plan.minutes else rendered < needed:
            try:
                packs = next(stream)
            except StopIteration:
                break
            rendered += 1
            arrived.append(packs)
        enough = min(ADDED_AT_ONCE, 1 + plan.chunks // 50)
        if len(arrived) >= enough or rendered == plan.chunks or not learners[0].store.count:
            for learner in learners:
                learner.store.add(arrived)
            arrived.clear()
        waited += time.monotonic() - before
        if step == 0 and start is not None and start.suffix == ".onnx":
            for learner in learners:
                learner.settle()
        for learner in learners:
            learner.step(progress)
        taken = step + 1
        if progress >= next_save:
            next_save += 0.2
            _report(learners, step, rendered, waited, began, out, say)
    _report(learners, taken, rendered, waited, began, out, say)


def _repeatable() -> None:
    """Let the same command on the same kind of machine give the same weights, bit for bit."""
    os.environ.setdefault("CUBLAS_WORKSPACE_CONFIG", ":4096:8")
    torch.use_deterministic_algorithms(True)
    torch.utils.deterministic.fill_uninitialized_memory = False
    torch.backends.cudnn.benchmark = False


def _device(index: int) -> torch.device:
    if torch.cuda.is_available():
        return torch.device("cuda", index % torch.cuda.device_count())
    return torch.device("cpu")


def _report(
    learners: list[_Learner], step: int, rendered: int, waited: float, began: float, out: Path,
    say: Callable[[str], None],
) -> None:  # fmt: skip
    for learner in learners:
        average = learner.average.module
        save(average, out / f"{learner.name}.pt")
        right, probability, empty = judge(average, learner.validation)
        gated = probability >= np.quantile(probability, 0.2)
        say(
            f"{time.monotonic() - began:4.0f} s, waited {waited:3.0f} s, {learner.name} "
            f"step {step}, {rendered} chunks, {learner.store.count} crops, "
            f"loss {float(learner.loss):.4f}; "
            f"held out: right {right.mean():.4f}, "
            f"wrong in the surest 80 %: {(~right[gated]).mean():.5f}, "
            f"passing 0.9: {(probability >= 0.9).mean():.4f}, "
            f"empty ones right {right[empty].mean():.4f}"
        )


def judge(network: LineNetwork, store: Store) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return for every crop: whether it is read right, its string probability, if it is empty."""
    right, probability, empty = [], [], []
    network.eval()
    with torch.inference_mode():
        for shelf in store.shelves.values():
            for first in range(0, shelf.count, 512):
                span = slice(first, min(first + 512, shelf.count))
                widths = shelf.widths[span]
                scores = network(normalised(shelf.pictures[span].float(), widths))
                tables = scores.squeeze(2).float().softmax(1).permute(0, 2, 1).cpu().numpy()
                cut = [table[:n] for table, n in zip(tables, steps(widths).tolist(), strict=True)]
                labels = [best_path(table)[0] for table in cut]
                truth = [
                    "".join(SIGNS[code - 1] for code in row[:length])
                    for row, length in zip(
                        shelf.labels[span].tolist(), shelf.lengths[span].tolist(), strict=True
                    )
                ]
                right += [_core(a) == _core(b) for a, b in zip(labels, truth, strict=True)]
                probability += string_probability(cut, labels).tolist()
                empty += [not label for label in truth]
    network.train()
    return np.array(right), np.array(probability), np.array(empty)


def _core(label: str) -> str:
    """Return the label without letters and spaces around its number."""
    return label.strip("~ ") or label
