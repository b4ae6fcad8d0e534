"""One picture of each card and film, small and at once: how it is going to look."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import islice
from pathlib import Path

import cv2
import numpy as np

from extractor.report import annotated_clip, mosaic, ranking_film, repeat_film
from extractor.report.card import PLAIN, Board, png
from extractor.report.story import told
from extractor.session.folder import Session
from extractor.video.encoding import Format, Picture, even

#: What there is.
KINDS = ("card", "film", "replay", "annotate", "mosaic")
#: Longest side, pixels.
_SIDE = 960
#: Pictures a second are few, so that the middle of a film is soon reached.
_RATE_HZ = 2.0


def preview(
    kind: str, sessions: Sequence[str | Path], form: Format, *, dark: bool = True,
    background: str = PLAIN, title: str = "", clip: str = "", panel: str | None = None,
) -> bytes:  # fmt: skip
    """Return one picture as PNG; parameters as of what `kind` names."""
    share = _SIDE / max(form.width, form.height)
    small = replace(form, width=even(form.width * share), height=even(form.height * share),
                    rate_hz=_RATE_HZ, codec="h264")  # fmt: skip
    if kind == "annotate":
        return _shown(annotated_clip.preview(Session(Path(sessions[0])), clip, panel, dark=dark))
    with told(sessions, title=title or None, compared=kind != "mosaic") as story:
        if kind == "card":
            return png(Board(story, small, dark, background).drawn().pixels)
        if kind == "mosaic":
            runs = mosaic.runs_of(story, (), "rank")
            sheet = mosaic.Sheet(story, runs, small, "rank", title, legend=True, dark=dark)
            return _shown(next(sheet.pictures(1)))
        if kind == "replay":
            dots = repeat_film.Dots(story, small, dark)
            return _shown([picture.copy() for picture in dots.pictures()][-1])
        growing = 16
        play = ranking_film.Play(story, small, growing, dark, background)
        return _shown(next(islice(play.pictures(growing), growing // 2, None)))


def _shown(picture: Picture) -> bytes:
    if picture.ndim == 3:
        return png(picture)
    rgb = cv2.cvtColor(picture, cv2.COLOR_YUV2BGR_I420)
    factor = min(1.0, _SIDE / max(rgb.shape[:2]))
    made = cv2.resize(rgb, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    return bytes(cv2.imencode(".png", np.asarray(made))[1])
