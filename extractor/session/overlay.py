"""Where the numbers stand in the picture: `Field`, `Overlay` and ``overlay.toml``."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from extractor.errors import ClipError, UsageError

Direction = Literal["higher", "lower"]

FILE_NAME = "overlay.toml"
#: Two frames count as the same shape when their aspect ratios differ by less than this share:
#: encoders round sides to even numbers (854x480 for 16:9), but 4:3 against 16:9 is 33 %.
ASPECT_TOLERANCE = 0.005
SUFFIXES = ("_text", "_since_s", "_confidence", "_flag")
#: Unit that goes without saying where a number of this name is marked for the first time.
USUAL_UNITS = {"bitrate": "Mbit/s", "latency": "ms"}
#: Names and units that say by themselves which way is better; all others have to be asked about.
_NAMES: dict[Direction, re.Pattern[str]] = {
    "higher": re.compile(r"bitrate|throughput|[kmg]bit|[kmg]bps|level|snr"),
    "lower": re.compile(
        r"latency|delay|jitter|noise|error|loss|lost|(?<![a-z])(lag|ping|ms)(?![a-z])"
    ),
}
_UNITS: dict[Direction, re.Pattern[str]] = {
    "higher": re.compile(r"[kmg]?(bits?|b)(/s|/sec|ps)|[kmg]bits?"),
    "lower": re.compile(r"[mµμu]s|m(illi)?sec(ond)?s?"),
}


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle in pixels, origin top left."""

    x: int
    y: int
    width: int
    height: int

    def scaled(self, factor_x: float, factor_y: float) -> Box:
        """Return the rectangle in a picture that is `factor` times as large, at least 1x1."""
        left, top = math.floor(self.x * factor_x), math.floor(self.y * factor_y)
        right = math.ceil((self.x + self.width) * factor_x)
        bottom = math.ceil((self.y + self.height) * factor_y)
        return Box(left, top, max(1, right - left), max(1, bottom - top))

    def within(self, width: int, height: int) -> bool:
        """Tell whether the rectangle lies wholly inside a picture of this size."""
        return self == self.clipped(width, height)

    def clipped(self, width: int, height: int) -> Box:
        """Return the part inside a picture of this size."""
        left, top = max(0, self.x), max(0, self.y)
        right, bottom = min(width, self.x + self.width), min(height, self.y + self.height)
        return Box(left, top, max(1, right - left), max(1, bottom - top))

    def widened(self, share: float, width: int, height: int) -> Box:
        """Return it with room around it, a share of its height, inside a picture of this size."""
        room = round(self.height * share)
        return self.grown(room, room).clipped(width, height)

    def grown(self, x: int, y: int) -> Box:
        """Return it with so many pixels more on each side; it may reach beyond the picture."""
        return Box(self.x - x, self.y - y, self.width + 2 * x, self.height + 2 * y)

    def common(self, other: Box) -> int:
        """Return how many pixels both cover."""
        width = min(self.x + self.width, other.x + other.width) - max(self.x, other.x)
        height = min(self.y + self.height, other.y + other.height) - max(self.y, other.y)
        return max(0, width) * max(0, height)

    def as_list(self) -> list[int]:
        """Return ``[x, y, width, height]``."""
        return [self.x, self.y, self.width, self.height]


@dataclass(frozen=True, slots=True)
class Place:
    """A rectangle and the size of the picture that it was drawn on."""

    frame: tuple[int, int]
    """Width and height in pixels."""
    box: Box


@dataclass(frozen=True, slots=True)
class Field:
    """One number in the overlay."""

    name: str
    frame: tuple[int, int]
    """Width and height, in pixels, of the frame it was marked on."""
    box: Box
    unit: str = ""
    decimals: int | None = None
    """Digits after the point; None: not known."""
    better: Direction | None = None
    """What was said; None: nothing, see `direction`."""
    minimum: float | None = None
    maximum: float | None = None
    ceiling: float | None = None
    """The link's own limit, in the field's unit."""
    low: float | None = None
    """Below this the link counts as out, in the field's unit."""
    also: tuple[Place, ...] = field(default=())

    @property
    def places(self) -> tuple[Place, ...]:
        """Where it stands, in pictures of each shape; where it was marked first comes first."""
        return (Place(self.frame, self.box), *self.also)

    @property
    def limits(self) -> tuple[float, float]:
        """Lowest and highest number that can be shown, in the unit; infinite where not known."""
        low = -math.inf if self.minimum is None else self.minimum
        return low, math.inf if self.maximum is None else self.maximum

    def objection(self, value: float) -> str:
        """Say that a number lies outside the limits; empty where it lies inside."""
        low, high = self.limits
        if low <= value <= high:
            return ""
        side = f"below the minimum {low:g}" if value < low else f"above the maximum {high:g}"
        return f"{value:g} is {side} of {self.name}"

    @property
    def direction(self) -> Direction | None:
        """Which way is better: as said, else as name and unit tell; None: not known."""
        return self.better or usual_direction(self.name, self.unit)

    def box_for(self, width: int, height: int) -> Box:
        """Return the rectangle in a picture of `width` x `height` pixels.

        A place given for exactly this size wins; then one of the same shape is scaled.

        Raises
        ------
        ClipError
            If no place of this aspect ratio is known.
        """
        for place in self.places:
            if place.frame == (width, height):
                return place.box
        for place in self.places:
            marked_width, marked_height = place.frame
            if _are_alike((width, height), place.frame):
                box = place.box.scaled(width / marked_width, height / marked_height)
                return box.clipped(width, height)
        raise ClipError(
            f"the picture is {width}x{height}, field '{self.name}' was marked on "
            f"{self.frame[0]}x{self.frame[1]}, another shape; mark it on this clip too "
            "(extractor mark --on CLIP), which adds a [[field.also]]"
        )


def _are_alike(frame: tuple[int, int], marked: tuple[int, int]) -> bool:
    """Tell whether two frames are of one shape."""
    return abs((frame[0] / frame[1]) / (marked[0] / marked[1]) - 1) < ASPECT_TOLERANCE


def unplaced(name: str, **said: Any) -> Field:
    """Return a field of which is known what was said, but not where it stands in a picture."""
    return Field(name, (1, 1), Box(0, 0, 1, 1), **said)


def usual_direction(name: str, unit: str) -> Direction | None:
    """Return which way is better by name and unit alone; None where they say nothing or disagree.

    >>> usual_direction("video_latency", ""), usual_direction("value", "Mbit/s")
    ('lower', 'higher')
    """
    told = {way for way, pattern in _NAMES.items() if pattern.search(name.casefold())}
    plain = "".join(unit.casefold().split())
    told |= {way for way, pattern in _UNITS.items() if pattern.fullmatch(plain)}
    return told.pop() if len(told) == 1 else None


def direction_question(name: str) -> str:
    """Ask which way is better, and say where the answer goes."""
    return (
        f"Is a higher or a lower {name} better? Nobody has said, so nothing is called better or "
        f'worse by it. Write better = "higher" or better = "lower" below name = "{name}" in '
        "overlay.toml, or choose it on the page under Mark; in a table of your own give a column "
        "better."
    )


@dataclass(frozen=True, slots=True)
class Overlay:
    """All fields of a session, in the order of the file."""

    fields: tuple[Field, ...]

    def __getitem__(self, name: str) -> Field:
        """Return the field of that name.

        Raises
        ------
        UsageError
            If there is none.
        """
        for candidate in self.fields:
            if candidate.name == name:
                return candidate
        known = ", ".join(f.name for f in self.fields) or "none"
        raise UsageError(f"no field '{name}' in {FILE_NAME} (marked: {known})")


def with_place(existing: Field, place: Place) -> Field:
    """Return the field marked on one more picture: same shape replaces, another shape adds.

    The place that was marked first stays the main one as long as its shape is not marked anew.
    """
    if _are_alike(place.frame, existing.frame):
        return replace(existing, frame=place.frame, box=place.box)
    kept = tuple(p for p in existing.also if p.frame != place.frame)
    return replace(existing, also=(*kept, place))
