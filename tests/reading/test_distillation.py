"""Learning from other networks; skipped where the extra 'train' is missing."""

from __future__ import annotations

import numpy as np
import pytest

from extractor.reading.readers.ctc import CLASSES, best_path, encode
from extractor.reading.readers.network import MODEL, NetworkReader, normalised, scaled

torch = pytest.importorskip("torch", reason="needs the extra 'train'")
onnx = pytest.importorskip("onnx", reason="needs the extra 'train'")
pytest.importorskip("extractor.reading.training", reason="a wheel has no training code")

from extractor.reading.training.distillation import (  # noqa: E402
    Teachers,
    best_labels,
    shares,
    softened_loss,
    table_of,
)
from extractor.reading.training.likelihood import ctc_loss, likelihood_of  # noqa: E402
from extractor.reading.training.model import load, settle  # noqa: E402

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


def crops() -> list[np.ndarray]:
    rng = np.random.default_rng(4)  # 120 by 40 becomes 96 by 32, which the reader does not pad
    return [rng.integers(0, 255, (40, 120, 3)).astype(np.uint8) for _ in range(3)]


def pictures() -> torch.Tensor:
    return torch.from_numpy(np.stack([normalised(scaled(crop)) for crop in crops()]))


def test_the_shipped_weights_can_be_learnt_on_from() -> None:
    expected = NetworkReader(MODEL).probabilities(crops())
    network = load(MODEL)
    with torch.no_grad():
        given = table_of(network, pictures()).exp().permute(1, 0, 2).numpy()
    np.testing.assert_allclose(given, np.stack(expected), atol=1e-4)

    # As soon as its norms look at a batch they would change what it says; not once settled.
    def said(training: bool) -> torch.Tensor:
        network.train(training)
        network.drop.eval()
        with torch.no_grad():
            return table_of(network, pictures())

    before = said(training=False)
    assert (said(training=True) - before).abs().max() > 1.0
    network = load(MODEL)
    settle(network, pictures())
    torch.testing.assert_close(said(training=False), before, atol=1e-3, rtol=1e-3)
    torch.testing.assert_close(said(training=True), before, atol=1e-3, rtol=1e-3)


def test_a_file_that_is_no_network_of_ours_is_refused(tmp_path) -> None:
    graph = onnx.helper.make_graph([], "empty", [], [])
    path = tmp_path / "other.onnx"
    onnx.save(onnx.helper.make_model(graph), path)
    with pytest.raises(ValueError, match=r"other\.onnx: no network of a known shape"):
        load(path)


def test_best_labels_are_those_of_the_best_path() -> None:
    torch.manual_seed(1)
    table = (3 * torch.randn(STEPS, 50, CLASSES)).log_softmax(2)
    steps = torch.randint(4, STEPS + 1, (50,))
    labels, lengths = best_labels(table, steps, 30)
    for row, number in enumerate(steps.tolist()):
        codes = table[:number, row].argmax(1).tolist()
        kept = [c for c, b in zip(codes, [0, *codes], strict=False) if c and c != b]
        assert labels[row, : lengths[row]].tolist() == kept
    digits, counts = best_labels(table_for("38.4", "-"), steps[:2] * 0 + STEPS, 6)
    assert digits[0, : counts[0]].tolist() == encode("38.4")
    assert best_path(table_for("38.4")[:, 0].exp().numpy())[0] == "38.4"


def test_teachers_share_their_belief() -> None:
    steps = torch.full((3,), STEPS)
    # Of three crops drawn "13" both read "12"; one "13", one "12"; nothing of the kind.
    one, other = table_for("12", "13", "8"), table_for("12", "12", "8")
    label = spelled("13", "13", "45")
    proposed = [label, best_labels(one, steps, LONGEST), best_labels(other, steps, LONGEST)]
    given = shares([one, other], steps, proposed)
    torch.testing.assert_close(given.sum(0), torch.ones(3))
    assert given[1, 0] > 0.99 and given[2, 0] == 0  # said twice, counted once
    assert given[0, 1] == pytest.approx(0.5, abs=0.01) and given[1, 1] == 0  # "13" is the label
    assert given[2, 1] == pytest.approx(0.5, abs=0.01)
    assert given[1, 2] > 0.99

    # A label that no teacher can spell, and nothing else believed: the label.
    hopeless = [table_for("1", surely=0.0).expand(STEPS, 1, CLASSES)] * 2
    alone = shares(hopeless, torch.tensor([STEPS]), [spelled("123456")])
    assert alone.tolist() == [[1.0]]


def test_the_loss_goes_from_the_label_to_what_teachers_believe() -> None:
    steps = torch.full((2,), STEPS)
    learner = table_for("12", "13", surely=3.0)
    label = spelled("12", "12")
    agreeing = softened_loss(learner, label, steps, [table_for("12", "12")] * 2)
    plain = ctc_loss(learner, *label[:1], steps, label[1])
    torch.testing.assert_close(agreeing, plain, atol=1e-3, rtol=1e-3)

    doubting = softened_loss(learner, label, steps, [table_for("12", "13")] * 2)
    theirs = ctc_loss(learner, spelled("12", "13")[0], steps, label[1])
    torch.testing.assert_close(doubting, (plain + theirs) / 2, atol=1e-2, rtol=1e-2)
    assert doubting[1] < plain[1]
    chance = likelihood_of(learner, label[0], steps, label[1])
    torch.testing.assert_close(chance.log(), -plain)


def test_teachers_are_asked_as_they_stand() -> None:
    network = load(MODEL)
    teachers = Teachers([network.train()], torch.device("cpu"))
    network.eval()
    with torch.no_grad():
        (asked,) = teachers.tables(pictures())
        torch.testing.assert_close(asked, table_of(network, pictures()), atol=1e-3, rtol=1e-3)
