"""Expected against measured, and what to check where they disagree."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from extractor.radio import link_budget
from extractor.radio.expectation import ExpectedDifference, Transmitter, beamwidth_deg
from extractor.radio.link_budget import Span
from extractor.radio.propagation import far_field_distance_m
from extractor.radio.ratings import rate
from extractor.session.antennas import CIRCULAR, Antenna
from extractor.statistics.ceiling import MOST_AT_CEILING

Agreement = Literal["agrees", "measured lower", "measured higher", "can't be told"]

NARROW_BEAM_DEG = 40.0


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


@dataclass(frozen=True)
class Circumstances:
    """What the session says about the test.

    Attributes
    ----------
    through_walls
        Whether walls stood in the path; None if not said.
    distance_m, frequency_hz
        Of the path.
    transmitter
        Its antenna's polarisation.
    positions
        Number of different spots the antennas stood on; 0 if not said.
    other_antennas
        Antennas on other ports during the runs.
    ceiling_share
        For each antenna the largest share of a clip spent at the link's ceiling, 0 to 1.
    turned
        Antennas that were turned in steps.
    """

    frequency_hz: float
    through_walls: bool | None = None
    distance_m: float | None = None
    transmitter: Transmitter = field(default_factory=Transmitter)
    positions: int = 0
    other_antennas: int = 0
    ceiling_share: Mapping[str, float] = field(default_factory=dict)
    turned: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Cause:
    """One thing to check: a `title` of a few words and the `reason` in this session."""

    title: str
    reason: str


@dataclass(frozen=True)
class Judgement:
    """One antenna against the reference: expected, measured, and what to check."""

    antenna: str
    reference: str
    expected: Span
    measured: Measured
    agreement: Agreement
    causes: tuple[Cause, ...]

    @property
    def sentence(self) -> str:
        """The judgement in words."""
        pair = f"{self.antenna} against {self.reference}"
        if self.agreement == "can't be told":
            return f"{pair}: expectation and measurement can't be compared."
        if self.agreement == "agrees":
            return f"{pair}: the measurement does not contradict the expectation."
        word = "weaker" if self.agreement == "measured lower" else "stronger"
        return f"{pair}: measured {word} than expected, beyond both ranges. Check, likeliest first:"


def judge(
    expected: ExpectedDifference,
    measured: Measured,
    antenna: Antenna,
    reference: Antenna,
    circumstances: Circumstances,
) -> Judgement:
    """Compare one expected difference with the measured one.

    In dB the two disagree when their ranges don't meet. In the field's own unit only the
    direction can disagree: a clear expectation one way, an interval wholly the other way.
    """
    agreement = _agreement(expected.total, measured)
    causes: tuple[Cause, ...] = ()
    if agreement in ("measured lower", "measured higher"):
        weaker, stronger = antenna, reference
        if agreement == "measured higher":
            weaker, stronger = reference, antenna
        causes = likely_causes(weaker, stronger, expected.total, circumstances)
    return Judgement(
        antenna.antenna, reference.antenna, expected.total, measured, agreement, causes
    )


def _agreement(expected: Span, measured: Measured) -> Agreement:
    if math.isnan(measured.low) or (math.isinf(expected.low_db) and math.isinf(expected.high_db)):
        return "can't be told"
    if measured.unit == "dB":
        if measured.high < expected.low_db:
            return "measured lower"
        return "measured higher" if measured.low > expected.high_db else "agrees"
    if expected.low_db > 0 and measured.high < 0:
        return "measured lower"
    if expected.high_db < 0 and measured.low > 0:
        return "measured higher"
    return "agrees"


def likely_causes(
    weaker: Antenna, stronger: Antenna, expected: Span, circumstances: Circumstances
) -> tuple[Cause, ...]:
    """List what to check, likeliest first.

    Parameters
    ----------
    weaker
        The antenna that did worse than expected against the other.
    """
    lists = (
        _ceiling(weaker, circumstances),
        _walls(weaker, circumstances),
        _hands(weaker, stronger, circumstances.transmitter),
        _ratings(weaker, circumstances.frequency_hz),
        _aim(weaker, circumstances),
        _ports(expected, circumstances),
        _spot(circumstances),
        [Cause("too close", r) for r in near_field_antennas((weaker, stronger), circumstances)],
        _cable(weaker),
    )
    return tuple(cause for causes in lists for cause in causes)


def _ceiling(weaker: Antenna, circumstances: Circumstances) -> list[Cause]:
    share = circumstances.ceiling_share.get(weaker.antenna, 0.0)
    if share <= MOST_AT_CEILING:
        return []
    reason = (
        f"{weaker.antenna} spent up to {100 * share:.0f} % of a clip at the link's ceiling, which "
        "hides what more it could do: lengthen the path or put equal pads in all lines"
    )
    return [Cause("ceiling", reason)]


def _walls(weaker: Antenna, circumstances: Circumstances) -> list[Cause]:
    if not circumstances.through_walls:
        return []
    width = beamwidth_deg(weaker)
    beam = f"a beam of about {width:.0f} deg" if width is not None else "a narrow beam"
    scattering = (
        "behind walls the power comes from many sides; "
        f"{beam} ({weaker.antenna}) gathers only part of it, and gain in one direction counts "
        "less. A result through walls never condemns a rating"
    )
    spots = circumstances.positions
    seen = f"these runs used {spots}" if spots else "the runs name none"
    spot = (
        "behind walls the level changes by 4 to 8 dB (spread in ITU-R P.1238) from one spot to "
        f"another a few centimetres on; {seen}"
    )
    return [Cause("scattered paths", scattering), Cause("the spot", spot)]


def _hands(weaker: Antenna, stronger: Antenna, transmitter: Transmitter) -> list[Cause]:
    sent = transmitter.polarisation
    hands = {"rhcp", "lhcp"}
    if sent in hands and weaker.polarisation in hands and sent != weaker.polarisation:
        reason = (
            f"{weaker.antenna} is {weaker.polarisation}, the transmitter {sent}: opposite hands "
            "cost 10 to 20 dB in practice"
        )
        return [Cause("opposite hands", reason)]
    if not sent and {weaker.polarisation, stronger.polarisation} == hands:
        reason = (
            f"{weaker.antenna} is {weaker.polarisation}, {stronger.antenna} "
            f"{stronger.polarisation}, and the transmitter's hand is not given: one of them does "
            "not match it"
        )
        return [Cause("hands differ", reason)]
    if sent in CIRCULAR and weaker.polarisation in ("linear", "vertical", "horizontal"):
        return []
    if not weaker.polarisation or not sent:
        reason = "not given for all antennas; an unnoticed mismatch costs from 3 dB up to 20 dB"
        return [Cause("polarisation", reason)]
    return []


def _ratings(weaker: Antenna, frequency_hz: float) -> list[Cause]:
    rating = rate(weaker, frequency_hz)
    if rating.verdict not in ("optimistic", "not credible"):
        return []
    reason = f"{weaker.gain_dbi:g} dBi for {weaker.antenna} is {rating.verdict}: {rating.reason}"
    return [Cause("the rating", reason)]


def _aim(weaker: Antenna, circumstances: Circumstances) -> list[Cause]:
    width = beamwidth_deg(weaker)
    if width is None or width > NARROW_BEAM_DEG or weaker.antenna in circumstances.turned:
        return []
    off_deg = width / 2
    reason = (
        f"{weaker.antenna} has a beam of about {width:.0f} deg and was not turned in steps; "
        f"{off_deg:.0f} deg beside the transmitter costs 3 dB"
    )
    return [Cause("aim", reason)]


def _ports(expected: Span, circumstances: Circumstances) -> list[Cause]:
    if circumstances.other_antennas < 1:
        return []
    ports = circumstances.other_antennas + 1
    change = expected.value_db if expected.value_db is not None else 9.0
    diluted = link_budget.diluted_change_db(change, ports)
    selected = link_budget.selected_change_db(change, ports)
    reason = (
        f"antennas hung on other ports too: with {ports} equal ports a change of {change:+.1f} dB "
        f"on one shows as {diluted:+.1f} dB when the receiver adds them and as {selected:+.1f} dB "
        "when it picks the best. Keep the others alike in every run, and an antenna on every "
        "port that may transmit"
    )
    return [Cause("other ports", reason)]


def _spot(circumstances: Circumstances) -> list[Cause]:
    if circumstances.through_walls or circumstances.positions > 1:
        return []
    reason = "one spot only (or none named): reflections add or take several dB within centimetres"
    return [Cause("the spot", reason)]


def near_field_antennas(antennas: Sequence[Antenna], circumstances: Circumstances) -> list[str]:
    """Name the antennas for which the path is shorter than their far field begins."""
    found = []
    for antenna in antennas:
        if antenna.size_m is None or circumstances.distance_m is None:
            continue
        needed_m = far_field_distance_m(antenna.size_m, circumstances.frequency_hz)
        if circumstances.distance_m < needed_m:
            found.append(
                f"{antenna.antenna}: the path of {circumstances.distance_m:g} m is shorter than "
                f"its far field ({needed_m:.1f} m); differences are no gain there"
            )
    return found


def _cable(weaker: Antenna) -> list[Cause]:
    if weaker.cable_m is None or weaker.cable_m < 0.5:
        return []
    reason = (
        f"{weaker.cable_m:g} m of cable at {weaker.antenna}: thin coax loses 2 to 3 dB a metre at "
        "5.8 GHz, a damaged connector more; measure it or swap it"
    )
    return [Cause("cable", reason)]
