"""A page that shows which clip goes to which run, with a picture of each."""

from __future__ import annotations

import base64
from itertools import zip_longest
from pathlib import Path

from extractor.errors import ClipError
from extractor.report.filling import filled
from extractor.session.atomic import write_text
from extractor.session.folder import Session
from extractor.video.clips import picture, probe
from extractor.video.picture_files import jpeg
from extractor.video.recording_order import Matching, Recording

SHEET = "match_sheet.html"
#: Width of a thumbnail, pixels.
THUMBNAIL_WIDTH = 320


def write_sheet(session: Session, matching: Matching) -> Path:
    """Write ``results/match_sheet.html``: runs and recordings in order, side by side.

    While a question is open the two columns are only listed beside each other, not paired.

    Raises
    ------
    StorageError
        If it cannot be written.
    """
    lines = [
        {
            "run": run and run.cells,
            "recording": recording,
            "thumbnail": _thumbnail(session, recording) if recording else "",
        }
        for run, recording in zip_longest(matching.runs, matching.recordings)
    ]
    path = session.results / SHEET
    write_text(path, filled(SHEET, matching=matching, lines=lines))
    return path


def _thumbnail(session: Session, recording: Recording) -> str:
    """Return a picture from the middle of the first file as a data address; empty if none."""
    try:
        clip = probe(session.path(recording.clips[0]))
        _, image = picture(clip, (clip.length_s or 0.0) / 2)
    except ClipError:
        return ""
    return f"data:image/jpeg;base64,{base64.b64encode(jpeg(image, THUMBNAIL_WIDTH)).decode()}"
