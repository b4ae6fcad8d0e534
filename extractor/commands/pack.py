"""``extractor pack``: everything but the clips, in one file, for years to come."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from extractor.commands.options import SessionFolder
from extractor.commands.screen import progress_bar, say


def pack(
    session: SessionFolder,
    out: Annotated[
        Path | None, typer.Option(help="The file.", show_default="results/SESSION.zip")
    ] = None,
) -> None:
    """Write an archive without the clips, from which report and comparison can be made again.

    It holds readings, tables, conditions, crops of doubtful readings and digests of the clips;
    compare and report take it in place of a session.
    """
    from extractor.report import pack
    from extractor.session.folder import Session

    with progress_bar("digests") as bar:
        path = pack.pack(Session(session), out, lambda clip, share: bar(share, 1.0))
    say(f"Pack: {path} ({path.stat().st_size / 1e6:.1f} MB)")
