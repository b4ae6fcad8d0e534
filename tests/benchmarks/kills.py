"""Kill -9 at random moments: afterwards every file is whole and the next run completes.

    python tests/benchmarks/kills.py [--kills 200] [--seed 1]

Works on a copy of a few sample clips; each round starts `extractor read --again`, `mark` or a
review save (corrections.csv written over and over), kills it after a random while and checks
every file under the session. A round that had ended before its moment does not count. Prints
counts.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_clips"
CLIPS = ("coil_m1_green.mp4", "fan_m2_green.mp4", "slab_m2_red.mp4")
REVIEW = """
import sys
from pathlib import Path
from extractor.tables import write_table
for i in range(10 ** 6):
    rows = [{"clip": "fan_m2_green.mp4", "time_s": j / 10, "field": "bitrate", "value": "1.5"}
            for j in range(i % 500)]
    write_table(Path(sys.argv[1]), ["clip", "time_s", "field", "value"], rows, keep_previous=True)
"""


def commands(folder: Path) -> dict[str, list[str]]:
    extractor = [sys.executable, "-m", "extractor"]
    return {
        "read": [*extractor, "read", str(folder), "--again", "--quiet"],
        "mark": [
            *(*extractor, "mark", str(folder), "--field", "bitrate"),
            *("--box", "668,20,147,53", "--quiet"),
        ],
        "review": [sys.executable, "-c", REVIEW, str(folder / "corrections.csv")],
    }


def broken_files(folder: Path) -> list[str]:
    """Return what is not a whole file of its kind; leftovers of a killed writer do not count."""
    wrong = []
    for path in folder.rglob("*"):
        if not path.is_file() or ".part" in path.name or path.is_symlink():
            continue
        try:
            if path.suffix == ".csv":
                with path.open(newline="", encoding="utf-8") as stream:
                    widths = {len(line) for line in csv.reader(stream)}
                if len(widths) != 1 or not path.read_text("utf-8").endswith("\n"):
                    wrong.append(f"{path.name}: torn table")
            elif path.suffix == ".json":
                json.loads(path.read_text("utf-8"))
            elif path.suffix == ".toml":
                tomllib.loads(path.read_text("utf-8"))
            elif path.suffix == ".png" and not path.read_bytes().endswith(b"IEND\xaeB`\x82"):
                wrong.append(f"{path.name}: torn picture")
        except ValueError as error:
            wrong.append(f"{path.name}: {error}")
    return wrong


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    chance = random.Random(arguments.seed)
    counts: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for clip in CLIPS:
            (folder / clip).symlink_to(SAMPLES / clip)
        shutil.copy(SAMPLES / "overlay.toml", folder)
        killed = 0
        while killed < arguments.kills:
            kind = chance.choice(["read", "read", "mark", "review"])
            process = subprocess.Popen(
                commands(folder)[kind],
                cwd=ROOT,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            )
            time.sleep(chance.uniform(0.2, 6.0 if kind == "read" else 2.0))
            ended = process.poll() is not None
            killed += not ended
            if not ended:
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()
            counts[f"{kind} {'had ended' if ended else 'killed'}"] += 1
            for fault in broken_files(folder):
                counts["broken files"] += 1
                print(fault)
        corrections = folder / "corrections.csv"
        corrections.unlink(missing_ok=True)
        done = subprocess.run(
            [sys.executable, "-m", "extractor", "read", str(folder), "--quiet"],
            cwd=ROOT,
            check=False,
            stdout=subprocess.DEVNULL,
        )
        left = [p.name for p in folder.rglob("*.part*")]
        print(f"last run: exit code {done.returncode}, leftovers: {left or 'none'}")
    for what, count in sorted(counts.items()):
        print(f"{what}: {count}")
    print(f"broken files: {counts['broken files']}")


if __name__ == "__main__":
    main()
