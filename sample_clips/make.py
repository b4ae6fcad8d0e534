"""Make the sample session again: clips, truth, overlay.toml, session.toml, runs, antennas.

    python sample_clips/make.py [--out FOLDER] [--only STEM] [--no-video]

Tables and truth come out byte for byte as committed; pictures are equal up to the encoder.
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from making.encoding import write_clip
from making.look import stamp
from making.plan import CLIPS, Clip
from making.scenery import frames
from making.series import shown_frames, truth_rows
from making.tables import write_tables


def pictures(clip: Clip) -> Iterator[np.ndarray]:
    """Yield the clip's finished RGB frames, overlay included."""
    for frame, shown in zip(frames(clip), shown_frames(clip), strict=True):
        stamp(frame, shown, clip.backing)
        yield frame


def write_truth(clip: Clip, folder: Path) -> None:
    """Write what the overlay shows, and when, to `folder/truth/<stem>.csv`."""
    path = folder / "truth" / f"{clip.stem}.csv"
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(("start_s", "end_s", "bitrate", "latency"))
        table.writerows(truth_rows(clip))


def main() -> None:
    """Read the arguments and write the session."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    here = Path(__file__).resolve().parent
    parser.add_argument("--out", type=Path, default=here, help="folder to write to")
    parser.add_argument("--only", metavar="STEM", help="this clip alone, such as slab_m1_red")
    parser.add_argument("--no-video", action="store_true", help="tables and truth alone")
    args = parser.parse_args()
    clips = [clip for clip in CLIPS if args.only in (None, clip.stem)]
    if not clips:
        parser.error(f"no clip is called {args.only}; one of {', '.join(c.stem for c in CLIPS)}")
    args.out.mkdir(parents=True, exist_ok=True)
    write_tables(args.out)
    for clip in clips:
        write_truth(clip, args.out)
        if not args.no_video:
            path = args.out / clip.file_name
            write_clip(clip, pictures(clip), path)
            print(f"{clip.file_name}: {path.stat().st_size / 1e3:.0f} kB")


if __name__ == "__main__":
    main()
