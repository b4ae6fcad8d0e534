"""How long reading takes beside decoding the same file and throwing it away, and whole commands.

    python tests/benchmarks/speed.py [--only one core ...] [--repeats 5] [--scale 1.0]
    python tests/benchmarks/speed.py --profile

Prints the table of ``docs/benchmarks.md``, about 11 minutes on two idle cores; `--only` takes the
rows whose name holds one of the words. Each figure is of a process of its own, the two sides of a
ratio by turns; medians. What decodes and reads measures itself, without Python's start; commands
are measured whole. Needs FFmpeg to make the clips, kept in a temporary folder (`--scale` shortens
them): 1920x1080, 60 frames/s, H.264 at 12 Mbit/s; the same with every frame referenced; at 2
Mbit/s; and a sample clip (1600x900, 30 frames/s, 0.3 Mbit/s) repeated. One core is ``taskset``.
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
from collections.abc import Callable, Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_clips"
SOURCE = SAMPLES / "slab_m1_red.mp4"
CACHE = Path(tempfile.gettempdir()) / "extractor-speed"
BENCHMARKS = Path(__file__).parent
EXTRACTOR = [sys.executable, "-m", "extractor"]
CORES = len(os.sched_getaffinity(0))

#: What a process does that measures itself; each is given `path`, `fields`, `threads`.
DECODE = """
import av
def work():
    for one in path if isinstance(path, list) else [path]:
        with av.open(one) as container:
            stream = container.streams.video[0]
            stream.thread_type = "AUTO" if threads > 1 else "NONE"
            stream.codec_context.thread_count = threads
            for _ in container.decode(stream):
                pass
"""
READ = """
from pathlib import Path
import cv2
from extractor.reading import clip_reading, readers
from extractor.video import clips
cv2.setNumThreads(1)
reader = readers.create("network")
def work():
    clip = clips.probe(Path(path))
    boxes = [f.box_for(clip.width, clip.height) for f in fields]
    clip_reading.read_fields(clip, fields, boxes, reader, threads=threads, MORE)
"""
#: As most scripts do it: one OCR process a crop; ten a second, as often as `read`.
NAIVE = """
import cv2, pytesseract
def work():
    video, due = cv2.VideoCapture(path), 0.0
    while True:
        good, image = video.read()
        at = video.get(cv2.CAP_PROP_POS_MSEC) / 1000
        if not good:
            break
        if at < due:
            continue
        due += 0.1
        for field in fields:
            b = field.box_for(image.shape[1], image.shape[0])
            grey = cv2.cvtColor(image[b.y:b.y + b.height, b.x:b.x + b.width], cv2.COLOR_BGR2GRAY)
            grey = cv2.resize(grey, None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC)
            black = cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)[1]
            pytesseract.image_to_string(black, config="--psm 7")
"""
FRAME = """
import json, resource, sys, time
from pathlib import Path
from extractor.session import overlay_file
fields = overlay_file.load(Path(sys.argv[1])).fields
path, threads = json.loads(sys.argv[2]), int(sys.argv[3])
SCRIPT
wall, cpu = time.perf_counter(), time.process_time()
work()
spent = time.perf_counter() - wall, time.process_time() - cpu
print(json.dumps([*spent, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024]))
"""
PROFILE = """
import cProfile, pstats
inner = work
def work():
    profile = cProfile.Profile()
    profile.runcall(inner)
    pstats.Stats(profile, stream=sys.stderr).sort_stats("tottime").print_stats(25)
"""
DASK = """
import sys, time, distributed
from extractor import ReadOptions, Session, read_session
if __name__ == "__main__":
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as own:
        start = time.perf_counter()
        address = own.scheduler_address
        read_session(Session(sys.argv[1]), ReadOptions(crosscheck=0, scheduler=address))
        print(time.perf_counter() - start)
"""

Times = tuple[float, float, float]
"""Wall and CPU seconds, largest memory in MB."""


def measured(*command: str, one_core: bool = False) -> Times:
    """Run a command as a whole."""
    pinned = ["taskset", "-c", "0", *command] if one_core else list(command)
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(pinned, check=True, stdout=subprocess.DEVNULL, cwd=ROOT)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)  # its memory is the largest of all so far
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.perf_counter() - start, cpu, 0.0


def inside(
    script: str, clip: Path | list[Path], *, one_core: bool = False, more: str = ""
) -> Times:
    """Run a script that measures itself."""
    path = [str(c) for c in clip] if isinstance(clip, list) else str(clip)
    whole = FRAME.replace("SCRIPT", script).replace("MORE", more)
    arguments = [str(SAMPLES / "overlay.toml"), json.dumps(path), str(1 if one_core else CORES)]
    pinned = ["taskset", "-c", "0"] if one_core else []
    done = subprocess.run(
        [*pinned, sys.executable, "-c", whole, *arguments],
        check=True, stdout=subprocess.PIPE, text=True, cwd=ROOT,
    )  # fmt: skip
    wall, cpu, megabytes = json.loads(done.stdout.splitlines()[-1])
    return wall, cpu, megabytes


def middle(several: list[Times]) -> Times:
    wall, cpu, megabytes = (statistics.median(column) for column in zip(*several, strict=True))
    return wall, cpu, megabytes


def by_turns(repeats: int, *sides: Callable[[], Times]) -> list[Times]:
    """Return the medians of the sides, each done once a round."""
    rounds = [[side() for side in sides] for _ in range(repeats)]
    return [middle(list(column)) for column in zip(*rounds, strict=True)]


def hd(seconds: float, *, rate: str = "12M", referenced: bool = False) -> Path:
    """Return a clip that costs as much to decode as a recorder's."""
    how = ["-tune", "zerolatency"] if referenced else []
    return made(
        f"hd-{seconds:g}-{rate}{'-referenced' * referenced}.mp4",
        *("-stream_loop", "-1", "-i", str(SOURCE), "-t", str(seconds)),
        *("-vf", f"scale=1920:1080,noise=alls={6 if rate == '12M' else 1}:allf=t,fps=60"),
        *("-c:v", "libx264", "-preset", "veryfast", *how, "-b:v", rate, "-g", "120"),
    )


def repeated(source: Path, seconds: float) -> Path:
    """Return a clip played over and over, without encoding it anew."""
    how = ("-stream_loop", "-1", "-i", str(source), "-t", str(seconds), "-c", "copy")
    return made(f"{source.stem}-repeated-{seconds:g}.mp4", *how)


def made(name: str, *how: str) -> Path:
    path = CACHE / name
    if not path.exists():
        CACHE.mkdir(exist_ok=True)
        draft = path.with_suffix(".part.mp4")
        subprocess.run(["ffmpeg", "-v", "error", "-y", *how, str(draft)], check=True)
        draft.rename(path)
    return path


def session(name: str, clip: Path, count: int) -> Path:
    """Return a session of copies of one clip that are no copies byte for byte."""
    folder = CACHE / name
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    for number in range(count):
        content = clip.read_bytes() + (8 + number).to_bytes(4) + b"free" + bytes(number)
        (folder / f"{number:03d}.mp4").write_bytes(content)
    shutil.copy(SAMPLES / "overlay.toml", folder)
    return folder


def reading(folder: Path, *more: str) -> list[str]:
    """Return the command that reads a session from the start; its box is known already."""
    shutil.rmtree(folder / "results" / ".state" / "clips", ignore_errors=True)
    return [*EXTRACTOR, "read", str(folder), "--quiet", "--crosscheck", "0", *more]


def row(what: str, ours: Times, theirs: Times | None, goal: str) -> None:
    sides = f"{ours[0]:.2f} / {theirs[0]:.2f}" if theirs else f"{ours[0]:.2f}, CPU {ours[1]:.2f}"
    both = zip(ours[:2], theirs[:2], strict=True) if theirs else ()
    ratios = [f"{a / b:.2f}" if a and b else "" for a, b in both] or ["", ""]
    largest = f"{ours[2]:.0f}" if ours[2] else ""
    print(f"| {what} | {goal} | {ratios[0]} | {ratios[1]} | {sides} | {largest} |", flush=True)


def against_decoding(scale: float, repeats: int) -> Iterator[tuple[str, Callable[[str], None]]]:
    """Yield the rows of one clip, read and decoded."""

    def pair(clip: Callable[[], Path], goal: str, *, one_core: bool = False, more: str = "",
             script: str = READ, times: int = repeats) -> Callable[[str], None]:  # fmt: skip
        def do(what: str) -> None:
            path = clip()
            ours, theirs = by_turns(
                times,
                lambda: inside(script, path, one_core=one_core, more=more),
                lambda: inside(DECODE, path, one_core=one_core),
            )
            row(what, ours, theirs, goal)

        return do

    one = 30 * scale
    yield "read / decode, all cores, 1080p60, 12 Mbit/s", pair(lambda: hd(one), "0.85")
    yield "the same with --exact", pair(lambda: hd(one), "", more="exact=True", times=3)
    yield "the same, every frame referenced", pair(lambda: hd(one, referenced=True), "1.15")
    yield "the same, 900p30, 0.3 Mbit/s", pair(lambda: repeated(SOURCE, 60 * scale), "1.4")
    yield "one core, 1080p60, 12 Mbit/s", pair(lambda: hd(one), "0.80", one_core=True, times=3)
    slow = pair(lambda: hd(one, rate="2M"), "1.1", one_core=True, times=3)
    yield "one core, 1080p60, 2 Mbit/s", slow
    quick = pair(lambda: hd(one), "0.12", more="keyframes_only=True")
    yield "quick / decode, all cores", quick


def naive(what: str, scale: float) -> None:
    path = hd(6 * scale)
    slow, ours = by_turns(1, lambda: inside(NAIVE, path), lambda: inside(READ, path))
    row(what, slow, ours, "8")


def memory(what: str, scale: float) -> None:
    short, long = (inside(READ, repeated(hd(10), s)) for s in (10, 120 * scale))
    print(f"| {what} | 160, flat | | | | {short[2]:.0f}, {long[2]:.0f} |", flush=True)


def whole_session(what: str, scale: float) -> None:
    clip, folder = hd(15 * scale), session("sixteen", hd(15 * scale), 16)
    measured(*reading(folder))
    ours, theirs = by_turns(
        2, lambda: measured(*reading(folder)), lambda: inside(DECODE, [clip] * 16)
    )
    row(what, ours, theirs, "0.90")
    single = measured(*reading(folder, "--jobs", "1"), one_core=True)
    row("one worker on one core / two workers, the same", single, ours, "1.8")


def dask(what: str, scale: float) -> None:
    folder = session("eight", hd(15 * scale), 8)
    pool = measured(*reading(folder, "--jobs", "2"))
    reading(folder)
    script = CACHE / "cluster.py"
    script.write_text(DASK)
    done = subprocess.run([sys.executable, str(script), str(folder)], check=True, text=True,
                          stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, cwd=ROOT)  # fmt: skip
    row(what, (float(done.stdout.splitlines()[-1]), 0.0, 0.0), pool, "")


def large(what: str, scale: float) -> None:
    script = str(BENCHMARKS / "large_session.py")
    done = subprocess.run([sys.executable, script, "--clips", str(round(300 * scale))],
                          check=True, text=True, stdout=subprocess.PIPE, cwd=ROOT)  # fmt: skip
    wall, cpu = (float(cell) for cell in done.stdout.splitlines()[-1].split("|")[2:4])
    steps = "; ".join(line.strip("| ").replace(" | ", ": ", 1).split(" |")[0]
                      for line in done.stdout.splitlines()[-4:-1])  # fmt: skip
    print(f"| {what} ({steps}) | 12 s | | | {wall:.1f}, CPU {cpu:.1f} | |", flush=True)


def command(goal: str, times: int, *arguments: str) -> Callable[[str], None]:
    def do(what: str) -> None:
        row(what, middle([measured(*EXTRACTOR, *arguments) for _ in range(times)]), None, goal)

    return do


def nothing_changed(what: str) -> None:
    # A second and a half of a sample clip.
    folder = session("hundred", repeated(SOURCE, 1.5), 100)
    measured(*reading(folder))
    command("0.5 s", 5, "read", str(folder), "--quiet", "--crosscheck", "0")(what)


def page(what: str) -> None:
    folder = session("page", repeated(SOURCE, 1.5), 16)
    took = []
    for _ in range(5):
        (folder / "results/.state/.page.json").unlink(missing_ok=True)
        start = time.perf_counter()
        server = subprocess.Popen(
            [*EXTRACTOR, "open", str(folder), "--no-browser"],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=ROOT,
        )  # fmt: skip
        line = next(line for line in server.stdout or () if "http://" in line)
        address = line[line.index("http://") :].split()[0]
        subprocess.run(["curl", "-s", "-L", "-o", "/dev/null", "-c", "-", address], check=True,
                       stdout=subprocess.DEVNULL)  # fmt: skip
        took.append((time.perf_counter() - start, 0.0, 0.0))
        server.terminate()
        server.wait()
    row(what, middle(took), None, "1 s")


def main() -> None:
    form = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=form)
    parser.add_argument("--only", nargs="*", default=[])
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--scale", type=float, default=1.0)
    parser.add_argument("--profile", action="store_true", help="of reading the first clip")
    options = parser.parse_args()
    os.environ["OMP_NUM_THREADS"] = "1"
    if options.profile:
        inside(READ + PROFILE, hd(30 * options.scale))
        return
    scale, repeats = options.scale, options.repeats
    compared = session("compared", repeated(SOURCE, 1.5), 1)
    rows: list[tuple[str, Callable[[str], None]]] = [
        *against_decoding(scale, repeats),
        ("naive script / read, 10 a second", lambda what: naive(what, scale)),
        (
            "16 clips of 1080p60, `read` / decode, all cores",
            lambda what: whole_session(what, scale),
        ),
        ("Dask, two local workers / pool of two, 8 clips", lambda what: dask(what, scale)),
        ("memory of a 10 s, a 120 s clip, MB", lambda what: memory(what, scale)),
        ("`--help`", command("0.15 s", repeats, "--help")),
        ("`read`, 100 clips, nothing changed", nothing_changed),
        ("`open` until the page is there", page),
        (
            "`mark --suggest`",
            command("2 s", repeats, "mark", str(compared), "--suggest", "--quiet"),
        ),
        ("`compare`, read session", lambda what: compare(what, repeats)),
        ("300 clips x 600 samples x 2 fields", lambda what: large(what, scale)),
    ]
    print("| what | goal | wall | CPU | wall s | MB |\n|---|---|---|---|---|---|")
    for what, do in rows:
        if not options.only or any(word in what for word in options.only):
            do(what)


def compare(what: str, repeats: int) -> None:
    folder = CACHE / "samples"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(SAMPLES, folder)
    measured(*reading(folder))
    command("1.5 s", repeats, "compare", str(folder), "--quiet")(what)


if __name__ == "__main__":
    main()
