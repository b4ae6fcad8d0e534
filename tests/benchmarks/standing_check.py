"""Whether a sample taken over from the one before (`reading/standing.py`) hides a change.

    python tests/benchmarks/standing_check.py FOLDER [--seed 7301]

Makes seven clips of 15 s meant to break it: strong noise or few bits a picture, and numbers
that mostly change in their last digit alone. Each is read with the rule and without. A row a clip:
samples, share taken over, samples read otherwise, change instants found otherwise, and of those
away from a change (40 ms) how many are wrong and how many missing, with it and without it.
"""

from __future__ import annotations

import argparse
import sys
import zlib
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

import evaluation_set as made  # noqa: E402
from exact_agreement import judged  # noqa: E402
from outside.overlays import Look, Picture, Place, burn, loose_box, tight_box  # noqa: E402
from outside.truth import number_walk, read_truth, write_truth  # noqa: E402

from extractor import ReadOptions, read_clip  # noqa: E402
from extractor.reading.standing import Standing  # noqa: E402
from extractor.session import overlay_file  # noqa: E402

DURATION_S = 15.0
HD, FULL = (1280, 720), (1920, 1080)
#: Background, size, rate, codec, CRF, noise; face, digit height in pixels, more of its look.
CLIPS = [
    ("bikes", HD, 25, "libx264", 40, 0, "DejaVu Sans", 28, {"outline_px": 2.0}),
    ("bunny", HD, 30, "libx265", 38, 0, "Roboto", 30, {"shadow_px": 2}),
    ("carphone", FULL, 60, "libx264", 42, 0, "Hack", 34, {"panel": "101018"}),
    ("bikes", HD, 25, "libx264", 34, 40, "Liberation Sans", 24, {"outline_px": 1.5}),
    ("bunny", HD, 50, "libx264", 36, 60, "JetBrains Mono", 32, {"colour": "ffe14d"}),
    ("mandelbrot", HD, 25, "libx264", 44, 0, "DejaVu Sans Mono", 22, {"panel": "000000"}),
    ("carphone", HD, 30, "libx265", 40, 20, "Inconsolata", 30, {"opacity": 0.7, "shadow_px": 1}),
]
WALKS = {
    "bitrate": {"low": 10.0, "high": 40.0, "step": 0.15, "decimals": 1},
    "latency": {"low": 20.0, "high": 180.0, "step": 1.5, "decimals": 0},
}


def make(index: int, folder: Path, seed: int) -> str:
    """Make one clip, its truth and its boxes, unless they are there; return its name."""
    background, size, rate, codec, crf, noise, face, digit_px, more = CLIPS[index]
    name = f"standing-{index + 1}"
    if (folder / f"{name}.toml").exists():
        return name
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
    look = Look(face, digit_px, bold=index % 2 == 0, **more)
    laid = {}
    for row, (field, walk) in enumerate(WALKS.items()):
        series = number_walk(rng, DURATION_S, hold_s=(0.3, 1.2), dashes=0.02, **walk)
        x, y = round(size[0] * (0.3, 0.6)[row]), round(size[1] * (0.12, 0.3)[row]) + digit_px
        unit = {"bitrate": "Mb/s", "latency": "ms"}[field]
        laid[field] = Place(series, x, y, bool(row), label="", unit=unit, unit_in_box=False)
    tight = {field: tight_box(size, look, place) for field, place in laid.items()}
    preset = "ultrafast" if codec == "libx265" else "veryfast"
    picture = Picture(background, size, rate, codec, crf, noise=noise, preset=preset)
    burn(folder / f"{name}.mp4", picture, look, list(laid.values()), list(tight.values()))
    write_truth(folder / f"{name}.csv", {field: one.series for field, one in laid.items()})
    loose = {field: loose_box(box, size, rng) for field, box in tight.items()}
    (folder / f"{name}.toml").write_text(made._overlay_toml(size, loose, laid))
    return name


def counts(folder: Path, name: str) -> list[int]:
    """Return samples, taken over, otherwise, instants; wrong, missing: each with and without."""
    fields = overlay_file.load(folder / f"{name}.toml")
    rule, inner, taken = Standing.limit, Standing.read, [0, 0]

    def counted(self: Standing, crops):  # type: ignore[no-untyped-def]
        lines = inner(self, crops)
        taken[0] += len(lines)
        taken[1] += len(lines) - len({id(line) for line in lines})
        return lines

    both = []
    try:
        Standing.read = counted  # type: ignore[method-assign]
        for limit in (rule, property(lambda _: -1.0)):
            Standing.limit = limit  # type: ignore[assignment,method-assign]
            both.append(read_clip(folder / f"{name}.mp4", fields, ReadOptions(crosscheck=0)))
            Standing.read = inner  # type: ignore[method-assign]
    finally:
        Standing.read, Standing.limit = inner, rule  # type: ignore[method-assign]
    truth = read_truth(folder / f"{name}.csv")
    otherwise, moved, found = 0, 0, np.zeros((2, 2), int)
    for item in fields.fields:
        ours, theirs = (one[item.name] for one in both)
        same = (ours.flag == theirs.flag) & ((ours.value == theirs.value) | ours.value.isna())
        otherwise += int((~same).sum())
        moved += int((same & ((ours.since_s - theirs.since_s).abs() > 1e-6)).sum())
        for k, one in enumerate((ours, theirs)):
            found[k] += judged(one, truth[item.name])
    return [*taken, otherwise, moved, *found.T.ravel().tolist()]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=7301)
    options = parser.parse_args()
    print("| clip | samples | taken over, % | read otherwise | since otherwise "
          "| wrong: with, without | missing: with, without |\n"
          "|---|---|---|---|---|---|---|")  # fmt: skip
    total = np.zeros(8, int)
    for index in range(len(CLIPS)):
        name = make(index, options.folder, options.seed)
        row = np.array(counts(options.folder, name))
        total += row
        for what, cells in ((name, row), ("all", total))[: 1 + (index == len(CLIPS) - 1)]:
            share = 100 * cells[1] / cells[0]
            print("| {} | {} | {:.0f} | {} | {} | {}, {} | {}, {} |".format(
                what, cells[0], share, *cells[2:]), flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
