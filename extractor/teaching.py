"""Teaching the digits of an overlay that the built-in reader does not know."""

from __future__ import annotations

from dataclasses import dataclass

from extractor import clips
from extractor.errors import ClipError
from extractor.overlay import Field
from extractor.readers.glyphs import CHARACTERS, Glyphs, learn
from extractor.session import Session, edits


@dataclass(frozen=True, slots=True)
class Lesson:
    """What has been taught so far."""

    time_s: float
    """Time of the frame that was shown, seconds from the clip's first."""
    known: str
    """Characters that are known now."""

    @property
    def missing_digits(self) -> str:
        """Return the digits that no lesson has shown yet."""
        return "".join(c for c in CHARACTERS if c.isdigit() and c not in self.known)


@edits
def teach(session: Session, item: Field, text: str, clip_name: str, at_s: float) -> Lesson:
    """Add what stands at one moment to the session's glyphs.

    Parameters
    ----------
    session : Session
        Its ``overlay_glyphs.npz`` is written.
    item : Field
        Which number.
    text : str
        What stands there.
    clip_name : str
        In which clip, name in the session.
    at_s : float
        At which moment, seconds from the first frame.

    Raises
    ------
    UsageError
        If there is no such clip, or the characters cannot be told apart there.
    ClipError
        If the clip cannot be read.
    StorageError
        If the glyphs cannot be written.
    """
    (name,) = session.choose([clip_name])
    clip = clips.probe(session.path(name))
    box = item.box_for(clip.width, clip.height)
    frame = clips.frame_at(clip, [box], at_s)
    if frame is None:
        raise ClipError(f"{name}: no frame can be decoded at {at_s:g} s")
    glyphs = Glyphs.load(session.glyphs_path).taught(learn(item.name, frame.crops[0], text))
    glyphs.save(session.glyphs_path)
    known = next(s for s in glyphs.sets if s.field == item.name)
    return Lesson(frame.time_s, known.characters())
