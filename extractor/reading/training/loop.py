"""The training loop: render, train, judge on held-out families, save."""

from __future__ import annotations

import math
import os
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from torch.optim.swa_utils import AveragedModel, get_ema_multi_avg_fn

from extractor.reading.readers.ctc import SIGNS, best_path, string_probability
from extractor.reading.training.augment import disturbed, normalised, steps, stretched
from extractor.reading.training.distillation import Teacher, guided_loss, table_of
from extractor.reading.training.model import SHAPES, LineNetwork, load, save
from extractor.reading.training.pool import Packed, Renderers, Store

LAYOUT = torch.channels_last
#: Packs that wait before they are copied to the device; fewer where there are few in all.
ADDED_AT_ONCE = 16
#: Decay of the running average of the weights, from step to step.
LONGEST_MEMORY = 0.999
#: Steps over which the rate rises. Not a share of the time: that may pass while packs are awaited.
WARMING_STEPS = 150
#: Steps after which the teacher's copy takes over what it has learnt since.
REFRESHED_EVERY = 50


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


def _averaged(average: list[torch.Tensor], now: list[torch.Tensor], count: int) -> None:
    """Move a running average on; it is short at first, so that it can teach early."""
    decay = min(LONGEST_MEMORY, (1 + int(count)) / (10 + int(count)))
    get_ema_multi_avg_fn(decay)(average, now, count)


def rate_at(highest: float, taken: int, progress: float) -> float:
    """Return the rate after `taken` steps at `progress` (0 to 1): up, then half a cosine."""
    rising = min(1.0, (1 + taken) / WARMING_STEPS)
    return highest * rising * (0.5 * (1 + math.cos(math.pi * progress)) + 1e-3)


class _Learner:
    """One network on one device with its optimiser and running average."""

    def __init__(
        self, name: str, device: torch.device, plan: Plan, start: Path | None = None
    ) -> None:
        self.name, self.plan = name, plan
        network = load(start).train() if start is not None else LineNetwork(SHAPES[name])
        self.network = network.to(device).to(memory_format=LAYOUT)
        decay = [p for p in network.parameters() if p.ndim > 1]
        plain = [p for p in network.parameters() if p.ndim <= 1]
        groups = [{"params": decay, "weight_decay": 0.02}, {"params": plain, "weight_decay": 0.0}]
        self.optimiser = torch.optim.AdamW(
            groups, lr=plan.rate, betas=(0.9, 0.98), fused=device.type == "cuda"
        )
        self.average = AveragedModel(
            self.network,
            multi_avg_fn=_averaged,
            use_buffers=True,
        )
        self.loss = torch.zeros((), device=device)

    def step(self, batch: _Batch, of_teacher: torch.Tensor | None, progress: float) -> None:
        """Take one step on crops of one padded width."""
        rate = rate_at(self.plan.rate, int(self.average.n_averaged), progress)
        for group in self.optimiser.param_groups:
            group["lr"] = rate
        table = table_of(self.network, batch.pictures)
        losses = guided_loss(table, batch.label, steps(batch.widths), of_teacher, progress)
        loss = losses.mean()
        self.optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(self.network.parameters(), 4.0)
        self.optimiser.step()
        self.average.update_parameters(self.network)
        self.loss = 0.99 * self.loss + 0.01 * loss.detach()


@dataclass(frozen=True, slots=True)
class _Batch:
    """Crops as the networks take them, with widths, and labels with their lengths."""

    pictures: torch.Tensor
    widths: torch.Tensor
    label: tuple[torch.Tensor, torch.Tensor]


class _Class:
    """The learners on one device: they see the same batches, and may have a teacher."""

    def __init__(
        self,
        names: list[str],
        device: torch.device,
        plan: Plan,
        seed: int,
        start: Path | None = None,
    ) -> None:
        self.learners = [_Learner(name, device, plan, start) for name in names]
        self.teacher: Teacher | None = None
        self.plan, self.device = plan, device
        self.store, self.validation = Store(device), Store(device)
        self.here = torch.Generator().manual_seed(seed)
        self.there = torch.Generator(device).manual_seed(seed)

    def step(self, progress: float) -> None:
        """Let each learner take a step."""
        batch = self._batch()
        told = None if self.teacher is None else self.teacher.table(batch.pictures)
        for learner in self.learners:
            learner.step(batch, told, progress)

    def _batch(self) -> _Batch:
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
        pictures = pictures.to(memory_format=LAYOUT)
        label = shelf.labels[on_device].long(), shelf.lengths[index].long()
        return _Batch(pictures, widths, label)


def train(
    plan: Plan,
    renderers: Renderers,
    shapes: list[str],
    teacher: str | None,
    start: Path | None,
    out: Path,
    say: Callable[[str], None],
) -> None:
    """Train networks of `shapes`, from nothing or from the checkpoint `start`.

    With a `teacher`, another shape, that one learns from labels at the same time, on a device
    of its own if there are two, and the others learn from it, too. Checkpoints are written to
    `out` as ``<shape>.pt`` five times on the way.
    """
    torch.manual_seed(plan.seed)
    _repeatable()
    classes = [_Class(shapes, _device(0 if teacher is None else 1), plan, plan.seed, start)]
    if teacher is not None:
        classes.insert(0, _Class([teacher], _device(0), plan, plan.seed + 1))
        ahead, behind = classes
        behind.teacher = Teacher(ahead.learners[0].average.module, behind.device)
        if ahead.device == behind.device:
            behind.store, behind.validation = ahead.store, ahead.validation
    stores = list({id(each.store): each.store for each in classes}.values())
    began = time.monotonic()
    for packs in renderers.stream(True, plan.seed, plan.validation_chunks, plan.scenes):
        for judged in {id(each.validation): each.validation for each in classes}.values():
            judged.add([packs])
    say(f"{classes[0].validation.count} validation crops, {time.monotonic() - began:.0f} s")
    stream = renderers.stream(False, plan.seed, plan.chunks, plan.scenes)
    rendered, taken, waited, next_save = 0, 0, 0.0, 0.2
    arrived: list[dict[int, Packed]] = []
    threads = ThreadPoolExecutor(len(stores))
    for step in range(plan.steps):
        progress = step / plan.steps
        if plan.minutes is not None:
            progress = max(progress, (time.monotonic() - began) / 60 / plan.minutes)
        if progress >= 1.0:
            break
        needed = plan.chunks * min(1.0, plan.head_start + step / plan.steps / 0.9)
        first_chunks = plan.chunks * plan.head_start
        before = time.monotonic()
        while rendered < first_chunks or (not plan.minutes and rendered < needed):
            try:
                arrived.append(next(stream))
            except StopIteration:
                break
            rendered += 1
        enough = min(ADDED_AT_ONCE, 1 + plan.chunks // 50)
        if len(arrived) >= enough or rendered == plan.chunks or not stores[0].count:
            for index, store in enumerate(stores):  # each device has crops of its own
                store.add(arrived[index :: len(stores)])
            arrived.clear()
        waited += time.monotonic() - before
        if step % REFRESHED_EVERY == 0:
            for each in classes:
                if each.teacher is not None:
                    each.teacher.refresh()
        # A thread each, since a step waits for its device; packs are loaded meanwhile.
        taking = [threads.submit(each.step, progress) for each in classes]
        while plan.minutes and not all(one.done() for one in taking) and stream.ready():
            arrived.append(next(stream))
            rendered += 1
        for one in taking:
            one.result()
        taken = step + 1
        if progress >= next_save:
            next_save += 0.2
            _report(classes, taken, rendered, waited, began, out, say)
    _report(classes, taken, rendered, waited, began, out, say)


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
    classes: list[_Class], step: int, rendered: int, waited: float, began: float, out: Path,
    say: Callable[[str], None],
) -> None:  # fmt: skip
    """Save every network, then judge it."""
    pairs = [(learner, each) for each in classes for learner in each.learners]
    for learner, _ in pairs:
        save(learner.average.module, out / f"{learner.name}.pt")
    for learner, each in pairs:
        right, probability, empty = judge(learner.average.module, each.validation)
        gated = probability >= np.quantile(probability, 0.2)
        say(
            f"{time.monotonic() - began:4.0f} s, waited {waited:3.0f} s, {learner.name} "
            f"step {step}, {rendered} chunks, {each.store.count} crops, "
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
