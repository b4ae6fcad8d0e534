"""Worker processes: one clip each, progress on the way, no clip stops another."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import pickle
import signal
import sys
import traceback
import types
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from multiprocessing import connection
from typing import Any, Literal, Protocol, TypeVar

from extractor.errors import ClipError, ExtractorError

Result = TypeVar("Result")

#: Windows waits for 63 things at once and no more.
MOST = 60


class Job(Protocol):
    """Anything that can be pickled and knows which clip it is about."""

    @property
    def clip(self) -> str:
        """Path in the session."""
        ...


Progress = Callable[[str, float], None]
"""Called with a clip's name and the seconds of it that are done."""

Work = Callable[[Any, Progress], Result]
Outcome = tuple[Any, Result | None, ExtractorError | None]
News = tuple[Literal["begun", "told", "done"], Any, Any]
"""What a worker says: that it has begun; clip and seconds done; result and error."""


def run(
    jobs: Sequence[Job], work: Work[Result], count: int, progress: Progress
) -> Iterator[Outcome[Result]]:
    """Do all jobs and yield ``(job, result, error)`` as they end; one of the two is None.

    Parameters
    ----------
    jobs : sequence
        Picklable, with a `clip`.
    work : callable
        A function of a module (not a closure): ``work(job, progress) -> result``.
    count : int
        Worker processes; with 1 the work is done in this one.
    progress : callable
        Called in this process.

    Raises
    ------
    Exception
        Whatever `work` raises beyond `ExtractorError`: those are bugs.
    """
    if count <= 1 or len(jobs) <= 1:
        for job in jobs:
            try:
                yield job, work(job, progress), None
            except ExtractorError as error:
                yield job, None, error
        return
    yield from _run_in_pool(jobs, work, min(count, len(jobs), MOST), progress)


def _run_in_pool(
    jobs: Sequence[Job], work: Work[Result], count: int, progress: Progress
) -> Iterator[Outcome[Result]]:
    waiting = deque(jobs)
    workers: list[_Worker] = []
    busy: dict[Any, _Worker] = {}
    try:
        while waiting or busy:
            new = [_Worker(work) for _ in range(min(count - len(busy), len(waiting)))]
            workers += new
            for worker in new:
                busy[worker.pipe] = worker
                worker.give(waiting.popleft())
            for pipe in connection.wait(list(busy)):
                yield from _heard(busy, pipe, waiting, progress)
    finally:
        for worker in workers:
            worker.process.kill()
        for worker in workers:
            worker.process.join()
            worker.pipe.close()


def _heard(
    busy: dict[Any, _Worker], pipe: Any, waiting: deque[Job], progress: Progress
) -> Iterator[Outcome[Any]]:
    """Take the next news of a worker; yield the outcome where its job has ended."""
    worker = busy[pipe]
    job = worker.job
    try:
        kind, first, second = worker.pipe.recv()
    except (EOFError, OSError):
        kind = first = second = "died"
    if kind == "begun":
        worker.begun, worker.fresh = True, False
    elif kind == "told":
        progress(first, second)
    elif kind == "died":
        del busy[pipe]
        # Between two jobs: the next one is not to blame. A worker that does not even start is
        # no better the second time.
        if worker.begun or worker.fresh:
            yield job, None, died(job)
        else:
            waiting.appendleft(job)
    else:
        if waiting:  # before the caller hears of it, who may take a while
            worker.give(waiting.popleft())
        else:
            del busy[pipe]
        if second is not None and not isinstance(second, ExtractorError):
            raise second
        yield job, first, second


class _Worker:
    """A process that does one job at a time.

    Its pipe is shared with nobody: whatever it sent is heard, also after its death, and a
    worker that is killed holds no lock that others wait for.
    """

    job: Any
    begun = False
    fresh = True

    def __init__(self, work: Work[Any]) -> None:
        # Not fork: the video library's threads do not survive it.
        context = multiprocessing.get_context("spawn")
        with _interrupts_held(), _script_left_out():
            self.pipe, theirs = context.Pipe()
            self.process = context.Process(target=_serve, args=(theirs, work), daemon=True)
            self.process.start()
            theirs.close()  # the worker's end of it must end with the worker

    def give(self, job: Job) -> None:
        self.job, self.begun = job, False
        with contextlib.suppress(OSError):  # it has died: heard next
            self.pipe.send(job)


@contextlib.contextmanager
def _interrupts_held() -> Iterator[None]:
    """Start processes that Ctrl-C, which goes to the whole group, leaves to their parent."""
    if sys.platform == "win32":
        yield
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # starting it later would lift the block (Python 3.11)
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextlib.contextmanager
def _script_left_out() -> Iterator[None]:
    """Start processes that do not run the user's script once more to find what is defined in it."""
    script = sys.modules["__main__"]
    sys.modules["__main__"] = types.ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = script


def died(job: Job) -> ClipError:
    """Return the error of a clip whose worker died on it."""
    return ClipError(
        f"{job.clip}: the worker process died on it (out of memory, or a fault in the video "
        "library); the other clips are not affected; try fewer at once: --jobs 1"
    )


def _serve(pipe: Any, work: Work[Any]) -> None:
    """Do jobs until the pipe is closed; runs in a process of its own."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)

    def tell(news: News) -> None:
        message = pickle.dumps(news)
        try:
            pipe.send_bytes(message)
        except OSError:  # nobody is left to hear it
            os._exit(1)

    with contextlib.suppress(EOFError, OSError):
        while True:
            job = pipe.recv()
            tell(("begun", None, None))
            try:
                tell(("done", work(job, lambda clip, s: tell(("told", clip, s))), None))
            except Exception as error:
                error.add_note(traceback.format_exc())
                tell(("done", None, error))
