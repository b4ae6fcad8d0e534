"""How many planted misreads does cleaning find, and how many true readings does it flag?

Run by hand: ``python tests/benchmarks/planted_misreads.py`` (ten seconds). Takes what was drawn
in the sample clips (``sample_clips/truth``), samples it ten times a second, and spoils three
readings a clip: a point lost, or the first or second digit changed, for one to three frames.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd

from extractor.session.overlay_file import load
from extractor.statistics.cleaning import clean_clip

SAMPLES = Path(__file__).parents[2] / "sample_clips"
FRAME_S = 1 / 30
ROUNDS = 20
PER_CLIP = 3


def series_drawn(path: Path, name: str) -> pd.DataFrame:
    """Return the series that a reader without fault would deliver."""
    truth = pd.read_csv(path, dtype=str, keep_default_na=False)
    starts, shown = truth["start_s"].to_numpy(float), truth[name].to_numpy(object)
    changed = np.concatenate([[True], shown[1:] != shown[:-1]])
    since = np.maximum.accumulate(np.where(changed, starts, -1.0))
    times = np.arange(0, float(truth["end_s"].iloc[-1]), 0.1)
    rows = np.searchsorted(starts, times + 1e-9, side="right") - 1
    marks = {"": "hidden", "--": "no_link"}
    return pd.DataFrame(
        {
            "time_s": times,
            "value": [np.nan if t in marks else float(t) for t in shown[rows]],
            "text": shown[rows],
            "since_s": since[rows],
            "confidence": 0.99,
            "flag": [marks.get(t, "ok") for t in shown[rows]],
        }
    )


def misread(text: str, rng: np.random.Generator) -> tuple[str, str]:
    if rng.random() < 0.3:
        return text.replace(".", ""), "point lost"
    place = int(rng.integers(0, len(text.partition(".")[0])))
    digit = rng.choice([d for d in "0123456789" if d != text[place]])
    kind = "units digit" if place == len(text.partition(".")[0]) - 1 else "tens digit"
    return text[:place] + digit + text[place + 1 :], kind


def spoil(series: pd.DataFrame, row: int, rng: np.random.Generator) -> str:
    """Change one reading; the number around it then seems to change before and after it."""
    text, kind = misread(series.at[row, "text"], rng)
    series.loc[row, ["text", "value"]] = [text, float(text)]
    at = series.at[row, "time_s"]
    series.at[row, "since_s"] = max(series.at[row, "since_s"], at - rng.integers(0, 2) * FRAME_S)
    later = series["since_s"].eq(series.at[row + 1, "since_s"]) & (series.index > row)
    back = max(series.at[row + 1, "since_s"], at + rng.integers(1, 3) * FRAME_S)
    series.loc[later, "since_s"] = back
    return kind


def main() -> None:
    rng = np.random.default_rng(20260501)
    fields = load(SAMPLES / "overlay.toml").fields
    found: dict[str, Counter[str]] = {}
    true_readings = flagged = 0
    for _ in range(ROUNDS):
        for path in sorted((SAMPLES / "truth").glob("*.csv")):
            series = {field.name: series_drawn(path, field.name) for field in fields}
            spoiled = series["bitrate"].copy()
            before = spoiled["flag"].to_numpy()
            places = rng.choice(np.flatnonzero(before == "ok")[5:-5:2], PER_CLIP, replace=False)
            kinds = {int(row): spoil(spoiled, int(row), rng) for row in sorted(places)}
            cleaned = clean_clip(series | {"bitrate": spoiled}, fields, frame_s=FRAME_S)
            after = cleaned["bitrate"].series["flag"].to_numpy()
            for row, kind in kinds.items():
                found.setdefault(kind, Counter())[after[row]] += 1
            sound = np.ones(len(after), bool)
            sound[places] = False
            true_readings += int(sound.sum())
            flagged += int(np.count_nonzero((after != before) & sound))
    print("| planted | readings | flagged | as |\n|---|---|---|---|")
    for kind, flags in sorted(found.items()):
        caught = flags.total() - flags["ok"]
        named = ", ".join(f"{f} {n}" for f, n in flags.most_common() if f != "ok")
        print(f"| {kind} | {flags.total()} | {100 * caught / flags.total():.0f} % | {named} |")
    print(f"\ntrue readings flagged: {flagged} of {true_readings}")


if __name__ == "__main__":
    main()
