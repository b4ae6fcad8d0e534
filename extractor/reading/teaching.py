"""Teaching the digits of an overlay that the built-in reader does not know."""

from __future__ import annotations

from dataclasses import dataclass, replace

from extractor.errors import ConsentError, UsageError
from extractor.reading import box_tightening, readers
from extractor.reading.clip_job import WHOLE, boxes_in
from extractor.reading.number_parsing import interpret
from extractor.reading.readers import glyphs
from extractor.reading.readers.base import OTHER, Line
from extractor.reading.readers.glyphs import Glyphs, GlyphSet
from extractor.reading.temporal_evidence import squeezed
from extractor.session.folder import Session
from extractor.session.overlay import Field
from extractor.statistics.flags import Flag
from extractor.video import clips


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
        return "".join(c for c in glyphs.CHARACTERS if c.isdigit() and c not in self.known)


def teach(
    session: Session, item: Field, text: str, clip_name: str, at_s: float, *, insist: bool = False
) -> Lesson:
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
    insist : bool
        Teach it even if something else is surely read there.

    Raises
    ------
    UsageError
        If there is no such clip, or the characters cannot be told apart there.
    ConsentError
        If the built-in reader, or what was taught before, surely reads something else there.
    ClipError
        If the clip cannot be read.
    StorageError
        If the glyphs cannot be written.
    """
    with session.editing():
        (name,) = session.choose([clip_name])
        clip = clips.probe(session.path(name))
        reader = readers.create(readers.NAMES[0])
        tight = box_tightening.tight_shares(session, session.overlay(), reader)
        drawn = item.box_for(clip.width, clip.height)
        boxes = [drawn, boxes_in(item, tight, clip.width, clip.height)]
        frame = next(clips.at_times(clip, boxes, [at_s]))
        new = replace(glyphs.learn(item.name, frame.crops[0], text), clip=name, time_s=frame.time_s)
        known = Glyphs.load(session.glyphs_path)
        before = known.of(item.name)
        cut = squeezed(frame.crops[1], tight.get(item.name, WHOLE).squeeze)
        looks = {"the built-in reader": reader.read([cut])[0]}
        if before and (look := glyphs.read_with_glyphs(frame.crops[0], before)):
            looks["what was taught before"] = look
        against = [
            f"{who} surely reads {_quoted(look)} there"
            for who, look in looks.items()
            if _contradicts(look, new.text, reader.gate)
        ]
        if against and not insist:
            raise ConsentError(
                f"{name} at {frame.time_s:.2f} s: {', and '.join(against)}, not '{new.text}'; "
                "nothing was taught"
            )
        taught = known.taught(replace(new, insisted=bool(against)))
        taught.save(session.glyphs_path)
        every = taught.of(item.name) or new
        return Lesson(frame.time_s, every.characters())


def _contradicts(look: Line, text: str, gate: float) -> bool:
    sure = interpret(look.text, look.confidence, gate).flag != Flag.UNREADABLE
    return sure and not glyphs.same_text(look.text, text)


def _quoted(look: Line) -> str:
    text = look.text.replace(OTHER, "").strip()
    return f"'{text}'" if text else "nothing"


def undo(session: Session, field: str | None = None) -> GlyphSet:
    """Take the last lesson back, of one field or of any, and return it.

    Raises
    ------
    UsageError
        If there is none.
    StorageError
        If the glyphs cannot be written.
    """
    lessons = list(Glyphs.load(session.glyphs_path).lessons)
    own = [i for i, one in enumerate(lessons) if field in (None, one.field)]
    if not own:
        raise UsageError(f"nothing was taught{f' of {field}' if field else ''} yet")
    last = lessons.pop(own[-1])
    Glyphs(tuple(lessons)).save(session.glyphs_path)
    return last
