"""``extractor open``: the whole job with a mouse."""

from __future__ import annotations

from typing import Annotated

import typer

from extractor.commands.options import Jobs, ReaderName, SessionFolder
from extractor.commands.screen import say


def open_page(
    session: SessionFolder,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print the address, start no browser.")
    ] = False,
    reader: ReaderName = "network",
    jobs: Jobs = 0,
) -> None:
    """Open the session in the browser: mark, read, check and compare with a mouse.

    The page is served from this machine to this machine only, until Ctrl-C.
    """
    from extractor.page.server import serve
    from extractor.reading.clip_job import ReadOptions
    from extractor.session.folder import Session

    serve(Session(session), ReadOptions(reader=reader, jobs=jobs), browser=not no_browser, tell=say)
