"""The training data: the seed decides it, labels say what stands in the crop."""

from __future__ import annotations

from pathlib import Path

import matplotlib
import numpy as np
import pytest

from extractor.reading.readers.ctc import SIGNS

pytest.importorskip("extractor.reading.training", reason="a wheel has no training code")

from extractor.reading.training import fonts
from extractor.reading.training.crops import make_examples
from extractor.reading.training.fonts import CATALOGUE, Face, Family, find_faces
from extractor.reading.training.lettering import Piece, draw, sample_segments

TTF = Path(matplotlib.get_data_path()) / "fonts" / "ttf"


def groups() -> dict[str, list[list[Face]]]:
    family = Family("DejaVu Sans", "none", "sans", ("DejaVuSans.ttf",))
    return {"sans": [[Face(family, str(TTF / "DejaVuSans.ttf"))]]}


def photo() -> np.ndarray:
    return np.random.default_rng(0).integers(0, 255, (300, 400, 3)).astype(np.uint8)


def test_the_same_seed_gives_the_same_crops() -> None:
    first = make_examples(groups(), [photo()], (3, 1))
    again = make_examples(groups(), [photo()], (3, 1))
    other = make_examples(groups(), [photo()], (3, 2))
    assert [e.label for e in first] == [e.label for e in again]
    assert all(np.array_equal(a.picture, b.picture) for a, b in zip(first, again, strict=True))
    assert [e.label for e in first] != [e.label for e in other]
    assert {sign for e in first for sign in e.label} <= set(SIGNS)
    assert any(e.label == "" for e in first) and any(e.label for e in first)


def test_enough_families_and_none_of_the_forbidden() -> None:
    names = {f.name for f in CATALOGUE}
    held_out = {f.name for f in CATALOGUE if f.held_out}
    assert len(names) == len(CATALOGUE) >= 60
    assert len(held_out) >= 10
    for word in ("dejavu", "vera", "liberation", "arimo", "cousine", "roboto", "inconsolata",
                 "jetbrains", "hack", "dseg7 classic"):  # fmt: skip
        assert not any(word in name.lower().split() or word == name.lower() for name in names)


def test_a_forbidden_file_is_left_out_even_if_a_pattern_fits() -> None:
    family = next(f for f in CATALOGUE if f.name == "DSEG7 Modern")
    assert fonts._belongs("DSEG7Modern-Bold.ttf", family)
    wide = Family("x", "x", "sans", ("*",))
    for name in ("DejaVuSans.ttf", "Roboto-Bold.ttf", "DSEG7Classic-Regular.ttf", "Hack-Bold.ttf"):
        assert not fonts._belongs(name, wide)


def test_missing_fonts_are_named_by_package(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match=r"apt-get install .*fonts-dseg"):
        find_faces([tmp_path])


def test_a_dash_stands_at_half_the_height_of_a_digit() -> None:
    face = groups()["sans"][0][0]
    line = draw([Piece("--", face, 40)], 0, sharp=False)
    assert line is not None
    rows = np.flatnonzero(line.ink.any(axis=1))
    assert line.ink.shape[0] >= 25
    assert 0.3 < rows.mean() / line.ink.shape[0] < 0.8


def test_segments_draw_ten_different_digits() -> None:
    style = sample_segments(np.random.default_rng(2))
    pictures = set()
    for digit in "0123456789":
        line = draw([Piece(digit, None, 60, segments=style)], 0, sharp=False)
        assert line is not None and len(line.signs) == 1
        pictures.add((line.ink.shape, line.ink.tobytes()))
    assert len(pictures) == 10


def test_the_gradient_of_training_is_that_of_the_library() -> None:
    torch = pytest.importorskip("torch", reason="needs the extra 'train'")
    from extractor.reading.training.likelihood import ctc_loss

    torch.manual_seed(0)
    scores = torch.randn(30, 40, 18, dtype=torch.float64, requires_grad=True)
    steps = torch.randint(5, 31, (40,))
    lengths = torch.randint(0, 12, (40,))
    steps[0], lengths[0] = 5, 11  # too short for its label
    labels = torch.randint(1, 4, (40, 20))  # few signs: many repeats, which need a blank between
    weight = torch.rand(40, dtype=torch.float64)
    own = ctc_loss(scores.log_softmax(2), labels, steps, lengths)
    (own * weight).sum().backward()
    slope, scores.grad = scores.grad, None
    theirs = torch.nn.functional.ctc_loss(
        scores.log_softmax(2), labels, steps, lengths, reduction="none", zero_infinity=True
    )
    (theirs * weight).sum().backward()
    assert torch.allclose(own, theirs)
    assert torch.allclose(slope, scores.grad, atol=1e-9)
    assert own[0] == 0
