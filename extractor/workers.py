"""Worker processes: one clip each, progress on the way, no clip stops another."""

from __future__ import annotations

import multiprocessing
import queue
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from typing import Any, Protocol, TypeVar

from extractor.errors import ClipError, ExtractorError

Result = TypeVar("Result")

#: How often waiting looks for news of progress, seconds.
POLL_S = 0.1


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
Way = Callable[[Sequence[Any], Work[Any], Progress], Iterator[Outcome[Any]]]
"""Called with jobs, work and progress; yields outcomes as `run` does."""

_news: Any = None


def run(
    jobs: Sequence[Job],
    work: Work[Result],
    count: int,
    progress: Progress,
    way: Way | None = None,
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
    way : callable, optional
        Another way of running them than processes of this machine, such as `cluster.on`;
        `count` is then its own affair.

    Raises
    ------
    Exception
        Whatever `work` raises beyond `ExtractorError`: those are bugs.
    """
    if way is not None:
        yield from way(jobs, work, progress) if jobs else ()
        return
    if count <= 1 or len(jobs) <= 1:
        for job in jobs:
            try:
                yield job, work(job, progress), None
            except ExtractorError as error:
                yield job, None, error
        return
    yield from _run_in_pool(jobs, work, min(count, len(jobs)), progress)


def _run_in_pool(
    jobs: Sequence[Job], work: Work[Result], count: int, progress: Progress
) -> Iterator[Outcome[Result]]:
    # Not fork: the video library's threads do not survive it.
    context = multiprocessing.get_context("spawn")
    news = context.Queue()
    lost: list[Job] = []
    yield from _drain(jobs, work, count, (context, news, progress), lost)
    # A worker that dies takes the pool with it, and which clip killed it is not known: each
    # gets a pool of its own, so that only the guilty one is lost.
    for job in lost:
        again: list[Job] = []
        yield from _drain([job], work, 1, (context, news, progress), again)
        if again:
            yield job, None, died(job)


def _drain(
    jobs: Sequence[Job],
    work: Work[Result],
    count: int,
    surroundings: tuple[Any, Any, Progress],
    lost: list[Job],
) -> Iterator[Outcome[Result]]:
    """Yield outcomes of one pool; jobs that went down with a dying worker go to `lost`."""
    context, news, progress = surroundings
    pool = ProcessPoolExecutor(count, mp_context=context, initializer=_start, initargs=(news,))
    try:
        futures: dict[Future[Result], Job] = {pool.submit(_do, work, j): j for j in jobs}
        pending = set(futures)
        while pending:
            done, pending = wait(pending, timeout=POLL_S, return_when=FIRST_COMPLETED)
            _pass_on(news, progress)
            for future in done:
                try:
                    yield futures[future], future.result(), None
                except ExtractorError as error:
                    yield futures[future], None, error
                except BrokenProcessPool:
                    lost.append(futures[future])
    except BaseException:
        _kill(pool)
        raise
    pool.shutdown()


def died(job: Job) -> ClipError:
    """Return the error of a clip whose worker died on it."""
    return ClipError(
        f"{job.clip}: the worker process died on it (out of memory, or a fault in the video "
        "library); the other clips are not affected; try fewer at once: --jobs 1"
    )


def _pass_on(news: Any, progress: Progress) -> None:
    while True:
        try:
            clip, seconds = news.get_nowait()
        except queue.Empty:
            return
        progress(clip, seconds)


def _kill(pool: ProcessPoolExecutor) -> None:
    # Python 3.14 has a method for it; until then the processes are only reachable like this.
    for process in list((pool._processes or {}).values()):
        process.kill()
    pool.shutdown(wait=True, cancel_futures=True)


def _start(news: Any) -> None:
    global _news
    _news = news
    # Ctrl-C goes to the whole group; the parent ends the workers.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    import cv2

    cv2.setNumThreads(1)  # the workers share the cores already


def _do(work: Work[Result], job: Job) -> Result:
    def report(clip: str, seconds: float) -> None:
        if _news is not None:
            _news.put((clip, seconds))

    return work(job, report)
