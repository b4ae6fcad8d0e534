"""``extractor open``: the whole job with a mouse."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from extractor.commands.options import Jobs, ReaderName
from extractor.commands.screen import say


def open_page(
    session: Annotated[
        Path | None,
        typer.Argument(
            metavar="[SESSION]",
            help="The folder that holds the clips; without one a start page.",
            show_default=False,
        ),
    ] = None,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print the address, start no browser.")
    ] = False,
    reader: ReaderName = "network",
    jobs: Jobs = 0,
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
