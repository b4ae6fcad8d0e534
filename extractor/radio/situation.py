"""What physics expects in this session: with the ports that were connected, behind its walls.

Every unknown is tried at both ends, together with each way of using the ports and each scene; an
unknown that two antennas share (one type of cable, one polarisation) is the same for both. What
comes out is a range and, in the middle of all unknowns, one figure.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from extractor.errors import TableError, UsageError
from extractor.radio import expectation
from extractor.radio.calibration_findings import PADDED, antennas_on_other_ports
from extractor.radio.combining import RECEIVERS, Floats, power
from extractor.radio.expectation import ASSUMED_AIM_DEG, Transmitter, possible_transmitters
from extractor.radio.link_budget import Span
from extractor.radio.scatter import DIRECT, Scene, scenes
from extractor.radio.wording import said
from extractor.session.antennas import Antenna, find_antenna
from extractor.session.csv_tables import texts
from extractor.session.numerals import parse_number
from extractor.session.spelling import hung

DIPOLE_WIDTH_DEG = 78.08
"""Elevation of what is alike in all directions: a half-wave dipole (pattern integral)."""

MOST_PORTS = 8
SAME_DB = 0.5
MOST_UNKNOWNS = 8
"""Tried one by one; further ones go with the last."""

TERMS = ("gain", "cable", "polarisation", "pointing", "mismatch")


@dataclass(frozen=True)
class Companion:
    """What hung on another port: `antenna` is None where no gain of it is known."""

    name: str
    antenna: Antenna | None
    pad_db: float = 0.0


@dataclass(frozen=True)
class Circumstances:
    """What the session says about the test.

    Attributes
    ----------
    frequency_hz, distance_m, width_hz
        Of the path and of the channel.
    in_sight
        Whether transmitter and antennas see each other; None if not said.
    transmitter
        Its antenna's polarisation.
    companions
        What hung on the other ports, by the name of the antenna under test.
    positions
        Number of different spots the antennas stood on; 0 if not said.
    ceiling_share
        For each antenna the largest share of a clip spent at the link's ceiling, 0 to 1.
    swept_deg
        Where a sweep saw a beam of known width: least and greatest spread of the directions.
    turned
        Antennas that were turned in steps.
    power_mw, sent_gain_dbi
        Of the transmitter, and of its antenna; None if not said.
    """

    frequency_hz: float
    in_sight: bool | None = None
    distance_m: float | None = None
    width_hz: float = 20e6
    transmitter: Transmitter = field(default_factory=Transmitter)
    companions: Mapping[str, tuple[Companion, ...]] = field(default_factory=dict)
    positions: int = 0
    ceiling_share: Mapping[str, float] = field(default_factory=dict)
    swept_deg: tuple[float, float] | None = None
    turned: frozenset[str] = frozenset()
    power_mw: float | None = None
    sent_gain_dbi: float | None = None

    @property
    def scenes(self) -> tuple[Scene, ...]:
        """The ends of what may be, the middle first."""
        return scenes(self.in_sight, self.frequency_hz, self.swept_deg)


@dataclass(frozen=True)
class ExpectedDifference:
    """Expected `antenna` minus `reference` in dB; each range has every unknown at its worst.

    Attributes
    ----------
    gain, cable, polarisation, pointing, mismatch
        Contributions alone in line of sight, signed so that they add: a lossy cable of
        `antenna` counts negative.
    total
        Their sum.
    ports, here
        With the ports that were connected; the same behind this session's walls.
    walls_step, ports_step
        What the walls take of the total, and then the ports of the rest.
    middle
        Of each of these the figure in the middle of all unknowns, NaN where there is none; those
        of the terms and both steps add to that of `here`.
    levels
        For the antenna and the reference, in that middle: its own level here and those of its
        companions, dB on one scale.
    notes
        What was assumed or left out, in plain words.
    """

    antenna: str
    reference: str
    gain: Span
    cable: Span
    polarisation: Span
    pointing: Span
    mismatch: Span
    total: Span
    ports: Span
    here: Span
    walls_step: Span
    ports_step: Span
    middle: Mapping[str, float]
    levels: tuple[tuple[float, ...], tuple[float, ...]]
    notes: tuple[str, ...]

    def shown_db(self, change_db: float, which: int = 0, receiver: int = 0) -> float:
        """Return what is seen of a change on the antenna (0) or the reference (1), in dB."""
        own, *others = self.levels[which]
        combine = RECEIVERS[receiver]
        return float(combine([own + change_db, *others]) - combine([own, *others]))


def expected_differences(
    antennas: Sequence[Antenna],
    reference: Antenna,
    frequency_hz: float,
    *,
    transmitter: Transmitter | None = None,
) -> list[ExpectedDifference]:
    """Compute the difference to expect of every antenna but the reference, in the given order.

    Parameters
    ----------
    antennas : sequence of Antenna
        Those to compare, each alone on one port; `reference` may be among them.
    reference : Antenna
        The one that they are compared with.
    frequency_hz : float
        Of the link, above 0.
    transmitter : Transmitter, optional
        The transmitting antenna; unknown when absent.

    Returns
    -------
    list of ExpectedDifference
        In dB, term by term, each with its range.

    Raises
    ------
    UsageError
        If the frequency is not above 0.

    Examples
    --------
    >>> from extractor import expected_differences
    >>> from extractor.session.antennas import Antenna
    >>> slab = Antenna("Slab", kind="flat panel", gain_dbi=11.0, beamwidth_deg=55)
    >>> stub = Antenna("Stub", kind="dipole", gain_dbi=2.15)
    >>> (slab_over_stub,) = expected_differences([slab], stub, 5.8e9)
    >>> slab_over_stub.gain
    Span(value_db=8.85, low_db=6.85, high_db=10.85)
    """
    if not frequency_hz > 0:
        raise UsageError(f"a frequency of {frequency_hz:g} Hz: must be above 0")
    about = Circumstances(frequency_hz, transmitter=transmitter or Transmitter())
    return [expected_difference(one, reference, about) for one in antennas if one is not reference]


def _ends(span: Span, signs: Floats) -> Floats:
    return np.where(signs < 0, span.low_db, np.where(signs > 0, span.high_db, span.at(0)))


class _Side:
    """One antenna's terms, each unknown at its worst (-1), its best (+1) or in the middle (0)."""

    def __init__(self, antenna: Antenna, about: Circumstances, notes: list[str]) -> None:
        hz, self.antenna = about.frequency_hz, antenna
        self.gain = expectation.gain_span(antenna, hz, expectation.RATING_TOLERANCE_DB, notes)
        self.cable, self.joints = expectation.line_spans(antenna, hz, notes)
        self.aim = expectation.pointing_span(antenna, hz, notes)
        self.mismatch = expectation.mismatch_span(antenna, hz, notes)
        definite = antenna.polarisation not in ("", "circular", "linear")
        #: Names of its unknowns; what antennas have in common bears one name.
        self.keys = (
            antenna.antenna,
            f"cable {expectation.cable_key(antenna.cable) or antenna.antenna}",
            f"polarisation {antenna.polarisation if definite else antenna.antenna}",
        )
        off = antenna.pointing_error_deg
        self.off_deg = Span(off or 0.0, off or 0.0, ASSUMED_AIM_DEG if off is None else off)
        width = expectation.beamwidth_deg(antenna, hz) or DIPOLE_WIDTH_DEG
        around = antenna.is_omnidirectional
        self.widths = (math.inf if around else width, DIPOLE_WIDTH_DEG if around else width)
        spans = {"gain": self.gain, "cable": self.cable, "pointing": self.aim}
        spans["mismatch"] = self.mismatch
        #: Terms for which no single figure is known.
        self.open = {name for name, one in spans.items() if one.value_db is None}
        sent = possible_transmitters(about.transmitter)
        if len(sent) > 1 or expectation.polarisation_span(antenna, sent[0]).value_db is None:
            self.open.add("polarisation")

    def terms(self, signs: Mapping[str, Floats], sent: Transmitter) -> list[Floats]:
        """`TERMS` for each choice of signs, losses negative."""
        own, cable, tilt = (signs[key] for key in self.keys)
        lost = [
            _ends(self.cable, -cable) + _ends(self.joints, -own),
            _ends(expectation.polarisation_span(self.antenna, sent), -tilt),
            *(_ends(span, -own) for span in (self.aim, self.mismatch)),
        ]
        return [_ends(self.gain, own), *(-one for one in lost)]

    def level_db(self, signs: Mapping[str, Floats], sent: Transmitter, scene: Scene) -> Floats:
        """Level here for each choice of signs."""
        gain, cable, tilt, aim, mismatch = self.terms(signs, sent)
        off = _ends(self.off_deg, -signs[self.keys[0]])
        matched = np.minimum(1.0, power(tilt))
        return gain + cable + mismatch - scene.loss_db(self.widths, off, -aim, matched)


class _Trial:
    """The two antennas on their ports, tried with any choice of the unknowns."""

    def __init__(self, pair: tuple[Antenna, Antenna], about: Circumstances) -> None:
        self.notes: list[str] = []
        self.names = tuple(one.antenna for one in pair)
        self.hung = tuple(about.companions.get(name, ()) for name in self.names)
        others = {c.name: c.antenna for group in self.hung for c in group}
        self.open = [name for name, antenna in others.items() if antenna is None]
        self.sides = {one.antenna: _Side(one, about, self.notes) for one in pair}
        for name, antenna in others.items():
            if antenna is not None and name not in self.sides:
                self.sides[name] = _Side(antenna, about, [])
        self.sent, self.scenes = possible_transmitters(about.transmitter), about.scenes

    def ends(self) -> dict[str, Floats]:
        """Every unknown at both ends, with every other one at each of its own."""
        by_kind = zip(*(side.keys for side in self.sides.values()), strict=True)
        names = list(dict.fromkeys([*itertools.chain(*by_kind), *self.open]))
        count = min(len(names), MOST_UNKNOWNS)
        signs = np.array(list(itertools.product((-1.0, 1.0), repeat=count))).T
        return {name: signs[min(i, count - 1)] for i, name in enumerate(names)}

    def rows(self, signs: Mapping[str, Floats], sent: Transmitter, scene: Scene) -> Floats:
        """Terms, total, with ports, here, both steps: shape (receivers, 10, choices)."""
        first, second = (self.sides[name].terms(signs, sent) for name in self.names)
        terms = [a - b for a, b in zip(first, second, strict=True)]
        direct, here = (self.levels(signs, sent, one) for one in (DIRECT, scene))
        total, own = sum(terms), here[0][0] - here[1][0]
        rows = []
        for combine in RECEIVERS:
            ports, shown = (combine(one[0]) - combine(one[1]) for one in (direct, here))
            rows.append([*terms, total, ports, shown, own - total, shown - own])
        return np.array(rows)

    def levels(
        self, signs: Mapping[str, Floats], sent: Transmitter, scene: Scene
    ) -> list[list[Floats]]:
        """Level of the antenna and of its companions, then those of the reference, in dB."""
        own = {name: side.level_db(signs, sent, scene) for name, side in self.sides.items()}
        pair = [own[name] for name in self.names]
        for name in self.open:
            sign, some, most = signs[name], np.minimum(*pair), np.maximum(*pair)
            own[name] = np.where(sign < 0, -math.inf, np.where(sign > 0, most, some))
        return [
            [level, *(own[c.name] - c.pad_db for c in group)]
            for level, group in zip(pair, self.hung, strict=True)
        ]


def expected_difference(
    antenna: Antenna, reference: Antenna, about: Circumstances
) -> ExpectedDifference:
    """Say what to expect of `antenna` minus `reference` in these circumstances."""
    trial = _Trial((antenna, reference), about)
    signs = trial.ends()
    still = {name: np.zeros(1) for name in signs}
    with np.errstate(invalid="ignore"):  # infinite where a gain is unknown
        choices = itertools.product(trial.sent, trial.scenes)
        tried = np.concatenate([trial.rows(signs, *one) for one in choices], axis=-1)
        centre = np.mean([trial.rows(still, one, trial.scenes[0])[0] for one in trial.sent], axis=0)
        levels = [trial.levels(still, one, trial.scenes[0]) for one in trial.sent]
    names = (*TERMS, "total", "ports", "here", "walls_step", "ports_step")
    middle = {name: float(value) for name, (value,) in zip(names, centre, strict=True)}
    found: dict[str, Any] = {"middle": middle}
    open_ = set.union(*(trial.sides[name].open for name in trial.names))
    for i, name in enumerate(names):
        known = tried[:, i][~np.isnan(tried[:, i])]
        low, high = (known.min(), known.max()) if known.size else (-math.inf, math.inf)
        if name in open_ and high - low < SAME_DB:
            open_.remove(name)  # it is the same for both
        blank = name in open_ or (name not in TERMS and (open_ or (trial.open and name != "total")))
        value = None if blank or math.isnan(middle[name]) else middle[name]
        found[name] = Span(value, float(low), float(high))
    found["levels"] = tuple(
        tuple(float(np.mean(port)) for port in zip(*own, strict=True))
        for own in zip(*levels, strict=True)
    )
    notes = [*trial.notes, *expectation.polarisation_notes(antenna, reference, about.transmitter)]
    notes += [said("assumed", "ports", names=", ".join(trial.open))] if trial.open else []
    notes += [said("assumed", "walls")] if about.in_sight is None else []
    found["notes"] = tuple(dict.fromkeys(notes))
    return ExpectedDifference(antenna.antenna, reference.antenna, **found)


def companions_of(
    runs: pd.DataFrame, antennas: Sequence[Antenna]
) -> dict[str, tuple[Companion, ...]]:
    """Return what hung on the other ports under test, by the antenna's name in `antennas`.

    Where the runs of an antenna differ, what most of them had stands. Ports that the runs name,
    and of which an empty ``others`` says nothing, have an unknown companion.

    Raises
    ------
    TableError
        If there are more than `MOST_PORTS` ports.
    """
    if not {"antenna", "port", "others"} <= set(runs.columns):
        return {}
    port = texts(runs, "port_used" if "port_used" in runs else "port")
    cells = texts(runs, "others")
    ports = {*port, *(name for cell in cells for name, _ in hung(cell))} - {""}
    found = {}
    for name, own in runs.groupby("antenna"):
        cell, known = cells[own.index].mode()[0], find_antenna(antennas, str(name))
        if not cell:
            rest = sorted(ports - {port[own.index[0]]})
            cell = ";".join(f"{other}=what hung on {other}" for other in rest)
        parts = antennas_on_other_ports(cell)
        if len(parts) >= MOST_PORTS:
            raise TableError(f"runs.csv: {name}: more than {MOST_PORTS} ports in 'others'")
        if known is not None:
            found[known.antenna] = tuple(_companion(other, antennas) for _, other in parts)
    return found


def _companion(name: str, antennas: Sequence[Antenna]) -> Companion:
    pad = PADDED.search(name)
    name = name[: pad.start()].strip() if pad else name
    pad_db = (parse_number(pad[1]) if pad else None) or 0.0
    antenna = find_antenna(antennas, name)
    if antenna is None or math.isinf(expectation.gain_span(antenna, 5.8e9, 0.0, []).low_db):
        return Companion(name, None, pad_db)
    return Companion(antenna.antenna, antenna, pad_db)
