"""How often the intervals in dB cover the truth, on simulated sessions with known gains.

Run by hand: ``python -m tests.benchmarks.calibration_coverage [--sessions 1000] [--out FILE]``.

Each session has four antennas whose true strengths are drawn anew, a link whose bitrate
saturates, an attenuator whose steps are off by a random error, and spread from clip to clip
and from mounting to mounting. Truth is what the simulation was fed: it shares no code with
the estimate.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from extractor.radio.calibration import calibrate
from extractor.radio.equivalent_db import pair_differences

CEILING_MBIT_S = 42.0
ATTENUATOR_SD_DB = 0.3
STRENGTHS_DB = ((0.0, 0.0), (-5.0, -2.0), (-8.0, -5.0), (-11.0, -8.0))
"""Range of each antenna's strength; the first is the calibrating one."""


@dataclass(frozen=True)
class Scenario:
    """One row of the table."""

    name: str
    clip_sd: float = 0.8
    """Between clips, in Mbit/s, or in dB where `in_db`."""
    mounting_sd_db: float = 0.0
    mountings: int = 1
    clips: int = 4
    """Clips of one mounting of a compared antenna."""
    in_db: bool = False
    step_db: float = 3.0
    passes: int = 2
    midpoint_db: float = 9.0
    """Attenuation that halves the bitrate: below about 6 the strongest leaves the ceiling."""
    quantised: bool = False


SCENARIOS = (
    Scenario("clips spread 0.4 Mbit/s", clip_sd=0.4),
    Scenario("clips spread 0.8 Mbit/s"),
    Scenario("clips spread 1.5 Mbit/s", clip_sd=1.5),
    Scenario("clips spread 0.4 dB", clip_sd=0.4, in_db=True),
    Scenario("2 clips an antenna", clips=2),
    Scenario("steps of 2 dB", step_db=2.0),
    Scenario("strongest below the ceiling", midpoint_db=5.0),
    Scenario("3 mountings, spread 0.5 dB", clip_sd=0.5, mounting_sd_db=0.5, mountings=3, clips=2),
    Scenario("4 mountings, spread 0.8 dB", clip_sd=0.5, mounting_sd_db=0.8, mountings=4, clips=2),
    Scenario("rate steps of 2 Mbit/s, averaged", quantised=True),
)


def bitrate_mbit_s(attenuation_db: np.ndarray, midpoint_db: float) -> np.ndarray:
    """Return a saturating bitrate: logistic in dB."""
    return CEILING_MBIT_S / (1 + np.exp((attenuation_db - midpoint_db) / 2.6))


def simulate(scenario: Scenario, rng: np.random.Generator) -> tuple[pd.DataFrame, dict[str, float]]:
    """Return one session as a summary table, and the true strengths in dB."""
    strengths = {f"A{i}": rng.uniform(*ends) for i, ends in enumerate(STRENGTHS_DB)}
    steps = np.arange(0, 15 + scenario.step_db / 2, scenario.step_db)
    true_steps = steps + np.where(steps > 0, rng.normal(0, ATTENUATOR_SD_DB, steps.size), 0)
    mounting_db = {
        (name, m): rng.normal(0, scenario.mounting_sd_db)
        for name in strengths
        for m in range(scenario.mountings)
    }
    rows = []
    for _ in range(scenario.passes):
        for step, true_step in zip(steps, true_steps, strict=True):
            rows.append(("A0", 0, step, true_step - mounting_db["A0", 0]))
    for name, strength in strengths.items():
        # The calibrating antenna's first mounting was already measured in the two passes.
        first = 1 if name == "A0" else 0
        for m in range(first, scenario.mountings):
            loss = -strength - mounting_db[name, m]
            rows += [(name, m, 0.0, loss)] * scenario.clips
    table = pd.DataFrame(rows, columns=["antenna", "mounting", "attenuation_db", "loss_db"])
    noise = rng.normal(0, scenario.clip_sd, len(table))
    loss = table["loss_db"].to_numpy() + (noise if scenario.in_db else 0)
    level = bitrate_mbit_s(loss, scenario.midpoint_db)
    if scenario.quantised:
        level = _averaged_rate_steps(level, rng)
    table["mean"] = np.maximum(level if scenario.in_db else level + noise, 0)
    table["mounting"] = table["antenna"] + table["mounting"].astype(str)
    table["order"] = np.arange(len(table))
    return table.drop(columns="loss_db"), strengths


def _averaged_rate_steps(level: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    # A clip's mean over 60 values, each rounded to the link's nearest rate after fading.
    faded = level[:, None] + rng.normal(0, 1.0, (level.size, 60))
    return (np.round(faded / 2) * 2).mean(axis=1)


def measure(scenario: Scenario, sessions: int, interpolation: str) -> dict[str, object]:
    """Count how often the truth lies in the interval, over all pairs of all sessions."""
    rng = np.random.default_rng(20)
    covered, two_sided, covered_two, widths, errors = 0, 0, 0, [], []
    pairs = 0
    for session in range(sessions):
        table, truth = simulate(scenario, rng)
        known = calibrate(table, interpolation=interpolation)
        found = pair_differences(known, seed=session, draws=1000)
        for row in found.itertuples():
            true = truth[row.antenna] - truth[row.reference]
            hit = row.low_db <= true <= row.high_db
            pairs += 1
            covered += hit
            if row.bound == "":
                two_sided += 1
                covered_two += hit
                widths.append(row.high_db - row.low_db)
                errors.append(row.difference_db - true)
    return {
        "session": scenario.name,
        "curve": interpolation,
        "covered %": round(100 * covered / pairs, 1),
        "two-sided %": round(100 * two_sided / pairs, 1),
        "covered, two-sided %": round(100 * covered_two / max(two_sided, 1), 1),
        "median width dB": round(float(np.median(widths)), 2),
        "bias dB": round(float(np.nanmean(errors)), 3),
        "rms error dB": round(float(np.sqrt(np.nanmean(np.square(errors)))), 2),
    }


def markdown(rows: list[dict[str, object]]) -> str:
    """Return the table as Markdown."""
    head = list(rows[0])
    lines = [" | ".join(head), " | ".join("---" for _ in head)]
    lines += [" | ".join(str(row[name]) for name in head) for row in rows]
    return "\n".join(f"| {line} |" for line in lines) + "\n"


def main() -> None:
    """Print the table, and write it where asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sessions", type=int, default=1000)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--curve", choices=["linear", "pchip"], action="append")
    options = parser.parse_args()
    began, rows = time.monotonic(), []
    for scenario in SCENARIOS:
        for interpolation in options.curve or ["linear", "pchip"]:
            rows.append(measure(scenario, options.sessions, interpolation))
            print(rows[-1], file=sys.stderr)
    took_s = time.monotonic() - began
    text = markdown(rows) + f"\n{options.sessions} sessions a row; {took_s:.0f} s\n"
    print(text)
    if options.out:
        options.out.write_text(text)


if __name__ == "__main__":
    main()
