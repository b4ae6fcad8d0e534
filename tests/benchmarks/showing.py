"""How fast pictures and films are made, against FFmpeg doing the same work on the footage.

    python tests/benchmarks/showing.py [--seconds 20] [--runs 16] [--repeats 3] [mosaic annotate …]

Clips of 1280x720 at 30 pictures a second are made of the sample clips and kept in a temporary
folder; their readings are the sample's truth, repeated. Mosaic and annotated clip are measured by
turns with `ffmpeg` decoding, scaling, stacking and encoding the same clips with the same preset;
the median of the ratios is shown. Report, card and ranking film in seconds, each in a process of
its own. Wall and processor time; on a busy machine look at the ratio of the latter.
"""

from __future__ import annotations

import argparse
import math
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests"))
CACHE = Path(tempfile.gettempdir()) / "extractor-showing"
WHAT = ("mosaic", "annotate", "report", "card", "film")
ENCODED = ("-c:v", "libx264", "-preset", "veryfast", "-crf", "20", "-pix_fmt", "yuv420p")


def session(seconds: int, runs: int) -> Path:
    """Return a session of so many runs of one length, made once."""
    from report_making import truth_session

    folder = CACHE / f"club-{seconds}-{runs}"
    if not folder.exists():
        shutil.rmtree(folder.with_name(folder.name + ".new"), ignore_errors=True)
        made = truth_session(folder.with_name(folder.name + ".new"), clips=True)
        for path in sorted(made.iterdir()):
            if path.suffix in (".mp4", ".mkv", ".ts"):
                lengthen(path, seconds)
        repeat_readings(made, seconds)
        made.rename(folder)
    shutil.rmtree(folder / "results" / "videos", ignore_errors=True)
    return folder


def lengthen(path: Path, seconds: int) -> None:
    """Play a clip again and again up to a length, at 1280x720."""
    kind = {".mkv": "matroska", ".ts": "mpegts"}.get(path.suffix, "mp4")
    other = path.with_suffix(".new")
    ffmpeg("-stream_loop", "-1", "-i", path, "-t", seconds, "-vf", "scale=1280:720", "-r", "30",
           "-c:v", "libx264", "-preset", "veryfast", "-b:v", "6M", "-f", kind, other)  # fmt: skip
    other.replace(path)


def repeat_readings(folder: Path, seconds: int) -> None:
    import pandas as pd

    for path in (folder / "results" / "readings").glob("*.csv"):
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        times = table["time_s"].astype(float)
        length = float(times.iloc[-1]) + 0.1
        parts = []
        for k in range(math.ceil(seconds / length)):
            part = table.copy()
            for column in [c for c in table if c == "time_s" or c.endswith("_since_s")]:
                known = part[column] != ""
                moved = part.loc[known, column].astype(float) + k * length
                part.loc[known, column] = moved.map("{:.3f}".format)
            parts.append(part[part["time_s"].astype(float) < seconds])
        pd.concat(parts).to_csv(path, index=False)


def ffmpeg(*arguments: object) -> None:
    command = ["ffmpeg", "-v", "error", "-y", *map(str, arguments)]
    subprocess.run(command, check=True, stdin=subprocess.DEVNULL)


def stacked(folder: Path, out: Path) -> None:
    """Decode, scale, stack and encode as the mosaic does, without anything drawn."""
    clips = sorted(p for p in folder.iterdir() if p.suffix in (".mp4", ".mkv", ".ts"))
    inputs = [part for clip in clips for part in ("-i", clip)]
    scale = "".join(f"[{i}:v]scale=480:270,fps=30[v{i}];" for i in range(len(clips)))
    places = "|".join(f"{i % 4 * 480}_{i // 4 * 270}" for i in range(len(clips)))
    names = "".join(f"[v{i}]" for i in range(len(clips)))
    graph = f"{scale}{names}xstack=inputs={len(clips)}:layout={places}[o]"
    ffmpeg(*inputs, "-filter_complex", graph, "-map", "[o]", *ENCODED, out)


def own(*arguments: object) -> None:
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "extractor", *map(str, arguments), "--quiet"]
    subprocess.run(command, check=True, env=environment, stdout=subprocess.DEVNULL)


def took(work, *arguments: object) -> tuple[float, float]:
    """Return wall and processor seconds of the processes that some work starts."""
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    work(*arguments)
    wall, after = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
    busy = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return wall, busy


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", nargs="*", default=WHAT)
    parser.add_argument("--seconds", type=int, default=20)
    parser.add_argument("--runs", type=int, default=16)
    parser.add_argument("--repeats", type=int, default=3)
    asked = parser.parse_args()
    folder = session(asked.seconds, asked.runs)
    clip = next(iter(sorted(folder.glob("slab*.mp4"))))
    out = CACHE / "out.mp4"
    same = {
        "mosaic": (lambda: own("mosaic", folder, "--out", out), lambda: stacked(folder, out)),
        "annotate": (
            lambda: own("annotate", folder, "--clip", clip.name, "--out", out),
            lambda: ffmpeg("-i", clip, *ENCODED, out),
        ),
    }
    for what in asked.what:
        ours, theirs = [], []
        for _ in range(asked.repeats):
            if what in same:
                ours.append(took(same[what][0]))
                theirs.append(took(same[what][1]))
            else:
                ours.append(took(own, what, folder))
        line = f"{what}: {said(ours)}"
        if theirs:
            pairs = list(zip(ours, theirs, strict=True))
            wall = statistics.median(a[0] / b[0] for a, b in pairs)
            busy = statistics.median(a[1] / b[1] for a, b in pairs)
            line += f"; ffmpeg {said(theirs)}; ratio {wall:.2f} wall, {busy:.2f} processor"
        print(line, flush=True)


def said(times: list[tuple[float, float]]) -> str:
    wall, busy = (statistics.median(part) for part in zip(*times, strict=True))
    return f"{wall:.1f} s wall, {busy:.1f} s processor"


if __name__ == "__main__":
    main()
