"""What a receiver with several ports shows of a change on one of them, and back again.

Levels are decibels on one common scale; a port that hears nothing is at minus infinity. Whether
a receiver adds its ports or picks one is normally not known, so both ends are stated.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence

from extractor.radio.link_budget import Span


def power(level_db: float) -> float:
    """Power ratio of a level in dB; 0 at minus infinity."""
    return 10 ** (level_db / 10)


def decibels(ratio: float) -> float:
    """Level in dB of a power ratio of 0 and more."""
    return 10 * math.log10(ratio) if ratio > 0 else -math.inf


def added_db(ports_db: Sequence[float]) -> float:
    """Give the combined level of ports whose signals are added (maximal-ratio combining), in dB.

    The signal-to-noise ratios add: Brennan 1959 (formula from memory).
    """
    return decibels(math.fsum(map(power, ports_db)))


def picked_db(ports_db: Sequence[float]) -> float:
    """Level of the best port, which selection shows where nothing fades, in dB."""
    return max(ports_db)


def picked_in_fading_db(ports_db: Sequence[float]) -> float:
    """Mean level of the best port where each fades by itself (Rayleigh), in dB.

    Mean of the largest of independent exponentials with the ports' means, by inclusion and
    exclusion: the sum over all sets of ports of ``-+ 1 / sum(1 / mean)``. With n equal ports it
    is ``1 + 1/2 + ... + 1/n`` times one of them (Brennan 1959).
    """
    means = [power(one) for one in ports_db if one > -math.inf]
    if math.inf in means:
        return math.inf
    sets = (s for n in range(1, len(means) + 1) for s in itertools.combinations(means, n))
    return decibels(math.fsum((-1) ** (len(s) + 1) / sum(1 / mean for mean in s) for s in sets))


#: Ways in which a receiver may use its ports; the first is taken where one figure is needed.
RECEIVERS: tuple[Callable[[Sequence[float]], float], ...] = (
    added_db,
    picked_db,
    picked_in_fading_db,
)


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
    others = power(load_db)
    return decibels((power(shown_db) - others) / (1 - others)) if load_db < 0 else math.nan


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
