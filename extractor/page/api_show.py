"""Showing it: pictures, films and the text for a video, looked at beforehand and made."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from flask import Blueprint, Response, send_file

from extractor.errors import UsageError
from extractor.page import request_parsing as sent
from extractor.page.background import Task
from extractor.page.service import UnknownNameError, desk
from extractor.session.folder import Session, results_folder
from extractor.session.sessions import rounds
from extractor.video.encoding import Format, parse_format

routes = Blueprint("show", __name__)
#: What a background may be.
PICTURES = (".png", ".jpg", ".jpeg")
WHAT = ("card", "film", "replay", "annotate", "mosaic")


def _asked() -> tuple[str, Format, dict[str, Any]]:
    what = sent.text("what")
    if what not in WHAT:
        raise UsageError(f"what must be one of {', '.join(WHAT)}")
    form = parse_format(sent.text("size"), sent.number("rate", 30.0), sent.text("codec") or "h264")
    background = sent.text("background") or "plain"
    if background not in ("plain", "transparent"):
        if background not in _pictures():
            raise UsageError(
                "background must be plain, transparent or a picture (PNG or JPEG) in the session's "
                "folder"
            )
        background = str(desk().root / background)
    said = {"dark": sent.text("look") != "light", "background": background}
    return what, form, said | {"title": sent.text("title"), "clip": sent.text("clip")}


def _pictures() -> list[str]:
    """Return the names of the pictures that lie in the session's folder."""
    files = (p for p in desk().root.iterdir() if p.suffix.lower() in PICTURES)
    return sorted(p.name for p in files if p.is_file() and not p.is_symlink())


def _sessions() -> list[Path]:
    """Return what is shown: this session, or it and the rounds before it, the earliest first."""
    every = rounds(desk().session())[::-1]
    return every if sent.text("rounds") == "all" else every[-1:]


@routes.get("/api/show/offered")
def offered() -> Any:
    """Return what there is to choose from: pictures for the background, and rounds."""
    every = rounds(desk().session())[::-1]
    return {"pictures": _pictures(), "rounds": [one.resolve().name for one in every]}


@routes.get("/api/show/picture")
def picture() -> Response:
    """Return a picture of how it is going to look."""
    from extractor.report.preview import preview

    what, form, said = _asked()
    made = preview(what, _sessions(), form, **said, panel=sent.text("panel") or None)
    return Response(made, mimetype="image/png")


@routes.get("/api/show/text")
def text() -> Any:
    """Return the text to paste under a video."""
    from extractor.report.description import describe

    return {"text": describe(_sessions())}


@routes.post("/api/show")
def show() -> Any:
    """Begin to make one of them."""
    what, form, said = _asked()
    panel, own, every = sent.text("panel") or None, desk(), _sessions()
    clip = own.find(said["clip"])[1] if what == "annotate" else ""

    def work(task: Task) -> list[str]:
        def tell(done: float, total: float) -> None:
            task.progress(what, done / total if total else 0.0)

        found = _made(what, own.root, every, form, said, clip, panel, tell)
        return [path.relative_to(own.root).as_posix() for path in found]

    return own.begin("show", work).as_json()


def _made(
    what: str, root: Path, sessions: Sequence[Path], form: Format, said: dict[str, Any], clip: str,
    panel: str | None, tell: Any,
) -> list[Path]:  # fmt: skip
    dark, title, background = said["dark"], said["title"], said["background"]
    results = results_folder(root)
    # Of several rounds it would else stand with the first.
    out = results / "videos" / f"rounds-{what}{form.suffix}" if len(sessions) > 1 else None
    if what == "card":
        from extractor.report.card import write_card

        if out:
            out = results / "pictures" / f"rounds-card-{form.width}x{form.height}.png"
        return [write_card(sessions, out, size=form, title=title or None, dark=dark,
                           background=background)]  # fmt: skip
    if what == "film":
        from extractor.report.ranking_film import write_ranking_film

        made = write_ranking_film(sessions, out, form=form, title=title or None, dark=dark,
                                  background=background, progress=tell)  # fmt: skip
    elif what == "replay":
        from extractor.report.repeat_film import write_replay

        made = write_replay(sessions, out and results, form=form, dark=dark, progress=tell)[1]
    elif what == "annotate":
        from extractor.report.annotated_clip import annotate

        made = annotate(Session(root), clip, None, tell, codec=form.codec, panel=panel, dark=dark)
    else:
        from extractor.report.mosaic import mosaic

        made = mosaic(sessions, out, form=form, title=title, dark=dark, progress=tell)
    stem = made.with_suffix("") if made.suffix in (".mp4", ".mov") else made
    beside = [stem.with_name(stem.name + end) for end in (".vtt", ".chapters.txt")]
    return [made, *(p for p in beside if p.exists())]


@routes.get("/api/show/made")
def made() -> Any:
    """Return what was made last, as names for `file`; a folder of pictures has no file."""
    task = desk().task("show")
    names = task.result or [] if task is not None else []
    return {"files": [{"name": n, "folder": (desk().root / n).is_dir()} for n in names]}


@routes.get("/api/show/file")
def file() -> Any:
    """Return a file that was made."""
    task, name = desk().task("show"), sent.text("name")
    if task is None or name not in (task.result or ()):
        raise UnknownNameError("nothing of that name was made")
    path = desk().root / name
    if not path.is_file():
        raise UnknownNameError(f"{name}: is a folder of pictures, or gone; look in the session")
    return send_file(path, as_attachment=True)
