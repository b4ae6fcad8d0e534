"""What is left of an antenna's gain where the power comes from many sides.

Received share = ``K/(K+1) G(direct) + 1/(K+1) integral of G p``: beam and directions are taken
as Gaussian, so that the integral has a closed form. The spreads are those of an indoor office
without line of sight: orders of magnitude for a building that nobody measured. A sweep through
the same walls overrides them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from extractor.radio.combining import Floats, decibels, power

WIDTH_PER_SPREAD2 = 8 * math.log(2)
"""Square of the half-power width of a Gaussian over its standard deviation."""

K_IN_SIGHT = (3.0, 10.0)
K_BEHIND_WALLS = (0.0, 1.0)
"""Direct over scattered power, as a ratio: orders of magnitude (3GPP TR 38.901, table 7.5-6, has
7 +- 4 dB for an indoor office in line of sight and none without)."""

CROSS_POLAR_DB = (2.0, 18.0)
"""Right over turned polarisation of scattered power: 10 dB with 4 dB standard deviation in an
indoor office without line of sight (TR 38.901, table 7.5-6), two deviations either way."""


def spreads_deg(frequency_hz: float) -> tuple[float, float]:
    """Give the standard deviation of the directions, azimuth and elevation, in degrees.

    ``lg ASA = 1.863 - 0.11 lg(1 + f)``, ``lg ZSA = 1.387 - 0.15 lg(1 + f)``, f in GHz, at least
    6: 3GPP TR 38.901, table 7.5-6, indoor office without line of sight.
    """
    lg = math.log10(1 + max(6.0, frequency_hz / 1e9))
    return 10 ** (1.863 - 0.11 * lg), 10 ** (1.387 - 0.15 * lg)


def scatter_loss_db(width_deg: float, spread_deg: float, off_deg: ArrayLike = 0.0) -> Floats:
    """Give what a Gaussian beam loses in one plane on scattered power, in dB.

    Parameters
    ----------
    width_deg
        Half-power width in this plane; infinite for none.
    spread_deg
        Standard deviation of the directions.
    off_deg
        How far the beam is turned away from their middle.
    """
    beam2 = width_deg**2 / WIDTH_PER_SPREAD2
    if math.isinf(beam2):
        return np.zeros(np.shape(off_deg))
    total2 = beam2 + spread_deg**2
    turned = np.square(off_deg) / total2 * math.log10(math.e)
    return np.asarray(5 * (math.log10(total2 / beam2) + turned))


def spread_seen_deg(seen_deg: float, own_deg: float) -> float:
    """Give the standard deviation of the directions when a beam seems so wide, 0 and more."""
    return math.sqrt(max(0.0, seen_deg**2 - own_deg**2) / WIDTH_PER_SPREAD2)


@dataclass(frozen=True)
class Scene:
    """How the power arrives: ratio K, both spreads in degrees, cross-polar ratio in dB."""

    k: float
    azimuth_deg: float
    elevation_deg: float
    cross_polar_db: float

    def loss_db(
        self, widths_deg: tuple[float, float], off_deg: ArrayLike, aim_db: ArrayLike,
        matched: ArrayLike,
    ) -> Floats:  # fmt: skip
        """Loss against the full gain on a matched direct wave, in dB.

        Parameters
        ----------
        widths_deg
            Half-power widths in azimuth and elevation.
        off_deg, aim_db
            How far beside the transmitter it is aimed, and what that costs on the direct wave.
        matched
            Share of the direct wave's power that the polarisations let pass, 0 to 1.
        """
        share = direct = np.asarray(matched) * power(-np.asarray(aim_db, float))
        if not math.isinf(self.k):
            ratio = 10 ** (self.cross_polar_db / 10)
            mixed = (ratio * np.asarray(matched) + 1 - np.asarray(matched)) / (ratio + 1)
            lost_db = scatter_loss_db(widths_deg[0], self.azimuth_deg, off_deg)
            lost_db = lost_db + scatter_loss_db(widths_deg[1], self.elevation_deg)
            share = (self.k * direct + mixed * power(-lost_db)) / (self.k + 1)
        return -decibels(share)


#: One direct wave and nothing else.
DIRECT = Scene(math.inf, 0.0, 0.0, 0.0)


def scenes(
    in_sight: bool | None, frequency_hz: float, swept_deg: tuple[float, float] | None = None
) -> tuple[Scene, ...]:
    """Return the ends of what may be, the middle first.

    Parameters
    ----------
    in_sight
        Whether transmitter and antennas see each other; None allows both.
    frequency_hz
        Of the link.
    swept_deg
        Least and greatest spread in azimuth that a sweep of this session found: direct and
        scattered power together, so that K no longer counts.
    """
    azimuth, elevation = spreads_deg(frequency_hz)
    if swept_deg is not None:
        middle = Scene(0.0, sum(swept_deg) / 2, elevation / 2, 10.0)
        return middle, *(
            Scene(0.0, a, e, x) for a in swept_deg for e in (0.0, elevation) for x in CROSS_POLAR_DB
        )
    least = (K_IN_SIGHT if in_sight else K_BEHIND_WALLS)[0]
    most = (K_BEHIND_WALLS if in_sight is False else K_IN_SIGHT)[1]
    middle = Scene((least + most) / 2, azimuth, elevation, 10.0)
    return middle, *(Scene(k, azimuth, elevation, x) for k in (least, most) for x in CROSS_POLAR_DB)
