"""Several processes on one session: nothing is lost, and a killed one leaves nothing behind."""

from __future__ import annotations

import errno
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from extractor.errors import SessionBusyError, StorageError
from extractor.review.checked import Checked
from extractor.session import runs_editing
from extractor.session.atomic import locked
from extractor.session.csv_tables import read_table
from extractor.session.folder import Session

HOLD = """
import sys, time
from pathlib import Path
from extractor.session.folder import Session
with getattr(Session(Path(sys.argv[1])), sys.argv[2])():
    print("held", flush=True)
    time.sleep(60)
"""
#: Each writer corrects readings of its own, notes them as checked, fills cells of its own
#: runs and sets conditions, as the page does, and says what was answered; then it marks a field.
WRITE = """
import sys
from pathlib import Path
from extractor.reading import marking
from extractor.review.checked import Checked
from extractor.session import conditions, corrections_editing, runs_editing
from extractor.session.folder import Session
from extractor.session.overlay import Box
root, me, count = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
print("ready", flush=True)
sys.stdin.readline()
for i in range(count):
    session = Session(root)
    corrections_editing.correct(session, "a.mp4", "bitrate", [(10 * me + i, None, str(i))])
    with session.editing():
        checked = Checked(session)
        checked.note(("a.mp4", "bitrate", "x"), [10 * me + i], "right", "doubtful")
    runs_editing.edit_run(session, f"run:w{me}_{i}", "antenna", "", "Fan")
    conditions.edit_condition(session, f"own_{me}_{i}", "", "x")
    print(i, flush=True)
marking.mark(Session(root), f"f{me}", marking.Spot(Box(8, 8, 20, 10), "a.mp4", 0.0), {})
"""
WRITERS, EDITS = 4, 6


def start(code: str, *arguments: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[2],
    )


def said(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


@pytest.mark.parametrize("which", ["working", "editing"])
def test_the_second_says_who_holds_it_and_a_killed_holder_frees_it(
    tmp_path: Path, which: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("extractor.session.folder._EDITING_WAIT_S", 0.2)
    session = Session(tmp_path)
    with start(HOLD, tmp_path, which) as holder:
        assert said(holder) == "held"
        with (
            pytest.raises(SessionBusyError, match=f"{tmp_path}: .*process {holder.pid} on"),
            getattr(session, which)(),
        ):
            raise AssertionError("two hold it")
        holder.kill()
        holder.wait()
        with getattr(session, which)():
            pass


def test_one_can_edit_while_clips_are_read(tmp_path: Path) -> None:
    (tmp_path / "a.mp4").touch()
    with start(HOLD, tmp_path, "working") as reader:
        assert said(reader) == "held"
        runs_editing.edit_run(Session(tmp_path), "clip:a.mp4", "antenna", "", "Fan")
        reader.kill()
    assert Session(tmp_path).runs()[0].cell("antenna") == "Fan"


def test_every_answered_edit_of_several_processes_is_in_the_files(session_folder: Path) -> None:
    session = Session(session_folder)
    own = [(w, i) for w in range(WRITERS) for i in range(EDITS)]
    # Each run is a part of its own of the clip: what overlaps is refused.
    runs = "run,clip,start_s,end_s,antenna\n" + "".join(
        f"w{w}_{i},a.mp4,{w + i / 10:.1f},{w + i / 10 + 0.1:.1f},\n" for w, i in own
    )
    session.runs_path.write_text(runs)
    writers = [start(WRITE, session_folder, i, EDITS) for i in range(WRITERS)]
    assert [said(w) for w in writers] == ["ready"] * WRITERS
    for writer in writers:
        assert writer.stdin is not None
        writer.stdin.write("go\n")
        writer.stdin.flush()
    answered = [writer.communicate()[0].split() for writer in writers]
    assert answered == [[str(i) for i in range(EDITS)]] * WRITERS
    assert all(writer.returncode == 0 for writer in writers)

    times = [10.0 * w + i for w, i in own]
    assert sorted(c.time_s for c in session.corrections()) == times
    noted = read_table(session.results / "checked.csv").rows
    assert sorted(float(r["time_s"]) for r in noted) == times
    assert [run.cell("antenna") for run in session.runs()] == ["Fan"] * len(own)
    assert set(session.conditions()) == {f"own_{w}_{i}" for w, i in own}
    assert {f.name for f in session.overlay().fields} >= {f"f{w}" for w in range(WRITERS)}


def test_threads_of_one_process_wait_for_each_other_too(tmp_path: Path) -> None:
    def write(me: int) -> None:
        for i in range(EDITS):
            with Session(tmp_path).editing(), Session(tmp_path).editing():
                Checked(Session(tmp_path)).note(("a", "f", "x"), [10 * me + i], "right", "doubtful")

    threads = [threading.Thread(target=write, args=(i,)) for i in range(WRITERS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(Checked(Session(tmp_path)).rows) == WRITERS * EDITS


@pytest.mark.skipif(sys.platform == "win32", reason="has other calls")
@pytest.mark.parametrize("code", [errno.ENOLCK, errno.EOPNOTSUPP])
def test_a_file_system_without_locks_hinders_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    import fcntl

    def none(*_: object) -> None:
        raise OSError(code, "no locks here")

    monkeypatch.setattr(fcntl, "flock", none)
    with locked(tmp_path / "lock", tmp_path, wait_s=0.0):
        pass


def test_where_no_lock_can_be_made_one_line_says_why(tmp_path: Path) -> None:
    (tmp_path / "results").write_text("a file where the folder should be")
    with pytest.raises(StorageError, match="cannot be written"), Session(tmp_path).editing():
        raise AssertionError("edits without a lock")
