"""Why an antenna measured less than its rating: a budget, and for each cause the clip that tells.

Counted causes follow from what the session says; their steps add from the rated difference to
what is expected here. Open ones could explain what is left over; how much each may cost is
common practice, no source.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd
from scipy.special import stdtrit

from extractor.radio import fading
from extractor.radio.calibration import Calibration
from extractor.radio.expectation import beamwidth_deg
from extractor.radio.link_budget import Span, exactly, far_field_distance_m
from extractor.radio.scatter import scatter_loss_db
from extractor.radio.situation import Circumstances, ExpectedDifference
from extractor.radio.wording import said
from extractor.session.antennas import CIRCULAR, Antenna
from extractor.session.csv_tables import numbers, read_table, texts
from extractor.session.spelling import folded

TURN_DEG = 30.0
PAD_DB = 30.0
LEAST_DB = 0.05
MOST_AT_CEILING = 0.2
OVERLOAD_M = 5.0
"""Nearer than this a receiver may be overloaded (common practice, no source)."""

STEPS = {
    **{name: name for name in ("cable", "polarisation", "mismatch")},
    **{"aim": "pointing", "walls": "walls_step", "ports": "ports_step"},
}
"""Causes that are counted, and what holds them in `ExpectedDifference`."""

TABLE = Path(__file__).with_suffix(".csv")
"""Title and clip of each cause, and what the open ones may cost on one port in dB (common practice,
no source; hand and spot by the session)."""


@functools.cache
def _texts() -> dict[str, dict[str, str]]:
    return {row["name"]: dict(row) for row in read_table(TABLE).rows}


@dataclass(frozen=True)
class Measured:
    """Measured `antenna` minus `reference` with its interval, in dB or the field's unit.

    ``value`` is NaN where only bounds are known, ``low`` and ``high`` are infinite on a side
    without an end and NaN where nothing is known.
    """

    value: float
    low: float
    high: float
    unit: str

    @property
    def span(self) -> Span:
        """The same as a `Span`, where it is in dB."""
        return Span(self.value, self.low, self.high)

    @property
    def in_db(self) -> tuple[float, float]:
        """The interval in dB; in another unit the sign alone tells, and around 0 it is 0."""
        if self.unit == "dB":
            return self.low, self.high
        if self.low > 0:
            return 0.0, math.inf
        return (-math.inf, 0.0) if self.high < 0 else (0.0, 0.0)


@dataclass(frozen=True)
class Cause:
    """One cause, and the clip that would tell.

    Attributes
    ----------
    name
        As ``extractor plan --tell`` takes it.
    title
        In a few words.
    size
        What it does to the difference, or could do, in dB.
    counted
        Whether it is a step of the budget.
    subject
        Antenna on the tested port in the clip that would tell.
    clip
        What to change for that clip against the same antenna left as it was.
    if_so_db, if_not_db
        What the receiver then shows, in dB, if it is this cause and if it isn't.
    verdict
        What such a clip of this session said; empty without one.
    """

    name: str
    title: str
    size: Span
    counted: bool
    subject: str
    clip: str
    if_so_db: float
    if_not_db: float = 0.0
    verdict: str = ""

    @property
    def excluded(self) -> bool:
        """Whether a clip of this session strikes it out."""
        return self.verdict.startswith("excluded")

    def told(self, found: Measured | None) -> Cause:
        """Hold the clip's result, if there is one, against what was predicted (95 %)."""
        if found is None:
            return self
        result = f"{found.value:+.1f} {found.unit} ({found.low:+.1f} to {found.high:+.1f})"
        way = math.copysign(1.0, self.if_so_db - self.if_not_db)
        low, high = found.in_db
        if low == high:
            # Without a calibration no change may be any small one.
            low, high = -math.inf, math.inf
        reach, least = (high, low) if way > 0 else (low, high)
        verdict = "confirmed" if way * least >= way * self.if_not_db else "not decided"
        if way * reach < way * self.if_so_db:
            verdict = "excluded"
        return replace(self, verdict=f"{verdict}: the clip showed {result}")


def near_field_antennas(antennas: Sequence[Antenna], about: Circumstances) -> list[str]:
    """Name the antennas for which the path is shorter than their far field begins."""
    path_m = math.inf if about.distance_m is None else about.distance_m
    needed_m = {
        one.antenna: far_field_distance_m(one.size_m or 0.0, about.frequency_hz) for one in antennas
    }
    return [
        said("path", "near", antenna=name, path=path_m, needed=least_m)
        for name, least_m in needed_m.items()
        if path_m < least_m
    ]


class Suspects:
    """Causes for the antenna that did worse than its rating against the other.

    Parameters
    ----------
    antenna, reference, expected
        The pair and what to expect of it.
    sign
        -1 where `antenna` did worse, +1 where `reference` did.
    """

    def __init__(
        self, antenna: Antenna, reference: Antenna, expected: ExpectedDifference,
        about: Circumstances, sign: int,
    ) -> None:  # fmt: skip
        self.weaker, self.other = (antenna, reference)[::-sign]
        self.sign, self.expected, self.about = sign, expected, about
        self.width_deg = beamwidth_deg(self.weaker, about.frequency_hz) or 90.0
        self.hands_db = 10.0 if about.in_sight is False else 15.0
        #: Which of the pair is the suspect.
        self.own = 0 if sign < 0 else 1

    def shows(self, change_db: float, receiver: int = 0) -> float:
        """Return what is seen of a change on the suspect's own port, in dB."""
        return self.expected.shown_db(change_db, self.own, receiver)

    def counted(self, rated_db: float | None) -> list[Cause]:
        """Return the steps of the budget that are, or whose unknowns are, worth a word."""
        expected = self.expected
        steps: dict[str, tuple[float, Span]] = {
            name: (expected.middle[key], getattr(expected, key)) for name, key in STEPS.items()
        }
        if rated_db is not None:
            steps["rating"] = expected.middle["gain"] - rated_db, expected.gain - exactly(rated_db)
        return [
            self._cause(name, Span(middle, size.low_db, size.high_db), True)
            for name, (middle, size) in steps.items()
            if abs(middle) >= LEAST_DB or size.high_db - size.low_db > 12 * LEAST_DB
        ]

    def open(self, counted: Collection[str]) -> list[Cause]:
        """Return what the session doesn't say and what it could cost, beside what is counted."""
        about, weaker = self.about, self.weaker
        fades = fading.independent_fades(about.width_hz, fading.OFFICE_DELAY_SPREAD_S)
        most = {name: float(row["most_db"]) for name, row in _texts().items() if row["most_db"]}
        most["spot"] = 1.96 * fading.fading_sd_db(fades) * math.sqrt(2 / max(1, about.positions))
        most["hand"] = self.hands_db
        possible = {
            "ceiling": about.ceiling_share.get(weaker.antenna, 0.0) > MOST_AT_CEILING,
            "overload": about.distance_m is None or about.distance_m < OVERLOAD_M,
            "band": weaker.kind == "helix",
            "spacing": len(self.expected.levels[0]) > 1,
            "distance": bool(near_field_antennas([weaker], about)),
            "hand": "polarisation" not in counted,
        }
        sizes = {
            n: self.sign * abs(self.shows(-x)) for n, x in most.items() if possible.get(n, True)
        }
        return [
            self._cause(name, Span(size, min(size, 0.0), max(size, 0.0)), False, most[name])
            for name, size in sizes.items()
        ]

    def _cause(self, name: str, size: Span, counted: bool, most_db: float = 0.0) -> Cause:
        step = abs(size.at(0))
        if counted:
            # Of what nothing is expected the clip tells the most that it may do.
            most_db = step if step >= LEAST_DB else max(-size.low_db, size.high_db)
        subject = self.other if name in ("cable", "connector") else self.weaker
        weak = self.weaker.antenna
        turned = self.weaker.polarisation not in (*CIRCULAR, "")
        hand = f"{weak} turned by 90 deg" if turned else f"another {weak} with the other hand"
        given: dict[str, Any] = {"weak": weak, "other": self.other.antenna, "hand": hand}
        given |= {"turn": TURN_DEG, "pad": PAD_DB, "fading": self.shows(-PAD_DB, 2)}
        given |= {"half": self.width_deg / 2, "spot_mm": fading.SPOT_DISTANCE_MM}
        title, clip = (_texts()[name][key].format(**given) for key in ("title", "clip"))
        swept = name == "aim" and weak in self.about.turned
        verdict = "excluded: it was turned in steps" if swept else ""
        ends = self._predicted(name, most_db, self.sign * size.at(0))
        return Cause(name, title, size, counted, subject.antenna, clip, *ends, verdict)

    def _predicted(self, name: str, most_db: float, loss_db: float) -> tuple[float, float]:
        """Return what the clip shows if it is this cause, and if not."""
        shows, width, spread = self.shows, self.width_deg, self.about.scenes[0].azimuth_deg
        turned = float(scatter_loss_db(width, spread, TURN_DEG) - scatter_loss_db(width, spread))
        seen, here = (-self.sign * self.expected.middle[key] for key in ("ports", "here"))
        swap = self.expected.shown_db(-most_db, 1 - self.own), 0.0
        hand = shows(self.hands_db), shows(-self.hands_db)
        special = {
            "rating": (seen, seen + shows(loss_db)),
            **{"cable": swap, "connector": swap, "polarisation": hand, "hand": hand},
            "aim": (shows(most_db), shows(-3.0)),
            "mismatch": (shows(most_db - 3), shows(-3.0)),
            "walls": (shows(-turned), shows(-min(20.0, 12 * (TURN_DEG / width) ** 2))),
            "ports": (shows(-PAD_DB), shows(-PAD_DB, 1)),
            **{"ceiling": (here, 0.0), "overload": (0.0, -10.0)},
        }
        return special.get(name, (shows(most_db), 0.0))


# --- clips that tell one cause from another: rows of runs.csv whose column tells names it ---------

COLUMN = "tells"
#: Told by two antennas in the same changed place, not by one changed and unchanged.
PAIRED = ("rating", "ceiling")

ClipSpread = tuple[float, int]
"""Standard deviation from clip to clip in the field's unit, and its degrees of freedom."""


def clips_that_tell(runs: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the ordinary runs, and those that were changed to tell a cause."""
    told = texts(runs, COLUMN) != ""
    return runs[~told].reset_index(drop=True), runs[told].reset_index(drop=True)


def told_results(
    told: pd.DataFrame,
    runs: pd.DataFrame,
    spread: ClipSpread,
    unit: str,
    calibration: Calibration | None,
) -> dict[tuple[str, str], Measured]:
    """Return what each clip that tells showed, against the same antenna left as it was.

    Compared inside the mounting where that has an unchanged clip. The 95 % interval carries the
    spread from clip to clip; with a calibration both levels are read off its curve.

    Returns
    -------
    dict
        By the antenna's folded name and the cause.
    """
    sd, dof = spread
    if told.empty or dof == 0:
        return {}
    found = {}
    for (name, cause), changed in told.groupby(["antenna", COLUMN]):
        own = runs[runs["antenna"] == name]
        same = own[own["mounting"].isin(changed["mounting"])]
        base = own if same.empty else same
        if cause in PAIRED:
            base = told[(told[COLUMN] == cause) & (told["antenna"] != name)]
        if base.empty:
            continue
        half = float(stdtrit(dof, 0.975)) * sd * math.sqrt(1 / len(changed) + 1 / len(base))
        found[folded(str(name)), str(cause)] = _difference(changed, base, half, unit, calibration)
    return found


def _difference(
    changed: pd.DataFrame, base: pd.DataFrame, half: float, unit: str, known: Calibration | None
) -> Measured:
    level, left = float(changed["value"].mean()), float(base["value"].mean())
    if known is None:
        return Measured(level - left, level - left - half, level - left + half, unit)
    padded = [float(numbers(one, "attenuation_db").fillna(0.0).mean()) for one in (changed, base)]
    read = known.curve.attenuation_at
    shift, before = padded[0] - padded[1], read(left)
    low = shift + before.low_db - read(level - half).high_db
    high = shift + before.high_db - read(level + half).low_db
    middle = read(level)
    value = shift + (before.low_db + before.high_db - middle.low_db - middle.high_db) / 2
    return Measured(value if math.isfinite(value) else math.nan, low, high, "dB")
