"""What a receiver with several ports shows of a change on one of them, and back again.

Levels are decibels on one common scale; a port that hears nothing is at minus infinity. Whether
a receiver adds its ports or picks one is normally not known, so both ends are stated.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from extractor.radio.link_budget import Span

Floats = NDArray[np.float64]


def power(level_db: ArrayLike) -> Floats:
    """Power ratio of a level in dB; 0 at minus infinity."""
    return np.power(10.0, np.asarray(level_db, float) / 10)


def decibels(ratio: ArrayLike) -> Floats:
    """Level in dB of a power ratio of 0 and more."""
    with np.errstate(divide="ignore"):
        return np.asarray(10 * np.log10(ratio))


def added_db(ports_db: ArrayLike) -> Floats:
    """Give the combined level of ports whose signals are added (maximal ratio), in dB.

    The signal-to-noise ratios add: Brennan 1959 (formula from memory). Ports along the first axis.
    """
    return decibels(power(ports_db).sum(axis=0))


def picked_db(ports_db: ArrayLike) -> Floats:
    """Level of the best port, which selection shows where nothing fades, in dB."""
    return np.asarray(ports_db, float).max(axis=0)


def picked_in_fading_db(ports_db: ArrayLike) -> Floats:
    """Mean level of the best port where each fades by itself (Rayleigh), in dB.

    Mean of the largest of independent exponentials with the ports' means, by inclusion and
    exclusion: the sum over all sets of ports of ``-+ 1 / sum(1 / mean)``. With n equal ports it
    is ``1 + 1/2 + ... + 1/n`` times one of them (Brennan 1959).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        rates = 1 / power(ports_db)
        count = range(1, len(rates) + 1)
        sets = (list(s) for n in count for s in itertools.combinations(range(len(rates)), n))
        return decibels(sum((-1) ** (len(s) + 1) / rates[s].sum(axis=0) for s in sets))


#: Ways in which a receiver may use its ports; the first is taken where one figure is needed.
RECEIVERS = (added_db, picked_db, picked_in_fading_db)


def own_difference_db(shown_db: float, load_db: float) -> float:
    """Difference of two antennas on one port, from the one that the receiver shows, in dB.

    Parameters
    ----------
    shown_db
        Antenna minus reference, as the receiver that adds its ports shows it.
    load_db
        Load (or a pad of 30 dB) minus reference on the port under test; below 0. The port's
        weight with the reference is ``w = 1 - 10^(load/10)``.

    Returns
    -------
    float
        ``10 log10((10^(shown/10) - (1 - w)) / w)``; minus infinity where the bracket is not
        positive, so that nothing but an upper end can be told.
    """
    others = float(power(load_db))
    left = max(0.0, float(power(shown_db)) - others)
    return float(decibels(left / (1 - others))) if load_db < 0 else math.nan


def own_difference(shown: Span, load: Span) -> Span | None:
    """Undo the ports on an interval, the uncertainty of the load's clip at its worst with it.

    None where the load's interval reaches 0 dB: then the port's weight is not known.
    """
    if not load.high_db < 0 or shown.value_db is None or load.value_db is None:
        return None
    ends = [
        own_difference_db(change, one)
        for change in (shown.low_db, shown.high_db)
        for one in (max(load.low_db, -300.0), load.high_db)
    ]
    value = own_difference_db(shown.value_db, load.value_db)
    return Span(value if math.isfinite(value) else None, min(ends), max(ends))
