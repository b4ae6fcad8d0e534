"""The built-in reader: decoding, known crops, telling number, dash and nothing apart."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import get_args

import cv2
import matplotlib
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from extractor.errors import ReaderUnavailableError
from extractor.reading.number_parsing import interpret
from extractor.reading.readers import ctc
from extractor.reading.readers.ctc import Kind, kind_of
from extractor.reading.readers.network import CALIBRATION, NetworkReader, calibrated
from extractor.reading.temporal_evidence import FieldReader, squeezed
from extractor.reading.tightening import MARGIN, tighten
from extractor.session.overlay import Box, Field
from extractor.video.crops import Crop, cut_out

FONTS = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
FACES = ["DejaVuSans.ttf", "DejaVuSansMono-Bold.ttf", "DejaVuSerif.ttf", "STIXGeneralBol.ttf"]


@pytest.fixture(scope="module")
def reader() -> NetworkReader:
    return NetworkReader()


def background(kind: str, size: tuple[int, int], rng: np.random.Generator) -> NDArray[np.uint8]:
    width, height = size
    if kind == "flat":
        return np.full((height, width, 3), (70, 90, 80), np.uint8)
    coarse = rng.uniform(20, 150, (max(2, height // 12), max(2, width // 12), 3))
    smooth = cv2.resize(coarse.astype(np.float32), size, interpolation=cv2.INTER_CUBIC)
    return np.clip(smooth + rng.normal(0, 6, smooth.shape), 0, 255).astype(np.uint8)


def drawn(
    text: str,
    face: str = "DejaVuSans.ttf",
    size_px: int = 28,
    kind: str = "smooth",
    margin: float = 0.25,
    seed: int = 0,
) -> Crop:
    """White lettering with a dark rim, `margin` heights of room on each side."""
    rng = np.random.default_rng(seed)
    font = ImageFont.truetype(str(FONTS / face), size_px)
    left, _, right, _ = font.getbbox(text or "00.0", anchor="ls")
    high = -font.getbbox("0", anchor="ls")[1]
    room = round(margin * high) + 2
    size = int(right - left) + 2 * room, int(high) + 2 * room
    picture = Image.fromarray(background(kind, size, rng))
    if text:
        ImageDraw.Draw(picture).text(
            (room - left, room + high), text, font=font, anchor="ls",
            fill=(255, 255, 255), stroke_width=2, stroke_fill=(0, 0, 0),
        )  # fmt: skip
    planes = cv2.cvtColor(np.asarray(picture), cv2.COLOR_RGB2YCrCb)
    return np.ascontiguousarray(planes[:, :, [0, 2, 1]])


def test_characters_stand_where_they_were_drawn(reader: NetworkReader) -> None:
    (line,) = reader.read([drawn("38.4", "DejaVuSansMono-Bold.ttf", margin=0.25, seed=3)])
    assert len(line.places) == len(line.text) == 4
    # Four cells of equal width between rims of equal width.
    assert np.diff(line.places) == pytest.approx(np.diff(line.places).mean(), abs=0.04)
    assert 0.1 < line.places[0] < 0.3 < 0.7 < line.places[-1] < 0.9


def test_tight_and_loose_boxes_are_brought_to_one_scale(reader: NetworkReader) -> None:
    texts = ["38.4", "17.0", "96.2", "50.8", "24.1", "73.5", "61.9", "40.6"]
    crops = [drawn(t, "DejaVuSansMono-Bold.ttf", margin=1.0, seed=k) for k, t in enumerate(texts)]
    height, width = crops[0].shape[:2]
    ink = (height - 4) // 3
    views = [
        tighten(reader, crops, Box(room, room, width - 2 * room, height - 2 * room))
        for room in (round(0.9 * ink), round(0.65 * ink), round(0.4 * ink))
    ]
    tops, bottoms = zip(*((v.box.y, v.box.y + v.box.height) for v in views), strict=True)
    assert max(tops) - min(tops) <= 2 and max(bottoms) - min(bottoms) <= 2
    assert views[0].box.height == pytest.approx((1 + 2 * MARGIN) * ink, abs=0.15 * ink)


def pixels(text: str, seed: int, margin: float = 0.9) -> Crop:
    """A face of nine rows, scaled up three times without smoothing, in a loose box."""
    font = ImageFont.truetype(str(FONTS / "DejaVuSansMono.ttf"), 12)
    left, _, right, _ = font.getbbox(text, anchor="ls")
    small = Image.new("L", (int(right - left) + 2, 11), 0)
    pen = ImageDraw.Draw(small)
    pen.fontmode = "1"
    pen.text((1 - left, 10), text, font=font, fill=255, anchor="ls")
    ink = np.kron(np.asarray(small), np.ones((3, 3), np.uint8))
    room = round(margin * 27)
    ground = background("smooth", (260, ink.shape[0] + 2 * room), np.random.default_rng(seed))
    whole = np.zeros(ground.shape[:2], np.uint8)
    whole[room:-room, room : room + ink.shape[1]] = ink
    ground[cv2.dilate(whole, np.ones((5, 5), np.uint8)) > 0] = 0
    ground[whole > 0] = 255
    ground[..., 1:] = 128
    return ground


def test_a_pixel_face_in_a_loose_box_is_read_at_its_own_scale(reader: NetworkReader) -> None:
    texts = ["38.4", "17.0", "80.2", "56.8", "24.1", "98.5", "61.9", "40.8", "88.3", "70.6", "18.8"]
    crops = [pixels(text, seed) for seed, text in enumerate(texts)]
    assert sum(line.confidence < reader.gate for line in reader.read(crops)) > 5
    height, width = crops[0].shape[:2]
    view = tighten(reader, crops, Box(4, 4, width - 8, height - 8))
    lines = reader.read([squeezed(cut_out(crop, view.box), view.squeeze) for crop in crops])
    read = [interpret(line.text, line.confidence, reader.gate).value for line in lines]
    assert read == [float(text) for text in texts]


@pytest.mark.parametrize("face", FACES)
@pytest.mark.parametrize("text", ["38.4", "0.7", "127", "-67", "11.1", "100.0", "4:05"])
def test_numbers_are_read_in_fonts_it_never_saw(
    reader: NetworkReader, face: str, text: str
) -> None:
    (line,) = reader.read([drawn(text, face)])
    assert line.text == text
    assert line.confidence >= reader.gate
    assert len(line.characters) == len(line.text)


@pytest.mark.parametrize("size_px", [16, 24, 48, 64])
@pytest.mark.parametrize("margin", [0.05, 0.3, 0.6])
def test_size_and_room_around_the_number_do_not_matter(
    reader: NetworkReader, size_px: int, margin: float
) -> None:
    (line,) = reader.read([drawn("26.9", size_px=size_px, margin=margin)])
    assert line.text == "26.9"


def test_a_streak_beside_a_number_is_no_minus_where_there_can_be_none(
    reader: NetworkReader,
) -> None:
    crop = drawn("  31", kind="flat")
    middle = crop.shape[0] // 2
    crop[middle - 1 : middle + 2, 8:22, 0] = 255
    field = Field("latency", (320, 180), Box(0, 0, 10, 10))
    read = [
        FieldReader(reader, item).read([crop])[0] for item in (field, replace(field, minimum=0.0))
    ]
    values = [interpret(line.text, line.confidence, reader.gate).value for line in read]
    assert values == [-31.0, 31.0]
    # A dash that is all there is still says that there is no link.
    (dash,) = FieldReader(reader, replace(field, minimum=0.0)).read([drawn("--")])
    assert dash.text == "--" and dash.confidence >= reader.gate


def test_letters_are_set_off_from_the_number(reader: NetworkReader) -> None:
    unit, label = reader.read([drawn("38.4 Mb/s"), drawn("CH 3")])
    assert unit.text == "38.4 ~"
    assert label.text == "~ 3"
    assert len(unit.characters) == len(unit.text)


@pytest.mark.parametrize("kind", ["flat", "smooth"])
def test_number_dash_and_nothing_are_told_apart(reader: NetworkReader, kind: str) -> None:
    number, dash, nothing = reader.read(
        [drawn("12.0", kind=kind), drawn("--", kind=kind), drawn("", kind=kind)]
    )
    assert (number.text, dash.text, nothing.text) == ("12.0", "--", "")
    assert min(number.confidence, dash.confidence, nothing.confidence) > 0.5


def test_a_digit_cut_by_the_edge_is_no_number(reader: NetworkReader) -> None:
    crop = drawn("838.4", size_px=40, margin=0.1)
    (line,) = reader.read([np.ascontiguousarray(crop[:, 16:])])
    assert line.text.startswith("~3") or line.confidence < reader.gate


def test_what_cannot_be_read_is_not_claimed(reader: NetworkReader) -> None:
    crop = drawn("38.4", size_px=24)
    smeared = cv2.GaussianBlur(crop, (0, 0), 7)
    noise = np.random.default_rng(1).normal(0, 12, crop.shape)
    (line,) = reader.read([np.clip(smeared + noise, 0, 255).astype(np.uint8)])
    assert not (line.text == "38.4" and line.confidence > 0.99)
    assert line.text in {"", "~"} or line.confidence < reader.gate


def test_a_batch_reads_like_its_parts(reader: NetworkReader) -> None:
    crops = [drawn(t, size_px=s) for t, s in [("1", 20), ("38.4 Mb/s", 30), ("--", 44), ("", 30)]]
    together = reader.read(crops * 12)
    for line, crop in zip(together, crops, strict=False):
        (alone,) = reader.read([crop])
        assert alone.text == line.text
        assert alone.confidence == pytest.approx(line.confidence, abs=1e-4)
    assert reader.read([]) == []


def test_averaged_probabilities_decode_like_one_frame(reader: NetworkReader) -> None:
    crops = [drawn("7.25", seed=seed) for seed in range(3)]
    tables = reader.probabilities(crops)
    assert {table.shape[1] for table in tables} == {ctc.CLASSES}
    (line,) = reader.decode([np.mean(tables, axis=0)])
    assert line.text == "7.25"


def test_version_follows_the_weights(reader: NetworkReader, tmp_path: Path) -> None:
    assert reader.version() == NetworkReader().version()
    other = tmp_path / "other.onnx"
    other.write_bytes(b"something else")
    assert NetworkReader(other).version() != reader.version()


def test_missing_or_broken_weights_are_said_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(ReaderUnavailableError, match=r"gone\.onnx"):
        NetworkReader(tmp_path / "gone.onnx").version()
    broken = tmp_path / "broken.onnx"
    broken.write_bytes(b"no network")
    with pytest.raises(ReaderUnavailableError, match=r"broken\.onnx"):
        NetworkReader(broken).read([drawn("1")])


def test_confidence_rises_with_the_string_probability() -> None:
    assert set(CALIBRATION) == set(get_args(Kind))
    labels = {"number": "38.4~", "dash": "-~", "letters": "~", "empty": ""}
    for kind, (knots, shares) in CALIBRATION.items():
        assert list(knots) == sorted(knots) and list(shares) == sorted(shares)
        assert knots[0] == 0.0 and knots[-1] == 1.0
        assert kind_of(labels[kind]) == kind
        low, high = calibrated(np.array([0.0, 1.0]), [labels[kind]] * 2)
        assert 0.0 <= low <= high <= 1.0


@pytest.mark.parametrize(
    ("text", "label", "shown"),
    [
        ("38.4 Mb/s", "38.4~", "38.4 ~"),
        ("RSSI: -67dBm", "~-67~", "~ -67 ~"),
        ("--.- ms", "-~", "-- ~"),
        ("LQ:---", "~-", "~ --"),
        ("12 34", "12 34", "12 34"),
        ("#8.4 ms", "#8.4~", "~8.4 ~"),
        ("N/A", "~", "~"),
        ("\N{EN DASH}12", "-12", "-12"),
        ("", "", ""),
    ],
)
def test_labels(text: str, label: str, shown: str) -> None:
    assert ctc.fold(text) == label
    assert ctc.shown(label)[0] == shown


def test_string_probability_is_the_sum_over_all_paths() -> None:
    """Graves et al. (ICML 2006), equation 3, by counting every path of a short table."""
    rng = np.random.default_rng(4)
    table = rng.dirichlet(np.ones(ctc.CLASSES), 4).astype(np.float32)
    letters = [ctc.encode("~")[0], ctc.encode(" ")[0]]
    table[:, letters] = 0.0  # these are free around a number: not part of that equation
    kept = [0, *ctc.encode("1.")]
    for label in ("1", "11", "1.1", ".1"):
        (found,) = ctc.string_probability([table], [label])
        assert found == pytest.approx(sum(_paths(table, kept, label)), rel=1e-5)


def test_point_and_comma_count_as_one() -> None:
    table = np.full((3, ctc.CLASSES), 1e-9, np.float32)
    table[0, ctc.encode("1")] = table[2, ctc.encode("5")] = 1.0
    table[1, ctc.encode(".")] = table[1, ctc.encode(",")] = 0.5
    (found,) = ctc.string_probability([table], ["1.5"])
    assert found == pytest.approx(1.0, abs=1e-5)


def _paths(table: NDArray[np.float32], kept: list[int], label: str) -> Iterator[float]:
    point, comma = ctc.encode(".")[0], ctc.encode(",")[0]
    merged = table.astype(float)
    merged[:, point] += merged[:, comma]
    for path in product(kept, repeat=len(table)):
        signs = [c for k, c in enumerate(path) if c != ctc.BLANK and (k == 0 or path[k - 1] != c)]
        if signs == ctc.encode(label):
            yield float(np.prod([merged[step, code] for step, code in enumerate(path)]))
