"""Whether reading with its defaults says of a clip what decoding every frame says of it.

    python tests/benchmarks/exact_agreement.py FOLDER [--boxes loose]

FOLDER is an evaluation set (`evaluation_set.py`) or a session with ``truth/``. Each clip is read
twice. A row a clip, the worst of its fields: by how many of its standard errors the mean moves, by
what factor the interval's width changes, what share of the flags differ at the nearest instant;
then wrong numbers and missing readings of both, more than 40 ms from a change; frames decoded.
"""

from __future__ import annotations

import argparse
import sys
import warnings
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from outside.truth import read_truth  # noqa: E402

from extractor import ReadOptions, read_clip, summarise  # noqa: E402
from extractor.session import overlay_file  # noqa: E402

MARGIN_S = 0.04


def judged(series, truth) -> tuple[int, int]:  # type: ignore[no-untyped-def]
    """Return how many numbers are wrong and how many readings missing."""
    wrong = missing = 0
    for row in series.itertuples():
        shown = truth.settled(row.time_s, MARGIN_S)
        if shown is None or not shown.text.strip("-"):
            continue
        if row.flag in ("ok", "frozen"):
            wrong += row.value != float(shown.text)
        else:
            missing += 1
    return wrong, missing


def compared(clip: Path, overlay: Path, truths: Path) -> list[float]:
    """Return the cells of one clip's row."""
    fields = overlay_file.load(overlay)
    both = [read_clip(clip, fields, ReadOptions(exact=exact)) for exact in (False, True)]
    moved, widths, flags, counts = [0.0], [1.0], [0.0], np.zeros((2, 2), int)
    truth = read_truth(truths)
    for item in fields.fields:
        default, exact = (one[item.name] for one in both)
        a, b = (summarise(one, item) for one in (default, exact))
        if np.isfinite([a.mean, b.mean, a.mean_se, b.mean_se]).all() and b.mean_se:
            moved.append(abs(a.mean - b.mean) / b.mean_se)
            widths.append((a.mean_high - a.mean_low) / (b.mean_high - b.mean_low))
        near = np.searchsorted(exact.time_s.to_numpy() + 0.05, default.time_s.to_numpy())
        near = near.clip(max=len(exact) - 1)
        flags.append(float((default.flag.to_numpy() != exact.flag.to_numpy()[near]).mean()))
        for k, one in enumerate((default, exact)):
            counts[k] += judged(one, truth[item.name])
    worst = max(widths, key=lambda w: abs(np.log(w)))
    return [max(moved), worst, 100 * max(flags), *counts.T.ravel()]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--boxes", default="loose", choices=["tight", "loose"])
    parser.add_argument("--only", default="")
    options = parser.parse_args()
    warnings.simplefilter("ignore")
    print("| clip | mean moves, SE | interval's width | flags differ, % | wrong: default, exact |"
          " missing: default, exact |\n|---|---|---|---|---|---|")  # fmt: skip
    rows = []
    session = options.folder / "overlay.toml"
    for clip in sorted(options.folder.glob("*.m[pk][4v]")):
        if options.only not in clip.name:
            continue
        beside = clip.with_suffix(f".{options.boxes}.toml")
        truth = options.folder / "truth" / f"{clip.stem}.csv"
        places = (session, truth) if session.exists() else (beside, clip.with_suffix(".csv"))
        row = compared(clip, *places)
        rows.append(row)
        print(
            "| {} | {:.2f} | {:.2f} | {:.1f} | {}, {} | {}, {} |".format(clip.stem, *row),
            flush=True,
        )
    table = np.array(rows)
    print(f"| all: median; total | {np.median(table[:, 0]):.2f} | {np.median(table[:, 1]):.2f} "
          f"| {np.median(table[:, 2]):.1f} | {table[:, 3].sum():.0f}, {table[:, 4].sum():.0f} "
          f"| {table[:, 5].sum():.0f}, {table[:, 6].sum():.0f} |")  # fmt: skip


if __name__ == "__main__":
    main()
