"""``extractor open``: the whole job with a mouse."""

from __future__ import annotations

from pathlib import Path

from extractor.commands.screen import say


def open_page(
    session: Path | None = None, no_browser: bool = False, reader: str = "network", jobs: int = 0
) -> None:
    """Open the page in the browser: plan, mark, read, check and compare with a mouse.

    Without a session it begins with a start page: choose one, begin one, drop clips into it.
    It is served from this machine to this machine only, until Ctrl-C.
    """
    from extractor.page.server import serve
    from extractor.reading.clip_job import ReadOptions
    from extractor.session.folder import Session

    chosen = None if session is None else Session(session)
    serve(chosen, ReadOptions(reader=reader, jobs=jobs), browser=not no_browser, tell=say)
