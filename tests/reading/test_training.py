"""The training data: the seed decides it, labels say what stands in the crop."""

from __future__ import annotations

from pathlib import Path

import cv2
import matplotlib
import numpy as np
import pytest

from extractor.reading.readers.ctc import SIGNS

pytest.importorskip("extractor.reading.training", reason="a wheel has no training code")

from extractor.reading.training import fonts, webfonts
from extractor.reading.training.backgrounds import load_photos
from extractor.reading.training.crops import make_examples
from extractor.reading.training.fonts import CATALOGUE, Face, Family, find_faces
from extractor.reading.training.lettering import Lettering, Piece, draw, sample_segments
from extractor.reading.training.variation import Variation, size_for_rows, varied

#: Families for acceptance, by the name of their npm package, with whatever stands behind a dash.
KEPT_APART = (
    "aldrich", "anton", "antonio", "archivo", "audiowide", "azeret", "bai-jamjuree", "barlow",
    "big-shoulders", "bungee", "chakra-petch", "cutive", "dm", "electrolize", "exo", "fjalla",
    "geo-", "gruppo", "ibm-plex", "iceberg", "iceland", "kanit", "khand", "martian",
    "michroma", "montserrat", "nova", "orbitron", "oswald", "overpass", "oxanium", "pathway",
    "pragati", "press-start", "prompt", "quantico", "rajdhani", "red-hat", "rubik",
    "russo-one", "saira", "sarpanch", "share", "silkscreen", "sometype", "source-code",
    "source-sans", "space-grotesk", "space-mono", "stint", "syncopate", "teko", "titillium",
    "tomorrow", "turret-road", "unica", "vt323", "wallpoet",
)  # fmt: skip

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


def test_no_family_is_kept_apart_for_acceptance() -> None:
    names = [package.removeprefix("@fontsource/") for package in webfonts.packages()]
    assert len(names) >= 60
    assert not [name for name in names for kept in KEPT_APART if f"{name}-".startswith(kept)]


def test_a_forbidden_file_is_left_out_even_if_a_pattern_fits() -> None:
    family = next(f for f in CATALOGUE if f.name == "DSEG7 Modern")
    assert fonts._belongs("DSEG7Modern-Bold.ttf", family)
    wide = Family("x", "x", "sans", ("*",))
    for name in ("DejaVuSans.ttf", "Roboto-Bold.ttf", "DSEG7Classic-Regular.ttf", "Hack-Bold.ttf"):
        assert not fonts._belongs(name, wide)


def test_missing_fonts_are_named_by_package(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match=r"apt-get install .*fonts-dseg.*npm install"):
        find_faces([tmp_path])
    with pytest.raises(FileNotFoundError, match=r"npm install @fontsource/"):
        webfonts.convert(tmp_path, tmp_path / "faces")


def test_held_out_pictures_are_not_learnt_from(tmp_path: Path) -> None:
    for number in range(23):
        picture = np.full((200, 210, 3), number * 10, np.uint8)
        cv2.imwrite(str(tmp_path / f"{number:03d}.png"), picture)
    shades = [
        {int(p[0, 0, 0]) // 10 for p in load_photos(tmp_path, held)} for held in (False, True)
    ]
    assert shades[1] == {15, 16, 17, 18}
    assert shades[0] == set(range(23)) - shades[1]


def test_a_number_is_cut_with_the_room_asked_for() -> None:
    examples = make_examples(groups(), [photo()], (3, 4), rooms=(0.2, 0.6))
    assert {e.room for e in examples} == {0.2, 0.6}
    assert all(any(sign.isdigit() or sign == "-" for sign in e.label) for e in examples)


def line_of(text: str) -> Lettering:
    line = draw([Piece(text, groups()["sans"][0][0], 60)], 0, sharp=False)
    assert line is not None
    return line


def lean_of(line: Lettering) -> float:
    """How far the middle of the upper half's ink stands right of the lower half's."""
    half = line.ink.shape[0] // 2
    columns = np.arange(line.ink.shape[1])
    upper, lower = (
        float(np.average(columns, weights=part.sum(axis=0)))
        for part in (line.ink[:half], line.ink[half:])
    )
    return upper - lower


@pytest.mark.parametrize("slant", [0.26, -0.26])
def test_a_slant_moves_the_top_and_boxes_still_hold_the_ink(slant: float) -> None:
    upright, line = line_of("88"), varied(line_of("88"), Variation(slant=slant))
    expected = slant * line.ink.shape[0] / 2
    assert lean_of(line) - lean_of(upright) == pytest.approx(expected, rel=0.2)
    inside = np.zeros(line.ink.shape, bool)
    for sign in line.signs:
        inside[:, max(0, int(sign.left)) : int(np.ceil(sign.right)) + 1] = True
    assert not line.ink[~inside].any()


def test_weight_and_width_do_as_they_say() -> None:
    plain = line_of("285")
    ink = [varied(plain, Variation(weight=w)).ink.sum() / 255 for w in (-0.02, 0.0, 0.03)]
    assert ink[0] < 0.9 * ink[1] < ink[1] < 0.9 * ink[2]
    hollow = varied(plain, Variation(weight=-0.2))  # nothing would be left: not done
    assert np.array_equal(hollow.ink, plain.ink)
    narrow = varied(plain, Variation(width=0.7))
    assert narrow.ink.shape[1] == pytest.approx(0.7 * plain.ink.shape[1], abs=1)
    assert narrow.signs[2].right == pytest.approx(0.7 * plain.signs[2].right, abs=1)


@pytest.mark.parametrize("how", ["slash", "dot"])
def test_zeros_are_marked_inside_and_other_digits_are_not(how: str) -> None:
    plain = line_of("806")
    marked = varied(plain, Variation(zero=how))
    changed = np.flatnonzero((marked.ink != plain.ink).any(axis=0))
    zero = plain.signs[1]
    assert changed.size
    assert zero.left <= changed.min() and changed.max() <= zero.right
    middle = plain.ink.shape[0] // 2, round((zero.left + zero.right) / 2)
    assert plain.ink[middle] == 0 and marked.ink[middle] > 200


def test_digits_on_few_rows_are_that_high_and_differ() -> None:
    path = groups()["sans"][0][0].path
    size = size_for_rows(path, 10)
    assert size is not None
    line = draw([Piece("0", Face(groups()["sans"][0][0].family, path), size)], 0, sharp=True)
    assert line is not None and abs(line.ink.shape[0] - 10) <= 1
    assert set(np.unique(line.ink)) <= {0, 255}
    assert size_for_rows(path, 2) is None


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
