"""Which preparation of a crop Tesseract reads best: sample clips, readings against truth.

    python tests/benchmarks/tesseract_preparation.py [SESSION] [--instants 10]

Prints a Markdown table: right, wrong and missing at the reader's gate, for each preparation.
"""

from __future__ import annotations

import argparse
import csv
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from extractor.errors import ClipError
from extractor.reading.number_parsing import interpret
from extractor.reading.readers import tesseract
from extractor.session.folder import Session
from extractor.statistics.flags import Flag
from extractor.video import clips
from extractor.video.crops import Crop


def scaled(luma: np.ndarray, height: int) -> np.ndarray:
    width = max(1, round(luma.shape[1] * height / luma.shape[0]))
    return cv2.resize(luma, (width, height), interpolation=cv2.INTER_CUBIC)


def dark_on_light(grey: np.ndarray) -> np.ndarray:
    return 255 - grey if tesseract._light_on_dark(grey) else grey


def margin(grey: np.ndarray) -> np.ndarray:
    return np.pad(grey, tesseract.MARGIN, mode="edge")


def plain(height: int) -> Callable[[Crop], np.ndarray]:
    return lambda crop: margin(dark_on_light(scaled(crop[..., 0], height)))


def threshold(height: int) -> Callable[[Crop], np.ndarray]:
    def prepare(crop: Crop) -> np.ndarray:
        grey = dark_on_light(scaled(crop[..., 0], height))
        return margin(cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)[1])

    return prepare


def stretched(height: int, share: float = 2.0) -> Callable[[Crop], np.ndarray]:
    def prepare(crop: Crop) -> np.ndarray:
        grey = dark_on_light(scaled(crop[..., 0], height)).astype(np.float32)
        low, high = np.percentile(grey, (share, 100 - share))
        return margin(np.clip((grey - low) * 255 / max(high - low, 1), 0, 255).astype(np.uint8))

    return prepare


def strokes(height: int, reach: float = 0.35) -> Callable[[Crop], np.ndarray]:
    """Keep what is thinner than a stroke and differs from all around it (a top hat)."""

    def prepare(crop: Crop) -> np.ndarray:
        grey = scaled(crop[..., 0], height)
        light = tesseract._light_on_dark(grey)
        size = 2 * round(height * reach / 2) + 1
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
        kind = cv2.MORPH_TOPHAT if light else cv2.MORPH_BLACKHAT
        hat = cv2.morphologyEx(grey, kind, kernel).astype(np.float32)
        high = max(float(np.percentile(hat, 96)), 1.0)
        return margin((255 - np.clip(hat * 255 / high, 0, 255)).astype(np.uint8))

    return prepare


def bright(height: int, cut: float = 0.75) -> Callable[[Crop], np.ndarray]:
    """Soft threshold between the middle and the extreme: overlays are the extreme."""

    def prepare(crop: Crop) -> np.ndarray:
        grey = scaled(crop[..., 0], height).astype(np.float32)
        if not tesseract._light_on_dark(grey):
            grey = 255 - grey
        top = np.percentile(grey, 98)
        low, high = top * (cut - 0.1), top * (cut + 0.1)
        return margin((255 - np.clip((grey - low) * 255 / (high - low), 0, 255)).astype(np.uint8))

    return prepare


VARIANTS: dict[str, Callable[[Crop], np.ndarray]] = {
    "grey, 60 px": plain(60),
    "grey, Otsu, 60 px": threshold(60),
    **{f"stretched, {h} px": stretched(h) for h in (40, 60, 90)},
    **{f"strokes, {h} px": strokes(h) for h in (40, 60, 90)},
    **{f"extreme, {h} px": bright(h) for h in (40, 60, 90)},
    "extreme 0.85, 60 px": bright(60, 0.85),
    "as shipped": tesseract.prepare,
}


def shown_at(rows: list[dict[str, str]], field: str, time_s: float) -> str | None:
    for row in rows:
        start, end = float(row["start_s"]), float(row["end_s"])
        if start + 0.04 <= time_s < end - 0.04:
            return row[field]
    return None


def collect(session: Session, instants: int) -> list[tuple[Crop, str]]:
    found = []
    for name in session.clips:
        truth = session.root / "truth" / f"{Path(name).stem}.csv"
        with truth.open(newline="", encoding="utf-8") as stream:
            rows = list(csv.DictReader(stream))
        clip = clips.probe(session.path(name))
        for field in session.overlay().fields:
            try:
                box = field.box_for(clip.width, clip.height)
            except ClipError:
                continue
            for frame in clips.glances(clip, [box], instants, exact=True):
                text = shown_at(rows, field.name, frame.time_s)
                if text is not None:
                    found.append((frame.crops[0], text))
    return found


def judge(text: str, confidence: float, truth: str) -> str:
    reading = interpret(text, confidence, tesseract.TesseractReader.gate)
    if reading.flag == Flag.OK:
        return "right" if truth not in ("", "--") and float(truth) == reading.value else "wrong"
    right = {"": Flag.HIDDEN, "--": Flag.NO_LINK}.get(truth)
    return "right" if reading.flag == right else "missing"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("session", type=Path, nargs="?", default=Path("sample_clips"))
    parser.add_argument("--instants", type=int, default=10)
    arguments = parser.parse_args()
    crops = collect(Session(arguments.session), arguments.instants)
    print(f"{len(crops)} crops of {arguments.session}\n")
    print("| preparation | right % | wrong % | missing % | ms a crop |\n|---|---|---|---|---|")
    for name, prepare in VARIANTS.items():
        tesseract.prepare = prepare
        start = time.perf_counter()
        lines = tesseract.TesseractReader().read([c for c, _ in crops])
        each_ms = (time.perf_counter() - start) / len(crops) * 1000
        counts = Counter(
            judge(line.text, line.confidence, truth)
            for line, (_, truth) in zip(lines, crops, strict=True)
        )
        shares = " | ".join(
            f"{100 * counts[kind] / len(crops):.1f}" for kind in ("right", "wrong", "missing")
        )
        print(f"| {name} | {shares} | {each_ms:.0f} |", flush=True)


if __name__ == "__main__":
    main()
