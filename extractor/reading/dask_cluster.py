"""Reading on several machines: clips become tasks of a Dask cluster (`distributed`).

The scheduler, the distribution and the repetition after a lost worker are all Dask's. What is
sent is the job (paths and boxes), never a clip: clips and the session's folder lie on storage
that every machine sees under the same path. Dask runs what it is sent without asking who sent
it, so this is for trusted networks only.
"""

from __future__ import annotations

import contextlib
import queue
import threading
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Any

from extractor import __version__
from extractor.errors import ClipError, ExtractorError, UsageError
from extractor.reading.cache import READING_VERSION
from extractor.reading.clip_job import ClipJob
from extractor.reading.process_pool import Outcome, Progress, Work, died

CONNECT_S = 10.0
#: How often waiting looks whether there is still somebody who works, seconds.
POLL_S = 5.0
#: A cluster may be without workers for so long, while they start or come back, seconds.
NO_WORKERS_S = 60.0
#: A worker tells its progress at most this often, seconds.
PROGRESS_S = 1.0

_VERSION = (__version__, READING_VERSION)
# Readers are not made for several threads of one process.
_one_at_a_time = threading.Lock()


def run(
    jobs: Sequence[ClipJob], work: Work[Any], address: str, progress: Progress
) -> Iterator[Outcome[Any]]:
    """Do all jobs on a cluster and yield outcomes as `process_pool.run` does.

    Parameters
    ----------
    jobs, work, progress
        As `process_pool.run` takes them.
    address : str
        Of the Dask scheduler, as ``tcp://HOST:8786``.

    Raises
    ------
    UsageError
        If `distributed` is not installed, nobody answers, no worker is left, or a worker has
        another version of this program.
    """
    if not jobs:
        return
    with _connected(address) as client:
        lost: list[ClipJob] = []
        sent = [_portable(job) for job in jobs]
        yield from _outcomes(client, sent, work, progress, lost)
        # Dask gives up a task whose workers died several times, and its neighbours with it:
        # each is tried once more alone, so that only the guilty one is lost.
        for job in lost:
            again: list[ClipJob] = []
            yield from _outcomes(client, [job], work, progress, again)
            if again:
                yield job, None, died(job)


def _portable(job: ClipJob) -> ClipJob:
    # A worker has another working folder, and its cores are counted by the cluster.
    return replace(
        job,
        path=job.path.absolute(),
        state_path=job.state_path and job.state_path.absolute(),
        glyphs=job.glyphs and job.glyphs.absolute(),
        threads=1,
    )


def _connected(address: str) -> Any:
    """Return a client of the scheduler; it closes itself where its block ends."""
    try:
        from distributed import Client
    except ImportError:
        raise UsageError(
            "--scheduler needs Dask's distributed: install this program with its extra 'cluster'"
        ) from None
    try:
        return Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        raise UsageError(
            f"--scheduler {address}: nobody answers ({str(error) or type(error).__name__}); "
            "is the scheduler running, and is this its address?"
        ) from None


def _outcomes(
    client: Any, jobs: Sequence[ClipJob], work: Work[Any], progress: Progress, lost: list[ClipJob]
) -> Iterator[Outcome[Any]]:
    """Yield outcomes as they come; jobs that Dask gave up go to `lost`."""
    news: queue.SimpleQueue[Any] = queue.SimpleQueue()
    topic = f"extractor-{uuid.uuid4().hex}"
    client.subscribe_topic(topic, lambda event: news.put(event[1]))
    waiting = {}
    for number, job in enumerate(jobs):
        future = client.submit(_do, work, job, topic, _VERSION, pure=False, key=f"{topic}-{number}")
        waiting[future.key] = job
        future.add_done_callback(news.put)
    seen_s = time.monotonic()
    try:
        while waiting:
            try:
                item = news.get(timeout=POLL_S)
            except queue.Empty:
                seen_s = _last_seen(client, seen_s)
                continue
            if isinstance(item, dict):
                progress(item["clip"], item["seconds"])
                continue
            job = waiting.pop(item.key)
            if (outcome := _outcome(job, item)) is None:
                lost.append(job)
            else:
                yield outcome
    finally:
        with contextlib.suppress(Exception):  # the cluster may be gone
            client.unsubscribe_topic(topic)
            client.cancel(list(waiting))


def _outcome(job: ClipJob, future: Any) -> Outcome[Any] | None:
    from concurrent.futures import CancelledError

    from distributed import KilledWorker

    try:
        return job, future.result(), None
    except ExtractorError as error:
        return job, None, error
    except KilledWorker:
        return None
    except CancelledError:
        raise UsageError(
            "the cluster's scheduler has gone; finished clips stay finished, run it again"
        ) from None
    except ImportError as error:
        raise UsageError(f"a worker of the cluster lacks something: {error}") from None


def _last_seen(client: Any, seen_s: float) -> float:
    """Return when the cluster last had a worker."""
    try:
        if client.nthreads():
            return time.monotonic()
    except OSError:
        raise UsageError(
            "the cluster's scheduler does not answer any more; finished clips stay finished"
        ) from None
    if time.monotonic() - seen_s > NO_WORKERS_S:
        raise UsageError(
            f"the cluster has had no worker for {NO_WORKERS_S:g} s; start some (dask worker)"
        )
    return seen_s


def _do(work: Callable[..., Any], job: ClipJob, topic: str, version: tuple[Any, ...]) -> Any:
    """Do one job; runs in a worker of the cluster."""
    from distributed import get_worker

    worker = get_worker()
    if version != _VERSION:
        raise UsageError(
            f"worker {worker.address} has version {_VERSION[0]} of this program, asked by "
            f"{version[0]}; install the same on both"
        )
    if not job.path.exists():
        raise ClipError(
            f"{job.clip}: worker {worker.address} finds no {job.path}; clips must lie on storage "
            "that every machine sees under the same path"
        )
    told_s = 0.0

    def report(clip: str, seconds: float) -> None:
        nonlocal told_s
        if time.monotonic() - told_s >= PROGRESS_S:
            told_s = time.monotonic()
            worker.log_event(topic, {"clip": clip, "seconds": seconds})

    with _one_at_a_time:
        return work(job, report)
