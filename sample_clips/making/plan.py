"""What is planted in the sample session: the sixteen clips, their conditions, their order.

Everything here is invented for the demonstration; no number comes from a measurement.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

FRAME_SIZE = (1600, 900)
"""Width and height of every clip, pixels."""

CEILING_MBIT_S = 40.0
"""Where the invented link tops out, Mbit/s."""


@dataclass(frozen=True)
class Event:
    """Something that happens to the link or to the overlay.

    `kind` is "dropout" (the bitrate falls to 1 to 2 Mbit/s), "dash" (both numbers give way
    to a dash) or "vanish" (the overlay is not drawn). `start_s` and `end_s` are seconds of
    the clip; the series moves them to its nearest update or frame.
    """

    kind: str
    start_s: float
    end_s: float


@dataclass(frozen=True)
class Clip:
    """One recording of the sample session, as planned."""

    antenna: str
    mounting: str
    port: str
    order: int
    """Place in the randomised running order, 1 to 16."""
    mean_mbit_s: float
    """Planted mean of the bitrate over the time in which a number is shown, Mbit/s."""
    seconds: float
    scene: str
    """Key of `scenery.SCENES`: light, camera height and speed."""
    backing: str
    """Behind the numbers: "box", "outline" or "shadow"."""
    quality: float
    """Constant rate factor given to the encoder; higher is smaller and coarser."""
    suffix: str = "mp4"
    codec: str = "libx264"
    rate: Fraction = Fraction(30)
    """Frames a second; ignored where `variable` is set."""
    variable: bool = False
    first_s: float = 0.0
    """Presentation time of the first frame in the file, seconds."""
    keep_frames: int | None = None
    """Cut the file in the middle of the frame after this many; None leaves it whole."""
    events: tuple[Event, ...] = ()
    notes: str = ""
    """What the person at the bench wrote beside the run."""

    @property
    def stem(self) -> str:
        """File name without suffix, such as `slab_m1_red`."""
        return f"{self.antenna}_{self.mounting}_{self.port}".lower()

    @property
    def file_name(self) -> str:
        """File name, such as `slab_m1_red.mp4`."""
        return f"{self.stem}.{self.suffix}"


CLIPS = (
    Clip("Slab", "m1", "Red", 3, 38.35, 12.5, "noon_sky", "box", 35),
    Clip("Slab", "m1", "Green", 4, 38.80, 12.0, "noon_quay", "outline", 36, rate=Fraction(50)),
    Clip("Slab", "m2", "Red", 10, 37.25, 13.0, "evening_quay", "box", 35),
    Clip("Slab", "m2", "Green", 9, 38.40, 12.5, "grey_trees", "shadow", 35),
    Clip("Coil", "m1", "Red", 8, 30.10, 12.0, "grey_sky", "outline", 35, rate=Fraction(25)),
    Clip("Coil", "m1", "Green", 7, 31.30, 12.5, "evening_trees", "box", 35),
    Clip(
        "Coil", "m2", "Red", 13, 31.75, 13.0, "noon_trees", "shadow", 35,
        events=(Event("vanish", 7.9, 8.95),), notes="display blinked once",
    ),
    Clip("Coil", "m2", "Green", 14, 32.25, 13.0, "grey_water", "box", 35, suffix="mkv"),
    Clip("Fan", "m1", "Red", 5, 31.90, 13.0, "evening_sky", "shadow", 35, suffix="ts"),
    Clip(
        "Fan", "m1", "Green", 6, 32.35, 15.0, "noon_water", "box", 35, keep_frames=382,
        notes="recorder lost power",
    ),
    Clip("Fan", "m2", "Red", 12, 30.35, 12.5, "grey_quay", "box", 35, variable=True),
    Clip(
        "Fan", "m2", "Green", 11, 31.40, 12.5, "evening_water", "outline", 35,
        codec="libx265",
    ),
    Clip("Stub", "m1", "Red", 2, 25.90, 12.0, "noon_trees", "box", 35),
    Clip("Stub", "m1", "Green", 1, 26.50, 12.0, "evening_quay", "shadow", 35, first_s=2.5),
    Clip(
        "Stub", "m2", "Red", 15, 24.30, 14.0, "grey_trees", "outline", 35,
        events=(Event("dropout", 5.2, 6.1),),
    ),
    Clip(
        "Stub", "m2", "Green", 16, 25.30, 14.0, "evening_trees", "box", 35,
        events=(Event("dropout", 8.4, 9.9), Event("dash", 8.9, 9.5)),
        notes="link lost for a moment",
    ),
)  # fmt: skip
"""The session. Means are planted so that Slab leads by over six times the spread between
mountings, Coil and Fan cannot be told apart, Stub is last, and Green reads 0.8 Mbit/s more
than Red on average over the mountings: its inner lead is shorter."""
