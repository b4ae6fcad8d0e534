"""Damaged and malicious video files: a clear error or a right answer, within 10 s and 1 GB.

    python tests/benchmarks/fuzz_videos.py [--rounds 1] [--seed 1] [--every 1] [--keep FOLDER]

Each file is looked at in a process of its own by every way in that the tool has: header, first
frame, glances, single pictures, quick and whole reading. A watching parent ends it when one of
these takes more than 10 s or the process more than 1 GB of memory. Every number read is held
against pictures decoded by themselves, and every picture against the numbers read: none may be
missing where the file's clock is intact. The undamaged clips must be read to the end. Prints
counts and what went wrong; exit code 1 if anything did. POSIX only (forks).
"""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

import video_mutants as make  # noqa: E402

LIMIT_S = 10.0
LIMIT_MB = 1000


def mutants(
    folder: Path, rng: np.random.Generator, rounds: int
) -> Iterator[tuple[str, str, bytes]]:
    """Yield the kind of file, what was done to it, and its content."""
    healthy = {kind: make.healthy(folder, kind) for kind in make.BASES}
    mp4, fragmented = healthy["mp4"], healthy["fragmented.mp4"]
    for kind, content in healthy.items():
        yield kind, "healthy", content
        for what, changed in make.truncated(content, 100):
            yield kind, what, changed
        for what, changed in make.bit_flips(content, rng, 60 * rounds):
            yield kind, what, changed
    for kind, content in (("mp4", mp4), ("fragmented.mp4", fragmented)):
        for several in (
            make.box_sizes(content),
            make.box_counts(content),
            make.absurd_mp4_sizes(content),
            make.swapped_boxes(content, rng, 60 * rounds),
        ):
            for what, changed in several:
                yield kind, what, changed
    for what, changed in make.absurd_streams(folder):
        yield "h264.mpg", what, changed
    for size in ((100_000, 100_000), (16_384, 16_384), (8_192, 4_352), (-1, 1), (0, 0)):
        yield "avi", f"raw pictures of {size[0]}x{size[1]}", make.uncompressed_header(*size)
    for kind in ("mp4", "mkv", "ts", "avi"):
        yield kind, "noise", rng.bytes(200_000)
        yield kind, "start, then noise", healthy[kind][:4000] + rng.bytes(300_000)
        yield kind, "start, then the same for ever", healthy[kind] * 20


def endless(folder: Path) -> Iterator[tuple[str, Path]]:
    """Yield files that do not end, or hardly, and what they are."""
    for kind in ("mp4", "mkv", "ts", "avi", "fragmented.mp4"):
        path = folder / f"hole.{kind}"
        path.write_bytes(make.healthy(folder, kind))
        os.truncate(path, 200 << 30)
        yield f"{kind}: 200 GB of nothing after the end", path
    for name in ("hole.mp4", "hole.mkv", "hole.ts"):
        path = folder / f"only-{name}"
        path.touch()
        os.truncate(path, 200 << 30)
        yield f"{name}: 200 GB of nothing", path
    pipe = folder / "pipe.mp4"
    os.mkfifo(pipe)
    yield "a named pipe that nobody feeds", pipe
    device = folder / "zero.mp4"
    device.symlink_to("/dev/zero")
    yield "a link to a device that never ends", device
    loop = folder / "loop.mp4"
    loop.symlink_to(loop.name)
    yield "a link to itself", loop


def look(path: Path) -> tuple[str, float, float]:
    """Look at a file in a child process; return outcome, seconds of the slowest step, megabytes.

    The outcome ends with a tab and the instants that show a number, where they were counted.
    """
    read_end, write_end = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(read_end)
        try:
            counted: list[int] = []
            outcome = make.look_at(
                path, lambda: os.write(write_end, b"\0") and None, lambda *n: counted.extend(n)
            )
            outcome += f"\t{counted[0]}" if counted else ""
        except BaseException:
            outcome = "FAULT " + traceback.format_exc(limit=-4)
        os.write(write_end, outcome.encode()[:4000])
        os._exit(0)
    os.close(write_end)
    os.set_blocking(read_end, False)
    verdict, told, slowest, start = "", b"", 0.0, time.perf_counter()
    while True:
        done, status, usage = os.wait4(child, os.WNOHANG)
        slowest = max(slowest, time.perf_counter() - start)
        with contextlib.suppress(BlockingIOError):
            if more := os.read(read_end, 5000):
                told, start = told + more, time.perf_counter()
        if done:
            break
        if not verdict and time.perf_counter() - start > LIMIT_S:
            verdict = f"FAULT over {LIMIT_S:g} s"
        elif not verdict and memory_mb(child) > LIMIT_MB:
            verdict = f"FAULT over {LIMIT_MB} MB"
        if verdict:
            os.kill(child, 9)
        time.sleep(0.01)
    os.close(read_end)
    if not verdict and status != 0:
        verdict = f"FAULT ended by signal {status}"
    return verdict or told.decode().strip("\0"), slowest, usage.ru_maxrss / 1024


def memory_mb(process: int) -> float:
    try:
        pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    except (OSError, IndexError):
        return 0.0
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def main(given: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--every", type=int, default=1, help="of the damaged files, take each nth")
    parser.add_argument("--keep", type=Path, help="keep files that went wrong here")
    arguments = parser.parse_args(given)
    os.environ["OMP_NUM_THREADS"] = "1"
    counts: Counter[str] = Counter()
    counted: Counter[str] = Counter()
    slowest, largest = (0.0, ""), (0.0, "")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)

        def judge(what: str, path: Path) -> None:
            nonlocal slowest, largest
            outcome, seconds, megabytes = look(path)
            outcome, _, instants = outcome.partition("\t")
            if what.endswith(", healthy") and not (
                instants == "10" and outcome.startswith("read, complete") and outcome[-2:] != "no"
            ):
                outcome = f"FAULT undamaged, but {outcome or 'silent'}, {instants or 0} instants"
            counted["files"] += instants not in ("", "0")
            counted["instants"] += int(instants or 0)
            fault = outcome.startswith("FAULT")
            counts["FAULT" if fault else outcome] += 1
            slowest, largest = max(slowest, (seconds, what)), max(largest, (megabytes, what))
            if fault:
                print(f"{what}: {outcome}", flush=True)
            if fault and arguments.keep and path.is_file() and path.stat().st_size < 1 << 24:
                arguments.keep.mkdir(exist_ok=True)
                (arguments.keep / f"{counts['FAULT']:03d}-{path.name}").write_bytes(
                    path.read_bytes()
                )

        rng = np.random.default_rng(arguments.seed)
        for i, (kind, what, content) in enumerate(mutants(folder, rng, arguments.rounds)):
            if what != "healthy" and i % arguments.every:
                continue
            path = folder / f"clip.{kind}"
            path.write_bytes(content)
            judge(f"{kind}, {what}", path)
        for i, (what, path) in enumerate(endless(folder)):
            if not i % arguments.every:
                judge(what, path)
    for outcome, count in sorted(counts.items()):
        print(f"{count:6d}  {outcome}")
    print(f"{sum(counts.values()):6d}  files")
    print(
        f"all read: {counted['instants']} instants that show a number, in {counted['files']} files "
        f"with an intact clock; faults: {counts['FAULT']}"
    )
    print(f"slowest step: {slowest[0]:.1f} s ({slowest[1]})")
    print(f"most memory: {largest[0]:.0f} MB ({largest[1]})")
    return 1 if counts["FAULT"] else 0


if __name__ == "__main__":
    sys.exit(main())
