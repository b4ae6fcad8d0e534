"""Where the pads of a calibration were: at the transmitter, or in the receive lines.

At the transmitter a pad weakens the signal alone. In the lines it weakens interference too, and
the link falls less than the pad says.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pandas as pd
from scipy.stats import t

from extractor.comparison.findings import Finding
from extractor.statistics.isotonic import FEWEST_STEPS

if TYPE_CHECKING:
    from extractor.radio.calibration import Calibration


def line_pad_change_db(pad_db: float, interference_db: float) -> float:
    """Return what a pad in the receive lines takes off signal over noise and interference, in dB.

    ``pad - 10 log10((1 + i) / (1 + i / pad))``, i the interference over the noise: the pad
    weakens both. At the transmitter the same pad takes off all of itself.

    Parameters
    ----------
    pad_db
        Of the pad, 0 and more.
    interference_db
        Interference over the receiver's own noise, without the pad.
    """
    interference, pad = 10 ** (interference_db / 10), 10 ** (pad_db / 10)
    return pad_db - 10 * math.log10((1 + interference) / (1 + interference / pad))


def _at_transmitter(runs: pd.DataFrame) -> pd.Series[bool]:
    if "padded" not in runs.columns:
        return pd.Series(False, index=runs.index)
    return runs["padded"].fillna("").astype(str).str.strip().str.casefold() == "transmitter"


def pad_place(curve_runs: pd.DataFrame) -> str:
    """Say in words where the pads of these runs were."""
    sent = _at_transmitter(curve_runs[curve_runs["attenuation_db"] > 0])
    if sent.all():
        return "at the transmitter"
    return "at both places" if sent.any() else "in the receive lines"


def at_one_place(own: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part the steps of one antenna into those that make the curve and those elsewhere.

    The transmitter comes first; where neither place has steps enough they stay together.
    """
    sent, bare = _at_transmitter(own), own["attenuation_db"] == 0
    for elsewhere in (~sent & ~bare, sent & ~bare):
        if own.loc[~elsewhere, "attenuation_db"].nunique() >= FEWEST_STEPS:
            return own[~elsewhere], own[elsewhere]
    return own, own.iloc[:0]


def pad_place_finding(calibration: Calibration, unit: str) -> list[Finding]:
    """Hold pads in the lines against the same at the transmitter, or ask for that test."""
    runs = pd.concat([calibration.curve_runs, calibration.other_runs])
    runs = runs[runs["attenuation_db"] > 0]
    sent, wrong = _at_transmitter(runs), pad_place(calibration.curve_runs) != "at the transmitter"
    means = (
        runs[which].groupby("attenuation_db")[calibration.measure].agg(["mean", "size"])
        for which in (~sent, sent)
    )
    both = pd.concat(means, axis=1, join="inner").set_axis(["lines", "n", "sent", "m"], axis=1)
    spread = calibration.curve_spread
    if both.empty or not spread.dof:
        return [_asking(float(runs["attenuation_db"].max()))] if wrong else []
    more = float((both["lines"] - both["sent"]).mean())
    error = spread.sd * math.sqrt((1 / both["n"] + 1 / both["m"]).sum()) / len(both)
    half = float(t.ppf(0.975, spread.dof)) * error
    found = "no interference seen"
    if more > half:
        found = "interference comes in with the signal, and pads in the lines weaken it too"
        found += "; differences in dB off this curve come out too large" if wrong else ""
    sentence = (
        f"Pads of {', '.join(f'{step:g}' for step in both.index)} dB in the lines against the same "
        f"at the transmitter: {more:+.1f} {unit} (95 % interval {more - half:+.1f} to "
        f"{more + half:+.1f}): {found}."
    )
    how = "Columns padded and attenuation_db; t interval from the spread of runs at one step."
    return [Finding("calibration_pad_place", sentence, how)]


def _asking(most_db: float) -> Finding:
    sentence = (
        "The pads were in the receive lines, where they weaken interference too: with interference "
        f"10 dB above the noise {most_db:g} dB act like {line_pad_change_db(most_db, 10):.1f}, and "
        "differences in dB come out too large. Better one pad at the transmitter, within its power "
        "rating; or test it: one clip with 6 dB in all lines, one with 6 dB at the transmitter."
    )
    return Finding("calibration_pad_place", sentence, "Column padded of runs.csv.")
