"""How fast and how large reading is, against decoding the same file and throwing it away.

    python tests/benchmarks/speed.py speed   [--seconds 60] [--repeats 3] [--clip hd|cheap]
    python tests/benchmarks/speed.py profile [--seconds 20] [--clip hd|cheap]
    python tests/benchmarks/speed.py skipping [--file CLIP ...] [--repeats 3]
    python tests/benchmarks/speed.py memory  [--seconds 10 1200]
    python tests/benchmarks/speed.py workers [--repeats 3]
    python tests/benchmarks/speed.py startup

Every figure is measured in a process of its own (wall and CPU time, largest memory), the two
sides of a ratio by turns; medians are shown. Needs FFmpeg to make the clips, which are kept in
a temporary folder: `hd` is 1920x1080, 60 frames/s, H.264 at 12 Mbit/s; `cheap` is a sample clip
(1600x900, 30 frames/s, 0.3 Mbit/s) repeated. `skipping` decodes clips without the frames that
nothing refers to, and without the loop filter, and reads them with and without the filter. Clips of
the evaluation set have their overlay beside them as NAME.tight.toml, others in overlay.toml.
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
SOURCE = SAMPLES / "slab_m1_red.mp4"
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
from extractor.reading import clip_reading, readers
from extractor.session import overlay, overlay_file
from extractor.video import clips
fields = overlay_file.load(Path(sys.argv[2])).fields
clip = clips.probe(Path(sys.argv[1]))
boxes = [f.box_for(clip.width, clip.height) for f in fields]
clip_reading.read_fields(clip, fields, boxes, readers.create(sys.argv[3]), threads=1,
                  keyframes_only=len(sys.argv) > 4)
"""
#: Decodes a clip while the decoder leaves out what the second argument says.
SKIP = """
import av, sys
with av.open(sys.argv[1]) as container:
    stream = container.streams.video[0]
    stream.thread_type = "NONE"
    if sys.argv[2] == "frames":
        stream.codec_context.skip_frame = "NONREF"
    if sys.argv[2] == "filter":
        stream.codec_context.options = {"skip_loop_filter": "all"}
    for _ in container.decode(stream):
        pass
"""
#: Reads a clip with and without the loop filter; writes how the readings differ, as JSON.
UNFILTERED = """
import json, math, sys
from pathlib import Path
from extractor.reading import clip_reading, readers
from extractor.session import overlay
from extractor.video import clips, decoding
fields = overlay_file.load(Path(sys.argv[2])).fields
clip = clips.probe(Path(sys.argv[1]))
boxes = [f.box_for(clip.width, clip.height) for f in fields]
reader = readers.create("network")
found = [clip_reading.read_fields(clip, fields, boxes, reader)]
inner = decoding.picture_stream
def unfiltered(container, path):
    stream = inner(container, path)
    stream.codec_context.options = stream.codec_context.options | {"skip_loop_filter": "all"}
    return stream
decoding.picture_stream = unfiltered
found.append(clip_reading.read_fields(clip, fields, boxes, reader))
counts = dict(readings=0, accepted_in_one=0, other_text=0, other_instant=0)
for field in fields:
    one, other = (f.fields[field.name] for f in found)
    for row in range(len(one.text)):
        sure = [f.confidence[row] >= reader.gate for f in (one, other)]
        counts["readings"] += 1
        counts["accepted_in_one"] += sure[0] != sure[1]
        both = all(sure)
        counts["other_text"] += both and one.text[row] != other.text[row]
        since = one.since_s[row], other.since_s[row]
        same = since[0] == since[1] or all(map(math.isnan, since))
        counts["other_instant"] += both and one.text[row] == other.text[row] and not same
print(json.dumps(counts))
"""
#: Reads a clip as READ does and writes the CPU seconds spent inside some functions, as JSON.
PROFILE = """
import json, sys, time
from pathlib import Path
import cv2
cv2.setNumThreads(1)
from extractor.reading import clip_reading, readers
from extractor.session import overlay
from extractor.video import clips
from extractor.reading.readers import network
fields = overlay_file.load(Path(sys.argv[2])).fields
clip = clips.probe(Path(sys.argv[1]))
boxes = [f.box_for(clip.width, clip.height) for f in fields]
spent, crops = {}, 0
def timed(owner, name):
    inner = getattr(owner, name)
    spent[name] = 0.0
    def outer(*arguments, **named):
        start = time.process_time()
        try:
            return inner(*arguments, **named)
        finally:
            spent[name] += time.process_time() - start
    setattr(owner, name, outer)
for owner, name in ((clips.Cutter, "cut"), (network, "scaled"), (network, "normalised"),
                    (network.NetworkReader, "_forward"), (network.NetworkReader, "read")):
    timed(owner, name)
reader = readers.create("network")
inner = reader.read
def counted(several):
    global crops
    crops += len(several)
    return inner(several)
reader.read = counted
start = time.process_time()
clip_reading.read_fields(clip, fields, boxes, reader, threads=1)
print(json.dumps(spent | {"all": time.process_time() - start, "crops": crops}))
"""
NAIVE = """
import sys
from pathlib import Path
import cv2, pytesseract
from extractor.session import overlay
from extractor.video import clips
fields = overlay_file.load(Path(sys.argv[2])).fields
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


def hd_clip(seconds: int) -> Path:
    """Return a clip that costs as much to decode as a recorder's."""
    return _made(
        f"hd-{seconds}.mp4",
        *("-stream_loop", "-1", "-i", str(SOURCE), "-t", str(seconds)),
        *("-vf", "scale=1920:1080,noise=alls=6:allf=t,fps=60"),
        *("-c:v", "libx264", "-preset", "veryfast", "-b:v", "12M", "-g", "120"),
    )


def repeated(source: Path, seconds: int) -> Path:
    """Return a clip played over and over, without encoding it anew."""
    return _made(
        f"{source.stem}-repeated-{seconds}.mp4",
        *("-stream_loop", "-1", "-i", str(source), "-t", str(seconds), "-c", "copy"),
    )


def _made(name: str, *how: str) -> Path:
    path = CACHE / name
    if not path.exists():
        CACHE.mkdir(exist_ok=True)
        draft = path.with_suffix(".part.mp4")
        subprocess.run(["ffmpeg", "-v", "error", "-y", *how, str(draft)], check=True)
        draft.rename(path)
    return path


def session_of(clip: Path, folder: Path) -> list[str]:
    """Return the command that reads a session of one clip from the start, on one process."""
    for old in folder.iterdir():
        shutil.rmtree(old) if old.is_dir() else old.unlink()
    (folder / clip.name).symlink_to(clip)
    shutil.copy(SAMPLES / "overlay.toml", folder)
    return [sys.executable, "-m", "extractor", "read", str(folder), "--quiet", "--jobs", "1"]


def middle(several: list[dict[str, float]]) -> dict[str, float]:
    return {key: statistics.median(one[key] for one in several) for key in ("wall", "cpu", "mb")}


def speed(clip: Path, seconds: int, repeats: int) -> None:
    overlay = SAMPLES / "overlay.toml"
    rows: dict[str, list[dict[str, float]]] = {
        "decode every frame and throw it away": [],
        "read": [],
        "`extractor read`, whole command": [],
        "the same without cross-check": [],
        "quick": [],
    }
    naive: list[dict[str, float]] = []
    naive_seconds = min(seconds, 6)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for _ in range(repeats):
            several = iter(rows.values())
            next(several).append(python(DECODE, clip))
            next(several).append(python(READ, clip, overlay, "network"))
            next(several).append(measured(*session_of(clip, folder)))
            next(several).append(measured(*session_of(clip, folder), "--crosscheck", "0"))
            next(several).append(python(READ, clip, overlay, "network", "quick"))
            naive.append(python(NAIVE, clip, overlay, naive_seconds))
    results = {what: middle(several) for what, several in rows.items()}
    decode, read = list(results.values())[:2]
    print("| what | wall s | CPU s | MB | wall ratio | CPU ratio |\n|---|---|---|---|---|---|")
    for what, one in results.items():
        print(
            f"| {what} | {one['wall']:.1f} | {one['cpu']:.1f} | {one['mb']:.0f} "
            f"| {one['wall'] / decode['wall']:.2f} | {one['cpu'] / decode['cpu']:.2f} |"
        )
    slow = middle(naive)
    whole = {key: slow[key] * seconds / naive_seconds for key in ("wall", "cpu")}
    print(
        f"| one OCR process a crop, 5 a second (from {naive_seconds} s) | {whole['wall']:.0f} "
        f"| {whole['cpu']:.0f} | {slow['mb']:.0f} | {whole['wall'] / decode['wall']:.1f} "
        f"| {whole['cpu'] / decode['cpu']:.1f} |"
    )
    print(
        f"\nThe last takes {whole['wall'] / read['wall']:.1f} times as long as reading (CPU "
        f"{whole['cpu'] / read['cpu']:.1f} times); quick takes "
        f"{results['quick']['wall'] / read['wall']:.2f} of reading."
    )


def profile(clip: Path) -> None:
    overlay = SAMPLES / "overlay.toml"
    decode = python(DECODE, clip)["cpu"] - python("import av")["cpu"]
    done = subprocess.run(
        [sys.executable, "-c", PROFILE, str(clip), str(overlay)],
        check=True, stdout=subprocess.PIPE, text=True, cwd=ROOT,
    )  # fmt: skip
    spent = json.loads(done.stdout.splitlines()[-1])
    network = spent["_forward"] - spent["normalised"]
    rest = spent["all"] - decode - spent["read"] - spent["cut"]
    print("| part | CPU s |\n|---|---|")
    print(f"| decoding alone, another process | {decode:.2f} |")
    print(f"| recognising {spent['crops']} crops | {spent['read']:.2f} |")
    print(f"| of which the network | {network:.2f} |")
    print(f"| normalising | {spent['normalised']:.2f} |")
    print(f"| resizing | {spent['scaled']:.2f} |")
    print(f"| cutting crops and thumbnails | {spent['cut']:.2f} |")
    print(f"| the rest | {rest:.2f} |")


def skipping(several: list[Path], repeats: int) -> None:
    print(
        "| clip | without unreferenced frames | without loop filter | readings "
        "| accepted in one only | other text | other instant |"
    )
    print("|---|---|---|---|---|---|---|")
    for clip in several:
        beside = clip.with_suffix(".tight.toml")
        overlay = beside if beside.exists() else clip.parent / "overlay.toml"
        costs: dict[str, list[float]] = {"nothing": [], "frames": [], "filter": []}
        for _ in range(repeats):
            for what, spent in costs.items():
                spent.append(python(SKIP, clip, what)["cpu"])
        whole, *less = (statistics.median(spent) for spent in costs.values())
        done = subprocess.run(
            [sys.executable, "-c", UNFILTERED, str(clip), str(overlay)],
            check=True, stdout=subprocess.PIPE, text=True, cwd=ROOT,
        )  # fmt: skip
        counts = json.loads(done.stdout.splitlines()[-1])
        cells = [f"{one / whole:.2f}" for one in less] + [str(n) for n in counts.values()]
        print(f"| {clip.name} | " + " | ".join(cells) + " |", flush=True)


def memory(lengths: list[int]) -> None:
    print("| clip | MB |\n|---|---|")
    overlay = SAMPLES / "overlay.toml"
    for seconds in lengths:
        result = python(READ, repeated(hd_clip(10), seconds), overlay, "network")
        print(f"| {seconds} s, 1920x1080, 60 frames/s | {result['mb']:.0f} |", flush=True)


def workers(repeats: int) -> None:
    print("| workers | wall s |\n|---|---|")
    times: dict[int, list[float]] = {1: [], 2: []}
    for _ in range(repeats):
        for count, several in times.items():
            with tempfile.TemporaryDirectory() as folder:
                for path in SAMPLES.iterdir():
                    if path.is_file():
                        (Path(folder) / path.name).symlink_to(path)
                command = [sys.executable, "-m", "extractor", "read", folder, "--quiet"]
                done = measured(*command, "--jobs", str(count), "--crosscheck", "0")
                several.append(done["wall"])
    middles = {count: statistics.median(several) for count, several in times.items()}
    for count, one in middles.items():
        print(f"| {count} | {one:.1f} |")
    print(f"\n2 workers are {middles[1] / middles[2]:.2f} times as fast as 1.")


def startup() -> None:
    print("| what | wall s, median of 5 |\n|---|---|")
    help_ = [measured(sys.executable, "-m", "extractor", "--help")["wall"] for _ in range(5)]
    bare = [measured(sys.executable, "-c", "pass")["wall"] for _ in range(5)]
    print(f"| an empty Python, two processes deep | {statistics.median(bare):.2f} |")
    print(f"| `extractor --help`, the same way | {statistics.median(help_):.2f} |")
    with tempfile.TemporaryDirectory() as folder:
        for i in range(100):
            shutil.copy(SAMPLES / "fan_m2_green.mp4", Path(folder) / f"{i:03d}.mp4")
        shutil.copy(SAMPLES / "overlay.toml", folder)
        command = [sys.executable, "-m", "extractor", "read", folder, "--quiet"]
        measured(*command, "--rate", "2")
        again = [measured(*command, "--rate", "2")["wall"] for _ in range(5)]
        again_s = statistics.median(again)
        print(f"| `extractor read`, 100 clips, nothing changed | {again_s:.2f} |")


WAYS = ("speed", "profile", "skipping", "memory", "workers", "startup")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=list(WAYS))
    parser.add_argument("--seconds", type=int, nargs="*", default=None)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--clip", choices=["hd", "cheap"], default="hd")
    parser.add_argument("--file", type=Path, nargs="*", default=[SOURCE])
    arguments = parser.parse_args()
    os.environ["OMP_NUM_THREADS"] = "1"
    if arguments.what in ("speed", "profile"):
        seconds = (arguments.seconds or [60 if arguments.what == "speed" else 20])[0]
        clip = hd_clip(seconds) if arguments.clip == "hd" else repeated(SOURCE, seconds)
        if arguments.what == "speed":
            speed(clip, seconds, arguments.repeats)
        else:
            profile(clip)
    elif arguments.what == "skipping":
        skipping([path.resolve() for path in arguments.file], arguments.repeats)
    elif arguments.what == "memory":
        memory(arguments.seconds or [10, 1200])
    elif arguments.what == "workers":
        workers(arguments.repeats)
    else:
        startup()


if __name__ == "__main__":
    main()
