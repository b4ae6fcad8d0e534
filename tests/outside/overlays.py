"""Burns numbers into footage with ffmpeg: libass or drawtext, never the project's own drawing."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from .fonts import FontFile, find_font
from .footage import FOOTAGE, ffmpeg, footage
from .truth import ABSENT, Series, Shown

Size = tuple[int, int]
Box = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class Look:
    """How the text is drawn."""

    family: str
    digit_px: float
    """Height of the digit 0, pixels of the encoded picture."""
    bold: bool = False
    colour: str = "ffffff"
    opacity: float = 1.0
    outline_px: float = 0.0
    shadow_px: float = 0.0
    panel: str | None = None
    """Colour of a box behind the text, None for none."""
    panel_opacity: float = 0.6
    graded: bool = False
    """Colour changes with the value: red in the lowest fifth, amber in the next."""
    renderer: str = "libass"


@dataclass(frozen=True, slots=True)
class Place:
    """One number on the picture: where it stands and what stands beside it."""

    series: Series
    x: int
    """Left edge of the text, pixels; the right edge where `right` is set."""
    y: int
    """Baseline (drawtext) or bottom of the line (libass), pixels."""
    right: bool = False
    label: str = ""
    """Drawn to the left of the number, half a digit height away."""
    unit: str = ""
    """Drawn after the number."""
    unit_in_box: bool = False
    """Whether the unit counts as part of the text when its box is measured."""


@dataclass(frozen=True, slots=True)
class Picture:
    """What lies behind the overlay, and how the whole is spoiled and encoded."""

    background: str
    """A name of `FOOTAGE`, or a lavfi source such as ``mandelbrot``."""
    size: Size
    rate_hz: float
    codec: str = "libx264"
    crf: int = 23
    mosaic: bool = False
    """Four smaller mirrored copies instead of one enlarged one: finer, busier texture."""
    variable_rate: bool = False
    """Drops a third of the frames at random, keeping the times of the others."""
    analogue: bool = False
    """Noise, smeared colour and interlace combing, through a 720x576 picture."""
    noise: int = 0
    """Strength of ffmpeg's noise filter, before encoding."""
    preset: str = "veryfast"


# --- what is drawn ------------------------------------------------------------------------------


def _font(look: Look) -> FontFile:
    font = find_font(look.family, look.bold)
    if font is None:
        raise LookupError(f"the font {look.family!r} is not installed")
    return font


def _ass_colour(rgb: str, opacity: float) -> str:
    return f"&H{round(255 * (1 - opacity)):02X}{rgb[4:6]}{rgb[2:4]}{rgb[0:2]}".upper()


def _ass_time(time_s: float) -> str:
    hundredths = round(time_s * 100)
    return f"{hundredths // 360000}:{hundredths // 6000 % 60:02d}:{hundredths / 100 % 60:05.2f}"


def _graded(look: Look, series: Series, text: str) -> str:
    numbers = [float(s.text) for s in series.shown if s.text.strip("-")]
    try:
        share = (float(text) - min(numbers)) / max(max(numbers) - min(numbers), 1e-9)
    except ValueError:
        return look.colour
    return "ff3030" if share < 0.2 else "ffb020" if share < 0.4 else look.colour


def _ass_texts(look: Look, place: Place, one: Shown) -> list[str]:
    colour = _graded(look, place.series, one.text) if look.graded else look.colour
    gap = round(look.digit_px / 2)
    tint = rf"\1c&H{colour[4:6]}{colour[2:4]}{colour[0:2]}&"
    texts = []
    if place.right or not place.unit:
        texts.append(rf"{{\an{3 if place.right else 1}\pos({place.x},{place.y}){tint}}}{one.text}")
        if place.unit:
            texts.append(rf"{{\an1\pos({place.x + gap},{place.y})}}{place.unit}")
    else:
        texts.append(rf"{{\an1\pos({place.x},{place.y}){tint}}}{one.text} {place.unit}")
    if place.label:
        left = place.x - gap - (round(look.digit_px * 3.6) if place.right else 0)
        texts.append(rf"{{\an3\pos({left},{place.y})}}{place.label}")
    return texts


def _ass_panel(look: Look, place: Place, box: Box) -> str:
    pad = round(look.digit_px * 0.35)
    x, y, w, h = box[0] - pad, box[1] - pad, box[2] + 2 * pad, box[3] + 2 * pad
    return (
        rf"{{\an7\pos({x},{y})\bord0\shad0\1c&H{look.panel[4:6]}{look.panel[2:4]}{look.panel[0:2]}&"
        rf"\1a&H{round(255 * (1 - look.panel_opacity)):02X}&\p1}}m 0 0 l {w} 0 {w} {h} 0 {h}"
        if look.panel
        else ""
    )


def _ass_script(size: Size, look: Look, places: list[Place], boxes: list[Box] | None) -> str:
    font = _font(look)
    fill, edge = (_ass_colour(rgb, look.opacity) for rgb in (look.colour, "000000"))
    style = (
        f"Style: N,{look.family},{font.libass_size(look.digit_px):.2f},{fill},&H00FFFFFF,{edge},"
        f"{_ass_colour('000000', 0.7 * look.opacity)},{-int(look.bold)},0,0,0,100,100,0,0,1,"
        f"{look.outline_px},{look.shadow_px},1,0,0,0,1"
    )
    lines = [
        "[Script Info]\nScriptType: v4.00+\nWrapStyle: 2\nScaledBorderAndShadow: yes",
        f"PlayResX: {size[0]}\nPlayResY: {size[1]}\n",
        "[V4+ Styles]\nFormat: Name,Fontname,Fontsize,PrimaryColour,SecondaryColour,OutlineColour,"
        "BackColour,Bold,Italic,Underline,StrikeOut,ScaleX,ScaleY,Spacing,Angle,BorderStyle,"
        f"Outline,Shadow,Alignment,MarginL,MarginR,MarginV,Encoding\n{style}\n",
        "[Events]\nFormat: Layer,Start,End,Style,Text",
    ]
    for index, place in enumerate(places):
        for one in place.series.shown:
            if one.text == ABSENT:
                continue
            span = f"{_ass_time(one.start_s)},{_ass_time(one.end_s)},N"
            if boxes and look.panel:
                lines.append(f"Dialogue: 0,{span},{_ass_panel(look, place, boxes[index])}")
            lines += [f"Dialogue: 1,{span},{text}" for text in _ass_texts(look, place, one)]
    return "\n".join(lines) + "\n"


def _drawtext(look: Look, places: list[Place], folder: Path) -> str:
    commands, filters = [], []
    font = _font(look)
    for index, place in enumerate(places):
        for one in place.series.shown:
            text = f"{one.text} {place.unit}".strip() if one.text else " "
            commands.append(f"{one.start_s:.3f} drawtext@n{index} reinit 'text={text}';")
        box = f":box=1:boxcolor=0x{look.panel}@{look.panel_opacity}" if look.panel else ""
        filters.append(
            f"drawtext@n{index}=fontfile={font.path}:fontsize={font.drawtext_size(look.digit_px):.0f}"
            f":fontcolor=0x{look.colour}@{look.opacity}:text=' ':expansion=none"
            f":x={place.x}{'-text_w' if place.right else ''}:y={place.y}-max_glyph_a"
            f":borderw={look.outline_px:.0f}:bordercolor=0x000000@{look.opacity}"
            f":shadowx={look.shadow_px:.0f}:shadowy={look.shadow_px:.0f}"
            f"{box}:boxborderw={round(look.digit_px * 0.35)}"
        )
    (folder / "commands.txt").write_text("\n".join(commands) + "\n", encoding="utf-8")
    return ",".join(["sendcmd=f=commands.txt", *filters])


def _overlay_filter(
    size: Size, look: Look, places: list[Place], boxes: list[Box] | None, folder: Path
) -> str:
    if look.renderer == "drawtext":
        return _drawtext(look, places, folder)
    (folder / "overlay.ass").write_text(_ass_script(size, look, places, boxes), encoding="utf-8")
    return "ass=overlay.ass"


# --- where it stands ----------------------------------------------------------------------------


def tight_box(size: Size, look: Look, place: Place, rate_hz: float = 10.0) -> Box:
    """Return x, y, width, height around all that the number of `place` ever covers.

    Measured: the text is drawn alone, white on black, and the union of its pixels over time is
    taken; then the outline and a tenth of the digit height are added on each side.
    """
    bare = replace(
        look, colour="ffffff", opacity=1, outline_px=0, shadow_px=0, panel=None, graded=False
    )
    alone = replace(place, label="", unit=place.unit if place.unit_in_box else "")
    with TemporaryDirectory() as name:
        folder = Path(name)
        duration_s = place.series.shown[-1].end_s
        drawn = _overlay_filter(size, bare, [alone], None, folder)
        source = f"color=black:s={size[0]}x{size[1]}:r={rate_hz}:d={duration_s:.2f}"
        command = ["ffmpeg", "-v", "error", "-nostdin", "-f", "lavfi", "-i", source]
        command += ["-vf", f"{drawn},format=gray", "-f", "rawvideo", "-"]
        ink = np.zeros((size[1], size[0]), np.uint8)
        with subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE) as process:
            assert process.stdout is not None
            while len(raw := process.stdout.read(ink.size)) == ink.size:
                np.maximum(ink, np.frombuffer(raw, np.uint8).reshape(ink.shape), out=ink)
    rows, columns = (np.flatnonzero((ink > 96).any(axis=axis)) for axis in (1, 0))
    grow = round(look.outline_px + 0.1 * look.digit_px)
    return clamp((columns[0], rows[0], columns[-1] + 1, rows[-1] + 1), (grow,) * 4, size)


def clamp(corners: tuple[int, ...], grow: tuple[int, ...], size: Size) -> Box:
    """Return corners (left, top, right, bottom), grown on each side, as a box inside `size`."""
    left, top = max(0, int(corners[0]) - grow[0]), max(0, int(corners[1]) - grow[1])
    right = min(size[0], int(corners[2]) + grow[2])
    bottom = min(size[1], int(corners[3]) + grow[3])
    return left, top, right - left, bottom - top


def loose_box(box: Box, size: Size, rng: np.random.Generator, most: float = 0.6) -> Box:
    """Return `box` with each side moved out by 0 to `most` of its height (uniform)."""
    x, y, w, h = box
    grow = tuple(round(float(share) * h) for share in rng.uniform(0.0, most, 4))
    return clamp((x, y, x + w, y + h), grow, size)


# --- the clip -----------------------------------------------------------------------------------


def _background(picture: Picture) -> tuple[list[str], list[str]]:
    width, height = picture.size
    if picture.background not in FOOTAGE:
        source = f"{picture.background}=s={width}x{height}:r={picture.rate_hz}"
        return ["-f", "lavfi", "-i", source], ["format=yuv420p"]
    inputs = ["-stream_loop", "-1", "-i", str(footage(picture.background))]
    filters = [f"fps={picture.rate_hz}"]
    if picture.mosaic:
        filters.append(
            f"scale={width // 2}:{height // 2},split=2[a][b];[b]hflip[c];[a][c]hstack,"
            "split=2[d][e];[e]vflip[f];[d][f]vstack"
        )
    else:
        filters.append(f"scale={width}:{height}:flags=bicubic")
    return inputs, [*filters, "setsar=1", "format=yuv420p"]


def _spoil(picture: Picture) -> list[str]:
    filters = []
    if picture.analogue:
        width, height = picture.size
        filters += [
            "scale=720:576:flags=area",
            "noise=alls=22:allf=t",
            "chromashift=cbh=3:crh=-3",
            "tinterlace=mode=interleave_top,setpts=PTS-STARTPTS",
            f"scale={width}:{height}:flags=bilinear",
        ]
    if picture.noise:
        filters.append(f"noise=alls={picture.noise}:allf=t")
    if picture.variable_rate:
        filters.append(r"select='eq(n\,0)+gt(random(7)\,0.33)'")
    return filters


def burn(
    path: Path, picture: Picture, look: Look, places: list[Place], boxes: list[Box] | None = None
) -> None:
    """Make one clip: background, overlay, spoiling, encoding. Its first frame is at time 0.

    Raises
    ------
    LookupError
        If the font is not installed.
    RuntimeError
        If ffmpeg fails; holds its message.
    """
    duration_s = min(place.series.shown[-1].end_s for place in places)
    inputs, filters = _background(replace(picture, rate_hz=picture.rate_hz * _fields(picture)))
    with TemporaryDirectory() as name:
        overlay = _overlay_filter(picture.size, look, places, boxes, Path(name))
        graph = ",".join([*filters, overlay, *_spoil(picture)])
        quiet = (
            ["-x265-params", "log-level=error:pools=none:frame-threads=1"]
            if picture.codec == "libx265"
            else []
        )
        ffmpeg(
            *inputs, "-t", f"{duration_s:.2f}", "-filter_complex", f"[0:v]{graph}[out]",
            "-map", "[out]", "-an", "-vsync", "vfr", "-c:v", picture.codec, "-threads", "1",
            "-preset", picture.preset, "-crf", str(picture.crf), "-pix_fmt", "yuv420p", *quiet,
            path.resolve(), cwd=Path(name),
        )  # fmt: skip


def _fields(picture: Picture) -> int:
    """Interleaving two frames into one halves the rate, so twice as many are drawn."""
    return 2 if picture.analogue else 1
