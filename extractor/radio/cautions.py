"""The cautions, in one place: run sheet, report, page and `docs/cautions.md` show these.

The text stands beside this module because an installed package carries no `docs/`; a test
compares the two.
"""

from __future__ import annotations

import contextlib
import functools
import math
from dataclasses import dataclass
from pathlib import Path

from extractor.errors import ExtractorError
from extractor.radio.link_budget import eirp_dbm, exposure_distance_m
from extractor.radio.wording import said
from extractor.session.antennas import FILE_NAME, find_antenna, read_antennas
from extractor.session.folder import Session

NOT_A_COMPLIANCE_TOOL = (
    "Not a compliance tool. Local law, the maker's instructions and licensed practice come "
    "before anything written here."
)

CLOSEST_DISTANCE_CM = 20.0
"""Kept even where the arithmetic gives less (common practice, no source)."""

UNKNOWN_POWER_MW, UNKNOWN_GAIN_DBI = 1000.0, 12.0
"""Reckoned with where the transmitter's power, or its antenna's gain, is not given."""


@dataclass(frozen=True)
class Caution:
    """One caution: a short `title` and one paragraph of plain `text`."""

    title: str
    text: str


@functools.cache
def _written() -> tuple[Caution, ...]:
    parts = Path(__file__).with_suffix(".md").read_text("utf-8").split("## ")[1:]
    split = (part.partition("\n") for part in parts)
    return tuple(Caution(title, " ".join(text.split())) for title, _, text in split)


def cautions(power_mw: float | None = None, gain_dbi: float | None = None) -> tuple[Caution, ...]:
    """Cautions in the order in which to show them, with one distance to keep.

    Parameters
    ----------
    power_mw
        Transmitter power in milliwatts, above 0; 1 W is reckoned with when unknown.
    gain_dbi
        Gain of the transmitting antenna in dBi; 12 is reckoned with when unknown.
    """
    first = Caution("Not a compliance tool", NOT_A_COMPLIANCE_TOOL)
    return (first, _keep_off(max(0.0, power_mw or 0.0), gain_dbi), *_written())


def session_cautions(session: Session) -> tuple[Caution, ...]:
    """Cautions for a session's own transmitter, as far as its files tell power and antenna."""
    conditions, gain_dbi = session.conditions(), None
    power = conditions.get("power_mw")
    with contextlib.suppress(ExtractorError):  # no such table, or a wrong one: reckoned high
        antennas = read_antennas(session.root / FILE_NAME)
        sending = find_antenna(antennas, str(conditions.get("transmitter_antenna") or ""))
        gain_dbi = sending.gain_dbi if sending is not None else None
    return cautions(float(power) if isinstance(power, int | float) else None, gain_dbi)


def _keep_off(power_mw: float, gain_dbi: float | None) -> Caution:
    assumed = "" if power_mw and gain_dbi is not None else " (what is not given is reckoned high)"
    power_mw = power_mw or UNKNOWN_POWER_MW
    gain_dbi = UNKNOWN_GAIN_DBI if gain_dbi is None else gain_dbi
    eirp = eirp_dbm(power_mw, gain_dbi)
    plain_cm = 100 * exposure_distance_m(eirp)
    reflected_cm = 100 * exposure_distance_m(eirp, with_reflection=True)
    keep_cm = max(CLOSEST_DISTANCE_CM, 10 * math.ceil(reflected_cm / 10))
    figures = {"power": power_mw, "gain": gain_dbi, "assumed": assumed, "eirp": eirp}
    text = said("keep_off", keep=keep_cm, plain=plain_cm, reflected=reflected_cm, **figures)
    return Caution("Keep away from an antenna that transmits", text)
