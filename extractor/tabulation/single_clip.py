"""One video file read without a session."""

from __future__ import annotations

import os
import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from extractor.reading import readers
from extractor.reading.clip_job import ClipJob, ReadOptions, read_clip_job
from extractor.reading.session_clips import damage
from extractor.session.overlay import Overlay
from extractor.session.overlay_file import checked
from extractor.tabulation.clip_tables import clip_series
from extractor.tabulation.doubted_digits import doubts_in

if TYPE_CHECKING:
    import pandas as pd


def read_clip(
    path: str | Path,
    overlay: Overlay,
    options: ReadOptions | None = None,
    *,
    progress: Callable[[float], None] | None = None,
) -> dict[str, pd.DataFrame]:
    """Read one video file without a session; nothing is written or remembered.

    The boxes are tightened from this clip alone, where a session uses all of its clips, and
    glyphs that were taught are not used. What is odd about the clip (cut off, damaged, hardly
    readable) is said as a `UserWarning`.

    Parameters
    ----------
    path : str or Path
        The video file.
    overlay : Overlay
        The numbers to read and where they stand, boxes in pixels of the frame they were marked
        on: from `Session.overlay`, or made of `Field` and `Box`.
    options : ReadOptions, optional
        `rate_hz`, `reader`, `quick` and `exact` are used.
    progress : callable, optional
        Called now and then with the time reached, seconds from the first frame.

    Returns
    -------
    dict of str to DataFrame
        By the field's name, one row a sampled instant: ``time_s`` (seconds, first frame 0),
        ``value`` (in the field's unit, NaN where none), ``text``, ``since_s`` (seconds; when the
        number appeared, NaN where not known), ``confidence`` (0 to 1), ``flag`` (see `Flag`).

    Raises
    ------
    ClipError
        If the clip cannot be read, or a field was marked on another shape of picture.
    OverlayError
        If the overlay contradicts itself.
    UsageError, ReaderUnavailableError
        If there is no such reader, or it cannot run here.

    Examples
    --------
    >>> from extractor import Box, Field, Overlay, read_clip
    >>> bitrate = Field("bitrate", frame=(1600, 900), box=Box(668, 20, 147, 53), unit="Mbit/s")
    >>> series = read_clip("sample_clips/slab_m1_red.mp4", Overlay((bitrate,)))["bitrate"]
    >>> series[["time_s", "value", "flag"]].head(2)
       time_s  value flag
    0     0.0   38.6   ok
    1     0.1   38.6   ok
    """
    from extractor.reading.box_tightening import choose_shares
    from extractor.statistics.series import COLUMNS

    path, fields = Path(path), checked(overlay).fields
    chosen = replace(options or ReadOptions(), crosscheck=0)
    reader = readers.create(chosen.reader)
    shares = choose_shares([path], fields, reader)
    job = ClipJob(
        clip=path.name,
        path=path,
        state_path=None,
        fields=fields,
        tight={name: share for name, share in shares.items() if share is not None},
        reader=reader.name,
        asked="",
        options=chosen,
        glyphs=None,
        threads=os.cpu_count() or 1,
    )
    known = read_clip_job(job, lambda _, time_s: progress(time_s) if progress else None)
    made = clip_series(known, fields, ())
    doubts = doubts_in({path.name: made.numbers}, (), tuple)
    if doubts:
        made = clip_series(known, fields, (), doubts)
    said = (*(d.sentence for d in doubts), *made.notes)
    for told in (*damage(known.complete, known.note, known.undecodable), *said):
        warnings.warn(f"{path.name}: {told}", stacklevel=2)
    return {name: series[list(COLUMNS)] for name, series in made.series.items()}
