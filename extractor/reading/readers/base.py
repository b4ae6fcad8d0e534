"""What every reader takes and gives, whatever is inside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from extractor.video.crops import Crop

#: Stands in a text for a letter or sign that a reader does not tell apart.
OTHER = "~"


@dataclass(frozen=True, slots=True)
class Line:
    """What a reader saw in one crop."""

    text: str
    """Verbatim, `OTHER` for letters that the reader folds together; "" when nothing is there."""
    confidence: float
    """0 to 1: the probability that `text` is exactly what the picture shows."""
    characters: tuple[float, ...] = ()
    """One probability (0 to 1) per character of `text`; empty if the reader cannot say."""
    places: tuple[float, ...] = ()
    """Where each character stands, as share of the crop's width; empty if not known."""
    unsigned: Line | None = None
    """What stands there if no number can be negative; None: the same, or the reader cannot say."""


class Reader(Protocol):
    """Turns crops into lines of text. Interchangeable: what each gives stands here.

    ``tests/reading/test_reader_contract.py`` tries every reader against it.
    """

    name: str
    batch: int
    """Crops that one call should hold for good speed; a hint, not a limit."""
    gate: float
    """Least confidence, 0 to 1, at which a reading counts; below it is `unreadable`."""
    usual_share: float
    """Share right among the readings that its confidence was calibrated on, see
    `extractor.reading.temporal_evidence.tempered`; 0 if its confidence is to be taken as it is."""

    def version(self) -> str:
        """Return a short text that changes whenever readings may change."""
        ...

    def read(self, crops: Sequence[Crop]) -> list[Line]:
        """Read each crop; the result has the same length and order.

        Raises
        ------
        ReaderUnavailableError
            If the reader cannot run on this machine.
        """
        ...
