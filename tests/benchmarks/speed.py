"""How fast and how large reading is, against decoding the same file and throwing it away.

    python tests/benchmarks/speed.py speed   [--seconds 60] [--repeats 3]
    python tests/benchmarks/speed.py memory  [--seconds 15 600]
    python tests/benchmarks/speed.py workers
    python tests/benchmarks/speed.py startup

Every figure is measured in a process of its own (wall and CPU time, largest memory), the two
sides of a ratio by turns. Needs FFmpeg to make the clips, which are kept in a temporary folder.
"""

from __future__ import annotations

import argparse
import json
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
SAMPLES = ROOT / "sample_clips"
SOURCE = SAMPLES / "slab_m1_upper.mp4"
CACHE = Path(tempfile.gettempdir()) / "extractor-speed"

DECODE = """
import av, sys
with av.open(sys.argv[1]) as container:
    stream = container.streams.video[0]
    stream.thread_type = "NONE"
    for _ in container.decode(stream):
        pass
"""
READ = """
import sys
from pathlib import Path
import cv2
cv2.setNumThreads(1)
from extractor import clips, overlay, reading, readers
from extractor.overlay import Box
fields = overlay.load(Path(sys.argv[2])).fields
clip = clips.probe(Path(sys.argv[1]))
boxes = [f.box_for(clip.width, clip.height) for f in fields]
reading.read_clip(clip, fields, boxes, readers.create(sys.argv[3]), threads=1,
                  keyframes_only=len(sys.argv) > 4)
"""
NAIVE = """
import sys
from pathlib import Path
import cv2, pytesseract
from extractor import clips, overlay
fields = overlay.load(Path(sys.argv[2])).fields
clip = clips.probe(Path(sys.argv[1]))
boxes = [f.box_for(clip.width, clip.height) for f in fields]
video = cv2.VideoCapture(sys.argv[1])
due = 0.0
limit = float(sys.argv[3])
while True:
    good, image = video.read()
    at = video.get(cv2.CAP_PROP_POS_MSEC) / 1000
    if not good or at > limit:
        break
    if at < due:
        continue
    due += 0.2
    for b in boxes:
        grey = cv2.cvtColor(image[b.y:b.y + b.height, b.x:b.x + b.width], cv2.COLOR_BGR2GRAY)
        grey = cv2.resize(grey, None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC)
        black = cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)[1]
        pytesseract.image_to_string(black, config="--psm 7")
"""


def measured(*command: str) -> dict[str, float]:
    """Run a command; return wall and CPU seconds and the largest memory in MB."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    script = (
        "import os, resource, subprocess, sys, json\n"
        "done = subprocess.run(json.loads(sys.argv[1]))\n"
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)\n"
        "sys.exit(done.returncode)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, json.dumps(command)],
        check=True,
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return {
        "wall": time.perf_counter() - start,
        "cpu": after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime,
        "mb": int(done.stdout.split()[-1]) / 1024,
    }


def python(script: str, *arguments: object) -> dict[str, float]:
    return measured(sys.executable, "-c", script, *map(str, arguments))


def long_clip(seconds: int, size: str = "1920x1080", rate: int = 60) -> Path:
    path = CACHE / f"{size}-{rate}-{seconds}.mp4"
    if not path.exists():
        CACHE.mkdir(exist_ok=True)
        draft = path.with_suffix(".part.mp4")
        subprocess.run(
            [
                *("ffmpeg", "-v", "error", "-y", "-stream_loop", "-1", "-i", str(SOURCE)),
                *("-t", str(seconds), "-vf", f"scale={size.replace('x', ':')},fps={rate}"),
                *("-vf", f"scale={size.replace('x', ':')},noise=alls=6:allf=t,fps={rate}"),
                *("-c:v", "libx264", "-preset", "veryfast", "-b:v", "12M", "-g", "120", str(draft)),
            ],
            check=True,
        )
        draft.rename(path)
    return path


def speed(seconds: int, repeats: int) -> None:
    clip, overlay = long_clip(seconds), SAMPLES / "overlay.toml"
    rows: dict[str, list[dict[str, float]]] = {"decode": [], "read": [], "quick": []}
    for _ in range(repeats):
        rows["decode"].append(python(DECODE, clip))
        rows["read"].append(python(READ, clip, overlay, "network"))
        rows["quick"].append(python(READ, clip, overlay, "network", "quick"))
    naive_seconds = min(seconds, 6)
    naive = python(NAIVE, clip, overlay, naive_seconds)
    decode = {k: statistics.median(r[k] for r in rows["decode"]) for k in ("wall", "cpu", "mb")}
    print("| what | wall s | CPU s | MB | wall ratio | CPU ratio |\n|---|---|---|---|---|---|")
    for name, several in rows.items():
        middle = {k: statistics.median(r[k] for r in several) for k in ("wall", "cpu", "mb")}
        print(
            f"| {name} | {middle['wall']:.1f} | {middle['cpu']:.1f} | {middle['mb']:.0f} "
            f"| {middle['wall'] / decode['wall']:.2f} | {middle['cpu'] / decode['cpu']:.2f} |"
        )
    whole = naive["wall"] * seconds / naive_seconds
    print(
        f"| one OCR process a crop, 5 a second (from {naive_seconds} s) | {whole:.0f} "
        f"| {naive['cpu'] * seconds / naive_seconds:.0f} | {naive['mb']:.0f} "
        f"| {whole / decode['wall']:.1f} | |"
    )


def memory(lengths: list[int]) -> None:
    print("| clip | MB |\n|---|---|")
    for seconds in lengths:
        result = python(READ, long_clip(seconds), SAMPLES / "overlay.toml", "network")
        print(f"| {seconds} s, 1920x1080, 60 frames/s | {result['mb']:.0f} |", flush=True)


def workers() -> None:
    print("| workers | wall s |\n|---|---|")
    times = {}
    for count in (1, 2):
        with tempfile.TemporaryDirectory() as folder:
            for path in SAMPLES.iterdir():
                if path.is_file():
                    (Path(folder) / path.name).symlink_to(path)
            command = [sys.executable, "-m", "extractor", "read", folder, "--quiet"]
            times[count] = measured(*command, "--jobs", str(count), "--crosscheck", "0")["wall"]
        print(f"| {count} | {times[count]:.1f} |")
    print(f"\n2 workers are {times[1] / times[2]:.2f} times as fast as 1.")


def startup() -> None:
    print("| what | wall s |\n|---|---|")
    several = [measured(sys.executable, "-m", "extractor", "--help")["wall"] for _ in range(5)]
    bare = [measured(sys.executable, "-c", "pass")["wall"] for _ in range(5)]
    print(f"| `extractor --help`, less an empty Python | {min(several) - min(bare):.2f} |")
    with tempfile.TemporaryDirectory() as folder:
        for i in range(100):
            shutil.copy(SAMPLES / "fan_m2_lower.mp4", Path(folder) / f"{i:03d}.mp4")
        shutil.copy(SAMPLES / "overlay.toml", folder)
        command = [sys.executable, "-m", "extractor", "read", folder, "--quiet"]
        measured(*command, "--rate", "2")
        again = measured(*command, "--rate", "2")["wall"]
        print(f"| `extractor read`, 100 clips, nothing changed | {again:.2f} |")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=["speed", "memory", "workers", "startup"])
    parser.add_argument("--seconds", type=int, nargs="*", default=None)
    parser.add_argument("--repeats", type=int, default=3)
    arguments = parser.parse_args()
    os.environ["OMP_NUM_THREADS"] = "1"
    if arguments.what == "speed":
        speed((arguments.seconds or [60])[0], arguments.repeats)
    elif arguments.what == "memory":
        memory(arguments.seconds or [15, 600])
    elif arguments.what == "workers":
        workers()
    else:
        startup()


if __name__ == "__main__":
    main()
