"""A visitor of the page for tests: the application without a network, and one that is served."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from extractor.page.application import create
from extractor.page.guard import Guard
from extractor.page.service import Desk
from extractor.reading.clip_job import ReadOptions

PORT = 40123


class Visitor:
    """Asks as the page's own scripts do."""

    def __init__(self, root: Path, *, enter: bool = True) -> None:
        self.guard = Guard(PORT)
        # One worker is this process, where a test's own reader is known.
        self.desk = Desk(root, ReadOptions(reader="network", jobs=1))
        self.client = create(self.desk, self.guard).test_client()
        self.base = self.guard.origin
        if enter:
            answer = self.client.get(self.guard.address())
            assert answer.status_code == 200

    def get(self, path: str, **query: Any) -> Any:
        return self.client.get(path, base_url=self.base, query_string=query or None)

    def post(self, path: str, body: Any = None, **more: Any) -> Any:
        headers = {"Origin": self.base, **more.pop("headers", {})}
        return self.client.post(
            path, base_url=self.base, json=body if body is not None else {}, headers=headers, **more
        )

    def session(self) -> dict[str, Any]:
        answer = self.get("/api/session")
        assert answer.status_code == 200
        found: dict[str, Any] = answer.get_json()
        return found

    def wait_for(self, done: Any, limit_s: float = 20) -> dict[str, Any]:
        ends = time.monotonic() + limit_s
        while time.monotonic() < ends:
            session = self.session()
            if done(session):
                return session
            time.sleep(0.05)
        raise AssertionError(f"did not happen within {limit_s} s: {self.session()}")

    def read(self) -> dict[str, Any]:
        assert self.post("/api/read", {"again": False}).status_code == 200
        return self.wait_for(lambda s: s["tasks"]["read"]["state"] != "running")

    def close(self) -> None:
        self.desk.close()


@contextmanager
def served(
    root: Path | None, *options: str, home: Path | None = None
) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Run ``extractor open`` and give the process and the address that it prints."""
    session = [] if root is None else [str(root)]
    own = {} if home is None else {"HOME": str(home), "XDG_STATE_HOME": str(home / ".state")}
    process = subprocess.Popen(
        [sys.executable, "-m", "extractor", "open", *session, "--no-browser", *options],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "OMP_NUM_THREADS": "1", **own},
    )
    assert process.stdout is not None
    try:
        line = process.stdout.readline()
        assert "http://127.0.0.1:" in line, line
        yield process, line[line.index("http") :].strip()
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
        process.wait(20)
        process.stdout.close()
