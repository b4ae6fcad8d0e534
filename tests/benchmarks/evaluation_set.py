"""The evaluation set for readers: clips that training never sees, with truth.

Fonts, footage, renderer and encoders are none of the training's. A fixed seed gives the same
truth; pictures are equal up to the versions of ffmpeg and its encoders. Run it by hand::

    python tests/benchmarks/evaluation_set.py FOLDER [--only NAME] [--hard | --faces [NAME ...]]

With ``--faces`` each clip has a face of npm that training does not know (`FACES`); they have to be
installed: ``npm install @fontsource/NAME``, turned into TrueType as for training, and given the
package's name as family.

Each clip becomes four files: ``NAME.mp4``; ``NAME.csv``, the truth
(``start_s,end_s,bitrate,latency,level``; empty: nothing shown, ``--``: a dash shown);
``NAME.tight.toml`` and ``NAME.loose.toml``, both in the form of ``overlay.toml``.
"""

from __future__ import annotations

import argparse
import sys
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from outside.footage import missing
from outside.overlays import Look, Picture, Place, burn, loose_box, tight_box
from outside.truth import number_walk, write_truth

SEED = 20240
#: Rules were chosen while looking at the first eight; the others were read once.
FACES = (
    "pixelify-sans", "jura", "gugi", "reddit-mono", "tektur", "handjet", "krona-one", "smooch-sans",
    "workbench", "bitcount-single", "fragment-mono", "genos", "squada-one", "jersey-25",
    "kelly-slab", "zcool-qingke-huangyou",
)  # fmt: skip
DURATION_S = 20.0
HD, MIDDLE, FULL = (1280, 720), (1600, 900), (1920, 1080)


@dataclass(frozen=True, slots=True)
class Item:
    """One clip of the set."""

    name: str
    kind: str
    picture: Picture
    look: Look
    dashes: float = 0.02
    absences: float = 0.0
    plain: bool = False
    """No labels and no units."""
    unseen: tuple[str, ...] = ()
    """Fields that a person cannot see either (white on a white sky); they are not judged."""


def _x264(background: str, size: tuple[int, int], rate: float, crf: int, **more: bool) -> Picture:
    return Picture(background, size, rate, "libx264", crf, **more)


def _x265(background: str, size: tuple[int, int], rate: float, crf: int, **more: bool) -> Picture:
    return Picture(background, size, rate, "libx265", crf, preset="ultrafast", **more)


def catalogue() -> list[Item]:
    """Return the clips of the ordinary set."""
    outlined = {"outline_px": 2.0}
    dejavu, mono = "DejaVu Sans", "DejaVu Sans Mono"
    liberation, jetbrains = "Liberation Sans", "JetBrains Mono"
    seven = "DSEG7 Classic"
    return [
        Item("outlined-dejavu", "outlined", _x264("bikes", HD, 25, 20, mosaic=True),
             Look(dejavu, 28, bold=True, **outlined)),
        Item("shadow-mono", "shadowed", _x264("bunny", FULL, 30, 23),
             Look(mono, 40, shadow_px=2)),
        Item("yellow-liberation", "coloured", _x264("carphone", HD, 30, 28),
             Look(liberation, 30, bold=True, colour="ffe14d", **outlined)),
        Item("plain-green", "plain", _x264("bunny", MIDDLE, 25, 26),
             Look("Liberation Mono", 32, colour="60ff70")),
        Item("panel-narrow", "boxed", _x265("bikes", HD, 25, 24),
             Look("Liberation Sans Narrow", 26, panel="101018")),
        Item("drawtext-roboto", "boxed", _x264("bikes", HD, 30, 30),
             Look("Roboto", 24, panel="000000", panel_opacity=1.0, renderer="drawtext")),
        Item("translucent-roboto", "translucent", _x264("bunny", FULL, 25, 24),
             Look("Roboto", 38, bold=True, opacity=0.55)),
        Item("translucent-dejavu", "translucent", _x265("bikes", HD, 25, 26, mosaic=True),
             Look(dejavu, 30, opacity=0.6, renderer="drawtext")),
        Item("cyan-inconsolata", "coloured", _x265("carphone", HD, 50, 28),
             Look("Inconsolata", 30, colour="50f0ff", outline_px=1.5)),
        Item("dark-on-light", "boxed", _x264("bikes", MIDDLE, 25, 24, mosaic=True),
             Look(jetbrains, 26, colour="101010", panel="f0f0e8", panel_opacity=0.85)),
        Item("graded-hack", "coloured", _x264("carphone", FULL, 25, 27),
             Look("Hack", 34, outline_px=2.5, graded=True)),
        Item("seven-red", "seven-segment", _x264("bikes", MIDDLE, 25, 24),
             Look(seven, 34, colour="ff4040", panel="000000", panel_opacity=0.75), plain=True),
        Item("seven-plain", "seven-segment", _x264("bunny", HD, 30, 23),
             Look(seven, 32, bold=True, colour="a0ff60", shadow_px=1), plain=True),
        Item("seven-amber", "seven-segment", _x265("carphone", HD, 25, 27),
             Look(seven, 28, colour="ffc030", opacity=0.8, outline_px=1), plain=True),
        Item("small-dejavu", "16 px", _x264("bikes", HD, 25, 23, mosaic=True),
             Look(dejavu, 16, outline_px=1.5)),
        Item("small-roboto", "16 px", _x265("bunny", HD, 30, 27),
             Look("Roboto", 16, bold=True)),
        Item("small-inconsolata", "16 px", _x264("carphone", HD, 25, 28),
             Look("Inconsolata", 16, panel="202020", renderer="drawtext")),
        Item("heavy-x264", "heavy compression", _x264("bikes", HD, 25, 40, mosaic=True),
             Look(liberation, 30, bold=True, **outlined)),
        Item("heavy-x265", "heavy compression", _x265("bunny", HD, 25, 38),
             Look(jetbrains, 32, shadow_px=2)),
        Item("heavy-panel", "heavy compression", _x264("bunny", MIDDLE, 30, 41),
             Look(mono, 34, bold=True, panel="000000")),
        Item("analogue-dejavu", "analogue", _x264("bikes", HD, 25, 24, analogue=True),
             Look(dejavu, 32, bold=True, **outlined)),
        Item("analogue-hack", "analogue", _x264("carphone", HD, 25, 26, analogue=True),
             Look("Hack", 30, bold=True, shadow_px=2)),
        Item("dashes", "dashes", _x264("bunny", HD, 25, 25),
             Look(liberation, 30, bold=True, **outlined), dashes=0.2),
        Item("dashes-roboto", "dashes", _x265("bikes", HD, 25, 26),
             Look("Roboto", 28, bold=True, panel="000000", panel_opacity=0.5), dashes=0.2),
        Item("absent-busy", "absent", _x264("bunny", MIDDLE, 25, 25),
             Look(jetbrains, 30, bold=True, **outlined), absences=0.2),
        Item("absent-panel", "absent", _x265("bikes", HD, 30, 27, mosaic=True),
             Look(dejavu, 28, panel="102040"), absences=0.15, dashes=0.08),
        Item("variable-hack", "variable rate", _x264("bikes", MIDDLE, 30, 24, variable_rate=True),
             Look("Hack", 30, **outlined)),
        Item("variable-liberation", "variable rate",
             _x265("carphone", HD, 50, 28, variable_rate=True),
             Look("Liberation Mono", 28, bold=True, colour="fff0a0", shadow_px=2)),
        Item("rendered-outlined", "rendered background", _x264("mandelbrot", HD, 25, 26),
             Look("Roboto", 28, **outlined)),
        Item("rendered-plain", "rendered background", _x265("mandelbrot", HD, 25, 30),
             Look(liberation, 30, bold=True)),
    ]  # fmt: skip


def faces(names: Sequence[str]) -> list[Item]:
    """Return one clip a face, over footage and in looks that differ."""
    looks: list[dict[str, Any]] = [
        {"outline_px": 2.0}, {"shadow_px": 2}, {"panel": "101018"}, {},
        {"colour": "ffe14d", "outline_px": 1.5}, {"opacity": 0.7, "shadow_px": 1},
        {"colour": "101010", "panel": "f0f0e8", "panel_opacity": 0.85},
        {"colour": "60ff70", "outline_px": 1.5},
    ]  # fmt: skip
    items = []
    for index, name in enumerate(names):
        background = ("bikes", "bunny", "carphone")[index % 3]
        picture = _x264(background, HD, 25, 22 + index % 5, mosaic=background == "bikes")
        size = (30, 22, 36, 26, 18)[index % 5]
        family = name.replace("-", " ").title()
        items.append(Item(name, "face", picture, Look(family, size, **looks[index % 8])))
    return items


def hard() -> list[Item]:
    """Return the clips that are meant to fail often, to see whether `confidence` says so."""
    steps = [
        ("libx264", 44, 24, 0, 1.0), ("libx264", 47, 28, 0, 1.0), ("libx265", 43, 24, 0, 1.0),
        ("libx264", 38, 16, 0, 0.7), ("libx264", 34, 11, 0, 1.0), ("libx265", 34, 13, 0, 0.8),
        ("libx264", 30, 22, 60, 0.6), ("libx264", 36, 22, 40, 0.5), ("libx265", 36, 28, 0, 0.35),
        ("libx264", 32, 34, 0, 0.25), ("libx264", 42, 18, 20, 0.9), ("libx265", 40, 18, 0, 0.8),
    ]  # fmt: skip
    families = ("DejaVu Sans", "Roboto", "Liberation Sans", "Hack", "Inconsolata", "JetBrains Mono")
    backgrounds = ("bikes", "bunny", "carphone")
    items = []
    for index, (codec, crf, digit_px, noise, opacity) in enumerate(steps):
        preset = "ultrafast" if codec == "libx265" else "veryfast"
        picture = Picture(
            backgrounds[index % 3], HD, 25, codec, crf, mosaic=True, noise=noise, preset=preset
        )
        look = Look(families[index % 6], digit_px, bold=index % 2 == 0, opacity=opacity)
        # The level stands at the bottom, where two of the mirrored backgrounds are white.
        unseen = ("level",) if index % 3 == 1 or index in (8, 11) else ()
        items.append(Item(f"hard-{index + 1:02d}", "hard", picture, look, unseen=unseen))
    return items


def places(item: Item, rng: np.random.Generator, duration_s: float) -> dict[str, Place]:
    """Lay out three numbers: a bitrate, a delay, and a level in dBm or a supply voltage."""
    (width, height), digit = item.picture.size, item.look.digit_px
    gaps = {"dashes": item.dashes, "absences": item.absences}
    walks = {
        "bitrate": {"low": 0.0, "high": 40.0, "step": 4.0, "decimals": 1},
        "latency": {"low": 8, "high": 180, "step": 20, "decimals": 0},
        "level": rng.choice(
            [  # type: ignore[arg-type]
                {"low": -96, "high": -38, "step": 5, "decimals": 0},
                {"low": 13.2, "high": 16.8, "step": 0.2, "decimals": 1},
            ]
        ),
    }
    units = {"bitrate": "Mb/s", "latency": "ms", "level": ""}
    labels = {"bitrate": "", "latency": "DELAY", "level": "LVL"}
    found = {}
    for row, (name, walk) in enumerate(walks.items()):
        series = number_walk(rng, duration_s, **walk, **gaps)  # type: ignore[arg-type]
        x = round(width * (0.3, 0.72, 0.45)[row] + rng.uniform(-0.1, 0.1) * width)
        y = round(height * (0.1, 0.3, 0.9)[row] + rng.uniform(-0.02, 0.04) * height + digit)
        right = bool(rng.random() < 0.5)
        drawn_by_text = item.look.renderer == "drawtext"
        found[name] = Place(
            series, x, y, right,
            label="" if item.plain or drawn_by_text else labels[name],
            unit="" if item.plain else units[name],
            unit_in_box=bool(rng.random() < 0.4) or (drawn_by_text and not item.plain),
        )  # fmt: skip
    return found


def make(item: Item, folder: Path, duration_s: float = DURATION_S, seed: int = SEED) -> None:
    """Make the four files of one clip, unless they are there."""
    if (folder / f"{item.name}.loose.toml").exists():
        return
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([seed, zlib.crc32(item.name.encode())])
    laid = places(item, rng, duration_s)
    size = item.picture.size
    tight = {name: tight_box(size, item.look, place) for name, place in laid.items()}
    loose = {name: loose_box(box, size, rng) for name, box in tight.items()}
    burn(
        folder / f"{item.name}.mp4", item.picture, item.look, list(laid.values()),
        list(tight.values()),
    )  # fmt: skip
    write_truth(folder / f"{item.name}.csv", {name: one.series for name, one in laid.items()})
    for kind, boxes in (("tight", tight), ("loose", loose)):
        (folder / f"{item.name}.{kind}.toml").write_text(_overlay_toml(size, boxes, laid))


def _overlay_toml(
    size: tuple[int, int], boxes: dict[str, tuple[int, int, int, int]], laid: dict[str, Place]
) -> str:
    text = "version = 1\n"
    for name, box in boxes.items():
        text += f'\n[[field]]\nname = "{name}"\nunit = "{laid[name].unit}"\n'
        text += f"frame = {list(size)}\nbox = {list(box)}\n"
    return text


def items_of(options: argparse.Namespace) -> list[Item]:
    """Return the clips of the set that was asked for."""
    if options.hard:
        return hard()
    return catalogue() if options.faces is None else faces(options.faces or FACES)


def shortened(items: Iterable[Item], rate_hz: float = 25.0) -> list[Item]:
    """Return `items` in small pictures at one rate, quick to make: for tests."""
    return [
        replace(item, picture=replace(item.picture, size=HD, rate_hz=rate_hz)) for item in items
    ]


def main() -> None:
    """Make the set."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("folder", type=Path, help="where the clips go (outside the repository)")
    parser.add_argument("--only", nargs="*", help="names of clips")
    parser.add_argument("--hard", action="store_true", help="the hard set instead")
    parser.add_argument("--faces", nargs="*", help="faces unlike training's instead")
    parser.add_argument("--duration", type=float, default=DURATION_S, help="seconds (default 20)")
    parser.add_argument("--seed", type=int, default=SEED, help="other numbers at other places")
    options = parser.parse_args()
    if reason := missing():
        raise SystemExit(reason)
    for item in items_of(options):
        if not options.only or item.name in options.only:
            print(item.name, flush=True)
            make(item, options.folder, options.duration, options.seed)


if __name__ == "__main__":
    main()
