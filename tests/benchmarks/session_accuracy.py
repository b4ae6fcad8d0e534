"""How well a whole session is read, clip by clip, where the truth is known.

Run by hand::

    python tests/benchmarks/session_accuracy.py sample_clips [--reader network]

The session needs ``truth/<clip stem>.csv`` beside its clips. It is read in a temporary folder
that links to the clips, so nothing is written beside them. Readings within 40 ms of a change of
the number are left out. Verdicts are those of reader_scores.py.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import reader_scores as scores
from outside.truth import read_truth

from extractor.pipeline import read_session
from extractor.reading import readers
from extractor.reading.clip_job import ReadOptions
from extractor.reading.readers.base import Reader
from extractor.session.folder import Session
from extractor.session.numerals import parse_number
from extractor.session.overlay import FILE_NAME

MARGIN_S = 0.04


def linked(source: Path, folder: Path) -> Session:
    """Return a session in `folder` with the clips and the overlay of `source`."""
    for clip in Session(source).clips:
        (folder / clip).symlink_to((source / clip).resolve())
    (folder / FILE_NAME).symlink_to((source / FILE_NAME).resolve())
    return Session(folder)


def rows(session: Session, truth: Path, reader: Reader) -> Iterator[scores.Row]:
    """Yield every reading of the session that is not near a change, beside its truth."""
    for clip in session.clips:
        table = pd.read_csv(session.readings_path(clip), dtype=str, keep_default_na=False)
        for name, series in read_truth(truth / f"{Path(clip).stem}.csv").items():
            suffixes = ("", "_text", "_confidence", "_since_s", "_flag")
            columns = [table["time_s"], *(table[name + suffix] for suffix in suffixes)]
            for cells in zip(*columns, strict=True):
                time_s, value, text, sure, since, flag = cells
                # Guarded by an apostrophe where a spreadsheet would see a formula.
                text = text.removeprefix("'")
                shown = series.settled(float(time_s), MARGIN_S)
                if shown is None:
                    continue
                numbers = [parse_number(cell) for cell in (value, since)]
                number, since_s = (float("nan") if n is None else n for n in numbers)
                yield scores.Row(
                    reader.name, "drawn", clip, "", name, float(time_s), shown.start_s,
                    shown.text, text, float(sure), reader.gate, since_s, flag, number,
                )  # fmt: skip


def main() -> None:
    """Read the session and print the tables."""
    form = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=form)
    parser.add_argument("session", type=Path)
    parser.add_argument("--reader", choices=readers.NAMES, default=readers.NAMES[0])
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        session = linked(options.session, Path(name))
        start = time.perf_counter()
        read_session(session, ReadOptions(reader=options.reader, jobs=1, crosscheck=0))
        spent = time.perf_counter() - start
        reader = readers.create(options.reader)
        frame = scores.table(rows(session, options.session / "truth", reader))
    for by in (["clip"], ["reader"]):
        found = scores.counts(frame, by)
        for verdict in ("right", "wrong", "missing"):
            found[f"{verdict} %"] = 100 * found[verdict] / found["n"]
        print(scores.markdown(found, 2), end="\n\n")
    bad, runs, most = scores.limits(frame)
    print(
        f"Runs of equal readings with a wrong number: {bad} of {runs}, at most {100 * most:.2f} %."
    )
    print(f"Whole session: {spent:.0f} s on one process.")


if __name__ == "__main__":
    main()
