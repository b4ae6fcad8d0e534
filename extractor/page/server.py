"""Serving pages on this machine's own address, one a session."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from extractor.errors import ExtractorError, SessionBusyError
from extractor.page.guard import AGAIN, HOST, KEY_HEADER, MOST_PIECE_BYTES, Guard
from extractor.page.service import Desk
from extractor.reading.clip_job import ReadOptions
from extractor.session import sessions
from extractor.session.atomic import locked, replacing_path
from extractor.session.folder import Session
from extractor.video import runs_draft

Tell = Callable[[str], None]
"""Shows a line to whoever opened the page."""

THREADS = 8
ANSWER_WITHIN_S = 3.0
#: A page that another `open` has begun to serve answers by then, also on a busy machine.
BEGUN_WITHIN_S = 30.0
POLL_S = 0.1


def state_file(session: Session) -> Path:
    """Return where an open page leaves its port and key for a second ``open``.

    No clip's state is called so: names that begin with a dot are not searched for clips.
    """
    return session.state / ".page.json"


def address_of_open(session: Session) -> str | None:
    """Return a fresh address of a page that is open on this session already, else None."""
    try:
        left = json.loads(state_file(session).read_text("utf-8"))
        port, key = int(left["port"]), str(left["key"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
    asked = urllib.request.Request(
        f"http://{HOST}:{port}{AGAIN}", data=b"", headers={KEY_HEADER: key}, method="POST"
    )
    # A proxy set for the system has no business with this machine's own address.
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        with opener.open(asked, timeout=ANSWER_WITHIN_S) as answer:
            address = json.loads(answer.read(10_000))["address"]
    except (OSError, ValueError, KeyError, TypeError):
        return None  # left behind by one that was killed
    return address if str(address).startswith(f"http://{HOST}:{port}/") else None


class Pages:
    """The pages of one `open`: the one it began with, and those opened from there.

    Parameters
    ----------
    options : ReadOptions
        How to read.
    """

    def __init__(self, options: ReadOptions) -> None:
        self.options = options
        self._open = contextlib.ExitStack()
        self._lock = threading.Lock()

    def show(self, root: Path) -> str:
        """Open a page on a session, beside those that are open; return an address that lets in.

        Raises
        ------
        ExtractorError
            If the folder is no session's or cannot be written.
        """
        session = Session(root)
        with self._lock, contextlib.ExitStack() as own:
            address = _address_or_alone(session, own)
            if address is None:
                server, guard = own.enter_context(opened(session, self))
                threading.Thread(target=_run, args=(server,), daemon=True).start()
                address = guard.address()
                self._open.push(own.pop_all())
        sessions.remember(root)
        return address

    def close(self) -> None:
        """Close the pages that were opened from others."""
        self._open.close()


def _run(server: Any) -> None:
    with contextlib.suppress(OSError, ValueError):  # closed by another thread
        server.run()


@contextlib.contextmanager
def opened(session: Session | None, pages: Pages) -> Iterator[tuple[Any, Guard]]:
    """Give a server that is ready to run, and its guard; clean up after it.

    Parameters
    ----------
    session : Session, optional
        What it shows; without one the start page.
    pages : Pages
        Opens further ones.

    Raises
    ------
    StorageError
        If the session's folder cannot be written.
    """
    from extractor.page.application import create
    from extractor.page.connections import LOOK_EVERY_S, Server

    with contextlib.ExitStack() as stack:
        listening = stack.enter_context(socket.socket(socket.AF_INET, socket.SOCK_STREAM))
        listening.bind((HOST, 0))
        guard = Guard(listening.getsockname()[1])
        desk = None if session is None else Desk(session.root, pages.options)
        server = Server(
            create(desk, guard, pages.show),
            _sock=listening,
            sockinfo=(listening.family, listening.type, listening.proto, listening.getsockname()),
            bind_socket=False,
            cleanup_interval=LOOK_EVERY_S,
            threads=THREADS,
            ident=None,
            max_request_body_size=MOST_PIECE_BYTES,
        )
        server.guard = guard
        stack.callback(server.close)
        if session is not None and desk is not None:
            stack.callback(desk.close)
            # What is wrong with runs.csv the page shows by itself.
            with contextlib.suppress(ExtractorError):
                runs_draft.draft(session)
            stack.enter_context(_announced(session, guard))
        yield server, guard


@contextlib.contextmanager
def _announced(session: Session, guard: Guard) -> Iterator[None]:
    """Keep port and key where only this user can read them, as long as the page is open."""
    path = state_file(session)
    content = json.dumps({"port": guard.port, "key": guard.key, "process": os.getpid()})
    with replacing_path(path, private=True) as part:
        part.write_text(content, "utf-8")
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            if path.read_text("utf-8") == content:
                path.unlink()


def serve(session: Session | None, options: ReadOptions, *, browser: bool, tell: Tell) -> None:
    """Show the page until Ctrl-C or until the terminal is closed; without a session the start page.

    A page that is open on this session already is shown instead of a second one, also where
    several are opened at the same instant.

    Raises
    ------
    StorageError
        If the session's folder cannot be written.
    SessionBusyError
        If another process serves the page and cannot be reached, as from another machine.
    """
    with contextlib.ExitStack() as alone:
        address = None
        if session is not None:
            address = _address_or_alone(session, alone)
            sessions.remember(session.root)
        if address is None:
            _serve(session, options, browser=browser, tell=tell)
            return
    tell(f"This session's page is open already: {address}")
    _show(address, browser, tell)


def _address_or_alone(session: Session, alone: contextlib.ExitStack) -> str | None:
    """Return the address of the page that is open; None once no other can be opened."""
    ends = time.monotonic() + BEGUN_WITHIN_S
    while True:
        address = address_of_open(session)
        if address is not None:
            return address
        try:
            # The operating system lets go of it when a server dies: nothing is left to clear.
            lock = locked(session.state / "page_lock", session.root, wait_s=0.0)
            alone.enter_context(lock)
        except SessionBusyError:
            if time.monotonic() > ends:
                raise
            time.sleep(POLL_S)
        else:
            return None


def _serve(session: Session | None, options: ReadOptions, *, browser: bool, tell: Tell) -> None:
    pages = Pages(options)
    with contextlib.closing(pages), opened(session, pages) as (server, guard):
        address = guard.address()
        tell(f"The page: {address}")
        tell("It is served from this machine to this machine only. Ctrl-C here closes it.")
        _show(address, browser, tell)
        for name in ("SIGTERM", "SIGHUP"):
            if hasattr(signal, name):  # Windows has no SIGHUP
                signal.signal(getattr(signal, name), signal.default_int_handler)
        with contextlib.suppress(KeyboardInterrupt):
            server.run()


def _show(address: str, browser: bool, tell: Tell) -> None:
    if browser:
        import webbrowser

        if not webbrowser.open(address):
            tell("No browser could be started; open the address above in one.")
