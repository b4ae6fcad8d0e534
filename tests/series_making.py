"""Short ways to a series and a field in tests."""

import numpy as np
import pandas as pd

from extractor.session.overlay import Box, Field


def make_field(**settings):
    return Field(**({"name": "bitrate", "frame": (1600, 900), "box": Box(0, 0, 9, 9)} | settings))


def make_series(values, *, period_s=0.1, time_s=None, flag=None, text=None, **columns):
    """NaN becomes `unreadable`, "--" `no_link`, "" `hidden`; numbers are `ok`."""
    marks = {"--": "no_link", "": "hidden"}
    numbers = [np.nan if isinstance(v, str) else float(v) for v in values]
    flags = [
        marks[v] if isinstance(v, str) else "unreadable" if np.isnan(v) else "ok" for v in values
    ]
    times = np.arange(len(numbers)) * period_s if time_s is None else np.asarray(time_s, float)
    texts = ["" if np.isnan(v) else f"{v:g}" for v in numbers] if text is None else text
    return pd.DataFrame(
        {
            "time_s": times,
            "value": np.array(numbers, float),
            "text": np.array(texts, object),
            "flag": np.array(flags if flag is None else flag, object),
            **columns,
        }
    )


def ar1_effective_size(n, rho):
    """Independent samples whose mean varies as much as that of a first-order series of n.

    Bayley and Hammersley, J. R. Stat. Soc. Suppl. 8 (1946) 184; above n where rho < 0.
    """
    factor = (1 + rho) / (1 - rho) - 2 * rho * (1 - rho**n) / (n * (1 - rho) ** 2)
    return n / factor


def held_series(numbers, hold=5, frame_s=1 / 30, sample_frames=3):
    """A display that shows each number for `hold` samples; `since_s` exact to the frame.

    `numbers` may hold pairs (number, samples) for holds of another length.
    """
    pairs = [n if isinstance(n, tuple) else (n, hold) for n in numbers]
    values, since, at = [], [], 0.0
    for number, samples in pairs:
        values += [number] * samples
        since += [at] * samples
        at += samples * sample_frames * frame_s
    return make_series(values, period_s=sample_frames * frame_s, since_s=np.array(since))
