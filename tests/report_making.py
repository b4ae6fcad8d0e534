"""Sessions with results but without reading: from the sample's truth, or made up."""

from __future__ import annotations

import math
import re
import shutil
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from sample_truth import SAMPLE, truth_series

from extractor.results import summary_columns
from extractor.session.csv_tables import write_table
from extractor.session.folder import Session
from extractor.session.overlay import Box, Field
from extractor.session.overlay_file import load
from extractor.statistics.summary import summarise
from extractor.tabulation.clip_tables import run_rows, write_readings

__all__ = ["made_up_session", "rounds", "run_rows", "truth_session"]


def truth_session(folder: Path, *, clips: bool = False) -> Path:
    """The sample session as a perfect reader would have read it; `clips` copies the videos."""
    folder.mkdir(parents=True)
    for name in ("overlay.toml", "session.toml", "runs.csv", "antennas.csv"):
        shutil.copy(SAMPLE / name, folder / name)
    for path in SAMPLE.iterdir():
        if path.suffix in (".mp4", ".mkv", ".ts"):
            if clips:
                shutil.copy(path, folder / path.name)
            else:
                (folder / path.name).touch()
    session, rows = Session(folder), []
    for run in session.runs():
        truth = SAMPLE / "truth" / f"{Path(run.clips[0]).stem}.csv"
        out = {}
        for field in load(folder / "overlay.toml").fields:
            series = truth_series(truth, field.name).reset_index(drop=True)
            series["since_s"], series["confidence"] = series["time_s"], 0.999
            out[field.name] = series
            row = dict(run.columns) | {"run": run.run, "field": field.name, "unit": field.unit}
            rows.append(row | summarise(series, field).as_row() | {"incomplete": "no"})
        write_readings(session.readings_path(run.clips[0]), out)
    write_table(session.summary_path, summary_columns(), rows)
    return folder


def rounds(folder: Path, *by: float, clips: bool = False) -> list[Path]:
    """The sample session, and for each amount a further round that lies lower by it for all."""
    seasons = ("spring", "summer", "autumn")
    found = []
    for letter, season, less in zip("abc", seasons, (0.0, *by), strict=False):
        one = truth_session(folder / season, clips=clips)
        conditions = one / "session.toml"
        conditions.write_text(f'{conditions.read_text()}title = "The evening in {season}"\n')
        for path in [*one.glob("*_m*"), *(one / "results" / "readings").glob("*.csv")]:
            if clips and path.suffix != ".csv":  # copies of a recording would count once
                path.write_bytes(path.read_bytes() + b"\0\0\0\x08free" * (1 + "abc".index(letter)))
            path.rename(path.with_name(f"{letter}_{path.name}"))
        for table in (one / "runs.csv", one / "results" / "summary.csv"):
            named = re.sub(r"\b(\w+_m\d_\w+\.(mp4|mkv|ts))", rf"{letter}_\1", table.read_text())
            table.write_text(named)
        rows = pd.read_csv(one / "results" / "summary.csv", keep_default_na=False, dtype=str)
        own = rows["field"] == "bitrate"
        for column in ("mean", "median", "p25", "p05", "p95"):
            rows.loc[own, column] = (pd.to_numeric(rows.loc[own, column]) - less).map(
                "{:.4f}".format
            )
        rows.to_csv(one / "results" / "summary.csv", index=False)
        found.append(one)
    return found


def made_up_session(
    folder: Path,
    runs: Sequence[tuple[str, str, str]],
    *,
    length: int = 20,
    clip_name: str = "clip{:03d}.mp4",
    flags: Sequence[str] = ("ok",),
) -> Path:
    """A session of one field with these (antenna, port, mounting); empty antennas are fine."""
    folder.mkdir(parents=True)
    field = Field("bitrate", frame=(320, 180), box=Box(40, 20, 64, 32), unit="Mbit/s", ceiling=40.0)
    (folder / "overlay.toml").write_text(
        'version = 1\n[[field]]\nname = "bitrate"\nunit = "Mbit/s"\nframe = [320, 180]\n'
        "box = [40, 20, 64, 32]\nceiling = 40.0\n"
    )
    rng = np.random.default_rng(3)
    names = [clip_name.format(i) for i in range(len(runs))]
    table = []
    for i, (name, (antenna, port, mounting)) in enumerate(zip(names, runs, strict=True)):
        (folder / name).touch()
        table.append(
            {"run": f"r{i}", "clip": name, "antenna": antenna, "port": port, "mounting": mounting,
             "order": i + 1}
        )  # fmt: skip
    write_table(folder / "runs.csv", list(table[0]), table)
    session, rows = Session(folder), []
    for i, run in enumerate(session.runs()):
        series = _series(rng, length, 20 + 3 * (hash_of(run.cell("antenna")) % 5), flags)
        write_readings(session.readings_path(run.clips[0]), {"bitrate": series})
        row = dict(run.columns) | {"run": run.run, "field": "bitrate", "unit": "Mbit/s"}
        rows.append(row | summarise(series, field).as_row() | {"incomplete": "no", "order": i + 1})
    write_table(session.summary_path, summary_columns(), rows)
    return folder


def hash_of(text: str) -> int:
    return sum(map(ord, text))


def _series(
    rng: np.random.Generator, length: int, level: float, flags: Sequence[str]
) -> pd.DataFrame:
    chosen = [flags[i % len(flags)] for i in range(length)]
    empty = {"no_link", "hidden", "unreadable"}
    values = [math.nan if f in empty else round(float(level + rng.normal()), 1) for f in chosen]
    times = [i / 10 for i in range(length)]
    return pd.DataFrame(
        {
            "time_s": times,
            "value": values,
            "text": ["" if math.isnan(v) else f"{v:.1f}" for v in values],
            "since_s": times,
            "confidence": [0.5 + 0.4 * (i % 7) / 7 for i in range(length)],
            "flag": chosen,
        }
    )


def words_in(figure) -> str:
    from matplotlib.text import Text

    return " ".join(t.get_text() for t in figure.findobj(Text))
