"""How the cost of reading grows: one thing at four sizes, the rest held.

    python tests/benchmarks/growth.py [--picture docs/pictures/growth.png] [--only NAME ...]

CPU seconds that reading with the built-in reader takes in a process of its own, without the
process's start (so that what else runs on the machine matters little), the median of five. The
slope in the double logarithmic plot is the power of growth: 1 is linear.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from clipmaker import make_clip, stairs, steady  # noqa: E402

SIZE = (640, 360)
SECONDS = 16
READ = """
import sys, time
from pathlib import Path
import cv2
cv2.setNumThreads(1)
from extractor.reading import clip_reading, readers
from extractor.session.overlay import Box, Field
from extractor.video import clips
path, count, fields, rate = Path(sys.argv[1]), *map(float, sys.argv[2:5])
reader = readers.create("network")
clip = clips.probe(path)
scale = clip.width / 640
box = Box(*(round(v * scale) for v in (80, 40, 128, 64)))
names = [Field(f"f{i}", (clip.width, clip.height), box) for i in range(int(fields))]
start = time.process_time()
for _ in range(int(count)):
    clip_reading.read_fields(clip, names, [box] * len(names), reader, rate_hz=rate)
print(time.process_time() - start)
"""


def cpu_s(clip: Path, count: int, fields: int, rate: float) -> float:
    command = [sys.executable, "-c", READ, str(clip), *map(str, (count, fields, rate))]
    runs = [subprocess.run(command, check=True, cwd=ROOT, stdout=subprocess.PIPE) for _ in range(5)]
    return statistics.median(float(run.stdout) for run in runs)


def clip_of(folder: Path, seconds: float, size: tuple[int, int]) -> Path:
    path = folder / f"{seconds:g}-{size[0]}.mp4"
    if not path.exists():
        make_clip(path, steady(seconds), stairs, size=size)
    return path


#: What grows: its sizes, and for each the clip's seconds and size, clips, fields and rate.
SERIES = {
    "clip length, s": [(s, s, SIZE, 1, 1, 10) for s in (8, 16, 32, 64)],
    "clips": [(n, SECONDS, SIZE, n, 1, 10) for n in (1, 2, 4, 8)],
    "fields": [(n, SECONDS, SIZE, 1, n, 10) for n in (1, 2, 4, 8)],
    "samples a second": [(r, SECONDS, SIZE, 1, 1, r) for r in (2.5, 5, 10, 20)],
    "picture, million pixels": [
        (w * w * 9 / 16 / 1e6, SECONDS, (w, w * 9 // 16), 1, 1, 10) for w in (320, 640, 1280, 1920)
    ],
}


def measure(folder: Path, wanted: list[str]) -> dict[str, tuple[list[float], list[float]]]:
    found = {}
    for name, rows in SERIES.items():
        if wanted and not any(w in name for w in wanted):
            continue
        sizes, costs = [], []
        for at, seconds, size, count, fields, rate in rows:
            clip = clip_of(folder, seconds, size)
            sizes.append(float(at))
            costs.append(cpu_s(clip, count, fields, rate))
        found[name] = (sizes, costs)
        slope = np.polyfit(np.log(sizes), np.log(costs), 1)[0]
        cells = " | ".join(f"{s:g}: {c:.2f}" for s, c in zip(sizes, costs, strict=True))
        print(f"| {name} | {cells} | {slope:.2f} |", flush=True)
    return found


def draw(found: dict[str, tuple[list[float], list[float]]], path: Path) -> None:
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    figure, axes = plt.subplots(1, len(found), figsize=(2.6 * len(found), 2.9), squeeze=False)
    for ax, (name, (sizes, costs)) in zip(axes[0], found.items(), strict=True):
        ax.loglog(sizes, costs, "o-", color="#20639b")
        ax.loglog(sizes, [costs[0] * s / sizes[0] for s in sizes], ":", color="#777777")
        ax.set_xticks(sizes, [f"{s:.2g}" for s in sizes])
        ax.minorticks_off()
        ax.set_xlabel(name)
    axes[0][0].set_ylabel("CPU time, s (dotted: linear)")
    figure.tight_layout()
    figure.savefig(path, dpi=110)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--picture", type=Path, default=ROOT / "docs/pictures/growth.png")
    parser.add_argument("--only", nargs="*", default=[], help="parts of names of what grows")
    arguments = parser.parse_args()
    print("| what | size: CPU s | | | | power |\n|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as folder:
        found = measure(Path(folder), arguments.only)
    if found and not arguments.only:
        draw(found, arguments.picture)


if __name__ == "__main__":
    main()
