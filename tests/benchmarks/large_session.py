"""Statistics, comparison and report of a large session: how long each takes.

    python tests/benchmarks/large_session.py [--clips 300] [--samples 600] [--keep FOLDER]

What the reader would have seen is made up (a slowly varying link, shown by a display that holds
its numbers); one short clip stands for all, so that the report can cut doubtful crops out of it.
Each step runs as the command line does it, in a process of its own.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from clipmaker import SIZE, make_clip, stairs, steady  # noqa: E402

from extractor.reading import cache  # noqa: E402
from extractor.reading.cache import state_path  # noqa: E402
from extractor.session.csv_tables import write_table  # noqa: E402
from extractor.session.folder import Session  # noqa: E402
from extractor.session.user_tables import RUN_COLUMNS  # noqa: E402

ANTENNAS = ("Slab", "Coil", "Fan", "Stub")
PORTS = ("Red", "Green")
OVERLAY = f"""version = 1
[[field]]
name = "bitrate"
unit = "Mbit/s"
frame = {list(SIZE)}
box = [40, 20, 64, 32]
decimals = 1
ceiling = 40.0
[[field]]
name = "latency"
unit = "ms"
frame = {list(SIZE)}
box = [140, 20, 64, 32]
decimals = 0
better = "lower"
"""


def shown(rng: np.random.Generator, level: float, spread: float, count: int) -> list[float]:
    """Return what a display that renews its number every 0.4 s shows at each sample."""
    noise = rng.normal(0, spread * np.sqrt(1 - 0.9**2), count // 4 + 1)
    values = [0.0]
    for step in noise:
        values.append(0.9 * values[-1] + step)
    return (level + np.repeat(values[1:], 4)[:count]).tolist()


def field_state(
    rng: np.random.Generator, values: list[float], times: np.ndarray, decimals: int
) -> cache.FieldState:
    text = [f"{max(0.0, min(40.0, v)):.{decimals}f}" for v in values]
    since = np.round(np.floor(times / 0.4) * 0.4, 4).tolist()
    sure = np.round(rng.uniform(0.97, 1.0, len(text)), 5)
    for i in rng.choice(len(text), len(text) // 50, replace=False):
        text[int(i)], sure[int(i)] = "7", 0.3
    return cache.FieldState(text, since, sure.tolist())


def make_session(folder: Path, clips: int, samples: int) -> None:
    rng = np.random.default_rng(4)
    make_clip(folder / "0000.mp4", steady(samples / 10), stairs)
    for number in range(1, clips):
        # The same film, but no copy byte for byte: copies are not compared.
        content = (folder / "0000.mp4").read_bytes() + (8 + number).to_bytes(4) + b"free"
        (folder / f"{number:04d}.mp4").write_bytes(content + bytes(number))
    session = Session(folder)
    (folder / "overlay.toml").write_text(OVERLAY)
    rows = []
    plan = itertools.product(range(1, 10_000), ANTENNAS, PORTS)
    times = np.arange(samples) / 10
    for number, (mounting, antenna, port) in zip(range(clips), plan, strict=False):
        name = f"{number:04d}"
        level = 20 + 3 * ANTENNAS.index(antenna) + float(rng.normal(0, 1))
        fields = {
            "bitrate": field_state(rng, shown(rng, level, 3.0, samples), times, 1),
            "latency": field_state(rng, shown(rng, 28.0, 2.0, samples), times, 0),
        }
        known = cache.ClipState(
            clip_digest="",
            asked_digest="",
            reader="network",
            gate=0.9,
            frame=SIZE,
            boxes={"bitrate": [40, 20, 64, 32], "latency": [140, 20, 64, 32]},
            marks={},
            time_s=times.tolist(),
            still=[False] * samples,
            fields=fields,
            duration_s=samples / 10,
            frame_s=1 / 30,
            decoded=samples * 3,
            undecodable=0,
            out_of_order=0,
            complete="yes",
        )
        cache.save(state_path(session, f"{name}.mp4"), known)
        cells = (name, f"{name}.mp4", "", "", antenna, port, "", str(mounting), "", "", str(number))
        rows.append(dict(zip(RUN_COLUMNS, cells, strict=False)))
    write_table(folder / "runs.csv", RUN_COLUMNS, rows)


STATISTICS = (
    "import sys; from pathlib import Path; from extractor import pipeline; "
    "from extractor.session.folder import Session; "
    "print(len(pipeline.summarise_session(Session(Path(sys.argv[1]))).rows), 'rows')"
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clips", type=int, default=300)
    parser.add_argument("--samples", type=int, default=600)
    parser.add_argument("--keep", type=Path, help="make the session here and leave it")
    arguments = parser.parse_args()
    with contextlib.ExitStack() as stack:
        folder = arguments.keep or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        make_session(folder, arguments.clips, arguments.samples)
        extractor = [sys.executable, "-m", "extractor"]
        steps = {
            "tables of readings and statistics": [sys.executable, "-c", STATISTICS, str(folder)],
            "comparison": [*extractor, "compare", str(folder), "--quiet"],
            "report": [*extractor, "report", str(folder), "--quiet"],
        }
        total = np.zeros(2)
        print(f"{arguments.clips} clips x {arguments.samples} samples, 2 fields\n")
        print("| step | wall s | CPU s |\n|---|---|---|")
        for what, command in steps.items():
            before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
            subprocess.run(command, check=True, cwd=ROOT, stdout=subprocess.DEVNULL)
            wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
            cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
            total += (wall, cpu)
            print(f"| {what} | {wall:.1f} | {cpu:.1f} |", flush=True)
        print(f"| all | {total[0]:.1f} | {total[1]:.1f} |")


if __name__ == "__main__":
    main()
