"""Learning from a wider network; skipped where the extra 'train' is missing."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from extractor.reading.readers.ctc import CLASSES, encode
from extractor.reading.readers.network import MODEL, NetworkReader

torch = pytest.importorskip("torch", reason="needs the extra 'train'")
pytest.importorskip("onnx", reason="needs the extra 'train'")
pytest.importorskip("extractor.reading.training", reason="a wheel has no training code")

from extractor.reading.training.distillation import (  # noqa: E402
    Teacher,
    divergence,
    guided_loss,
    table_of,
)
from extractor.reading.training.likelihood import ctc_loss  # noqa: E402
from extractor.reading.training.loop import WARMING_STEPS, rate_at  # noqa: E402
from extractor.reading.training.model import SHAPES, LineNetwork, export, load, save  # noqa: E402

STEPS, LONGEST = 24, 6


def spelled(*texts: str) -> tuple[torch.Tensor, torch.Tensor]:
    labels = torch.zeros((len(texts), LONGEST), dtype=torch.int64)
    for row, text in enumerate(texts):
        labels[row, : len(text)] = torch.tensor(encode(text))
    return labels, torch.tensor([len(text) for text in texts])


def table_for(*texts: str, surely: float = 12.0) -> torch.Tensor:
    """Logarithms of probabilities of a network that reads these texts, every third step a sign."""
    scores = torch.zeros((STEPS, len(texts), CLASSES))
    scores[:, :, 0] = surely / 2
    for row, text in enumerate(texts):
        for place, code in enumerate(encode(text)):
            scores[3 * place + 1, row, code] = surely
    return scores.log_softmax(2)


def test_the_divergence_is_that_of_the_library_and_stops_at_the_crop() -> None:
    one, other = table_for("12", "8", surely=3.0), table_for("13", "8", surely=5.0)
    steps = torch.tensor([STEPS, 2])
    apart = divergence(one, other, steps)
    expected = torch.nn.functional.kl_div(one, other, log_target=True, reduction="none").sum(2)
    torch.testing.assert_close(apart[0], expected[:, 0].sum())
    torch.testing.assert_close(apart[1], expected[:2, 1].sum())
    assert float(divergence(one, one, steps).abs().max()) < 1e-6


def test_a_teacher_counts_for_half_once_it_has_learnt() -> None:
    learner, steps = table_for("12", surely=2.0), torch.tensor([STEPS])
    label, told = spelled("12"), table_for("13")
    alone = ctc_loss(learner, label[0], steps, label[1])
    torch.testing.assert_close(guided_loss(learner, label, steps, None, 1.0), alone)
    torch.testing.assert_close(guided_loss(learner, label, steps, told, 0.0), alone)
    both = guided_loss(learner, label, steps, told, 1.0)
    torch.testing.assert_close(both, (alone + divergence(learner, told, steps)) / 2)


def test_the_teacher_is_a_copy_that_follows_when_asked() -> None:
    torch.manual_seed(0)
    network = LineNetwork(SHAPES["narrow"])
    teacher = Teacher(network, torch.device("cpu"))
    pictures = torch.rand(2, 3, 32, 64)
    before = teacher.table(pictures)
    with torch.no_grad():
        network.head.bias += torch.arange(CLASSES)
    torch.testing.assert_close(teacher.table(pictures), before)
    teacher.refresh()
    network.eval()
    with torch.no_grad():
        torch.testing.assert_close(teacher.table(pictures), table_of(network, pictures))


@pytest.mark.parametrize("shape", sorted(SHAPES))
def test_a_checkpoint_is_read_by_the_reader_as_it_was(shape: str, tmp_path: Path) -> None:
    torch.manual_seed(1)
    network = LineNetwork(SHAPES[shape]).eval()
    save(network, tmp_path / "x.pt")
    export(load(tmp_path / "x.pt"), tmp_path / "x.onnx")
    pictures = torch.randn(2, 3, 32, 96)
    with torch.no_grad():
        expected = network(pictures).numpy()
    net = cv2.dnn.readNetFromONNX(str(tmp_path / "x.onnx"))
    net.setInput(pictures.numpy())
    np.testing.assert_allclose(
        np.asarray(net.forward()).reshape(expected.shape), expected, atol=1e-4
    )


def test_the_shipped_weights_are_small_and_readable() -> None:
    assert MODEL.stat().st_size <= 2_000_000
    crop = np.random.default_rng(4).integers(0, 255, (40, 120, 3)).astype(np.uint8)
    (table,) = NetworkReader(MODEL).probabilities([crop])
    assert table.shape == (48, CLASSES)


def test_the_rate_rises_over_steps_even_if_time_has_passed_and_ends_near_nothing() -> None:
    """Half a cosine: Loshchilov and Hutter, arXiv 1608.03983, equation 5 (from memory)."""
    assert rate_at(1.0, 0, 0.2) < 0.01
    assert rate_at(1.0, WARMING_STEPS - 1, 0.0) == pytest.approx(1.0, rel=2e-3)
    assert rate_at(1.0, WARMING_STEPS, 0.5) == pytest.approx(0.5, rel=3e-3)
    assert rate_at(1.0, WARMING_STEPS, 1.0) == pytest.approx(0.0, abs=2e-3)
