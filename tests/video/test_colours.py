"""One conversion from a clip's planes to colours, by the matrix and range that its file says."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from clipmaker import make_clip, steady

from extractor.session.overlay import Box
from extractor.video import clips, crops, picture_files

WHITE, RED, GREEN, BLUE = (255, 255, 255), (255, 0, 0), (0, 255, 0), (0, 0, 255)
COLOURS = (WHITE, (0, 0, 0), RED, GREEN, BLUE, (255, 128, 0))
#: Kr and Kb: Rec. ITU-R BT.601-7, 2.5.1; BT.709-6, 3.2; BT.2020-2, table 4.
WEIGHTS = {"601": (0.299, 0.114), "709": (0.2126, 0.0722), "2020": (0.2627, 0.0593)}
#: ITU-T H.273, table 4.
NUMBERS = {"709": 1, "601": 6, "2020": 9, "": 2}


def planes_of(colour: tuple[int, int, int], weights: str, *, full: bool) -> list[int]:
    """Return Y, Cb, Cr of 8 bits as the recommendations define them."""
    red, green, blue = (c / 255 for c in colour)
    kr, kb = WEIGHTS[weights]
    luma = kr * red + (1 - kr - kb) * green + kb * blue
    cb, cr = (blue - luma) / (2 - 2 * kb), (red - luma) / (2 - 2 * kr)
    scale, least, chroma = (255, 0, 255) if full else (219, 16, 224)
    levels = (scale * luma + least, chroma * cb + 128, chroma * cr + 128)
    return [min(255, round(level)) for level in levels]


def coloured_clip(path: Path, drawn: str, *, full: bool, said: str, height: int = 240) -> None:
    """Write one frame of stripes, one a colour of `COLOURS`, with what the file says of it."""
    planes = np.empty((height, len(COLOURS) * 64, 3), np.uint8)
    for i, colour in enumerate(COLOURS):
        planes[:, i * 64 : (i + 1) * 64] = planes_of(colour, drawn, full=full)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = planes.shape[1], height, "yuv444p"
        stream.options = {"crf": "1", "preset": "ultrafast"}
        stream.codec_context.colorspace = NUMBERS[said]
        stream.codec_context.color_range = 2 if full else 1 if said else 0
        frame = av.VideoFrame.from_ndarray(planes, format="yuv444p", channel_last=True)
        frame.colorspace, frame.color_range = NUMBERS[said], 2 if full else 1 if said else 0
        frame.pts, frame.time_base = 0, Fraction(1, 30)
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def shown(path: Path) -> list[tuple[int, ...]]:
    """Return the colour in the middle of each stripe."""
    _, picture = clips.picture(clips.probe(path), 0.0)
    middle = picture[picture.shape[0] // 2, 32::64]
    return [tuple(int(c) for c in one) for one in middle]


@pytest.mark.parametrize("full", [False, True])
@pytest.mark.parametrize("matrix", ["601", "709", "2020"])
@pytest.mark.parametrize("height", [240, 720])
def test_colours_are_those_that_the_file_says(
    tmp_path: Path, matrix: str, full: bool, height: int
) -> None:
    coloured_clip(tmp_path / "a.mp4", matrix, full=full, said=matrix, height=height)
    found = shown(tmp_path / "a.mp4")
    assert np.abs(np.array(found) - COLOURS).max() <= 3
    assert found[0] == WHITE


@pytest.mark.parametrize(("height", "usual"), [(718, "601"), (720, "709")])
def test_where_the_file_says_nothing_the_height_tells(
    tmp_path: Path, height: int, usual: str
) -> None:
    coloured_clip(tmp_path / "a.mp4", usual, full=False, said="", height=height)
    assert clips.probe(tmp_path / "a.mp4").colour.full is False
    assert np.abs(np.array(shown(tmp_path / "a.mp4")) - COLOURS).max() <= 3


def test_a_file_of_red_green_and_blue_keeps_its_colours(tmp_path: Path) -> None:
    picture = np.repeat(np.array([COLOURS], np.uint8), 64, axis=1).repeat(720, axis=0)
    with av.open(str(tmp_path / "a.mkv"), "w") as container:
        stream = container.add_stream("ffv1", rate=30)
        stream.width, stream.height, stream.pix_fmt = picture.shape[1], 720, "bgr0"
        frame = av.VideoFrame.from_ndarray(picture, format="rgb24").reformat(format="bgr0")
        frame.pts, frame.time_base = 0, Fraction(1, 30)
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    assert np.abs(np.array(shown(tmp_path / "a.mkv")) - COLOURS).max() <= 3


def test_the_colour_of_a_pixel_does_not_depend_on_what_else_is_cut(tmp_path: Path) -> None:
    make_clip(tmp_path / "a.mp4", steady(0.2), lambda t: 10)
    clip = clips.probe(tmp_path / "a.mp4")
    whole, part = Box(0, 0, clip.width, clip.height), Box(33, 17, 51, 21)
    frame = next(clips.frames(clip, [whole, part], clips.Tally()))
    large, small = (crops.rgb(crop, clip.colour) for crop in frame.crops)
    assert np.array_equal(large[17:38, 33:84], small)


@pytest.mark.parametrize("matrix", [1, 4, 5, 7])
def test_limited_range_agrees_with_the_scaler_of_the_video_library(matrix: int) -> None:
    rng = np.random.default_rng(0)
    planes = rng.integers((60, 110, 110), (180, 150, 150), (64, 64, 3)).astype(np.uint8)
    frame = av.VideoFrame.from_ndarray(planes, format="yuv444p", channel_last=True)
    theirs = frame.reformat(
        format="rgb24", src_colorspace=matrix, dst_colorspace=matrix,
        src_color_range=1, dst_color_range=2,
    ).to_ndarray()  # fmt: skip
    ours = crops.rgb(planes, crops.Colour(matrix, full=False))
    assert np.abs(ours.astype(int) - theirs).max() <= 1


def test_what_no_standard_allows_does_not_wrap_around() -> None:
    """Y and Cb at their utmost: blue can be no more than full."""
    utmost = np.full((8, 8, 3), (255, 255, 128), np.uint8)
    for matrix in (1, 5, 9):
        for full in (False, True):
            found = crops.rgb(utmost, crops.Colour(matrix, full))
            assert found[4, 4, 2] == 255


def test_files_keep_the_order_of_the_channels() -> None:
    picture = np.full((16, 32, 3), (250, 120, 10), np.uint8)
    for content in (picture_files.png(picture), picture_files.jpeg(picture, 16)):
        back = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_COLOR)
        assert back is not None
        assert np.abs(back[4, 4].astype(int) - (10, 120, 250)).max() <= 3
    assert back.shape == (8, 16, 3)
