"""Two processes on one session, and what a killed one leaves behind."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from extractor.errors import SessionBusyError
from extractor.locking import locked

HOLD = """
import sys, time
from pathlib import Path
from extractor.locking import locked
with locked(Path(sys.argv[1])):
    print("held", flush=True)
    time.sleep(60)
"""


def test_the_second_says_who_holds_it_and_a_killed_holder_frees_it(tmp_path: Path) -> None:
    path = tmp_path / "session" / "results" / ".state" / "lock"
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(path)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[1],
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with (
            pytest.raises(SessionBusyError, match=f"process {holder.pid} on"),
            locked(path, wait_s=0.2),
        ):
            raise AssertionError("two hold it")
        holder.kill()
        holder.wait()
        with locked(path, wait_s=5.0):
            pass
