"""Who does the work: this process, some processes of this machine, or a cluster (see cluster).

Each takes jobs one by one as it needs them, so that few clips are in memory at a time, and yields outcomes as they
are ready, in any order. They all call the same function, `work`, so the results are the same.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Generator, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import get_context
from multiprocessing.connection import Connection

from refine.clean.folder.work import Failure, Job, Outcome, failed, work

TRIES = 2  # of a job that may have ended its process, with nothing beside it
AHEAD = 2  # jobs handed out for each process: one it works on, one that waits, so that none stands idle
# Several threads add up sums in another order, and the last bits differ: one thread, wherever the work is done.
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def in_processes(jobs: Iterator[Job], count: int) -> Generator[Outcome, None, None]:
    """In processes of this machine.

    The system may end a process, for want of memory as a rule; what it was doing isn't known then, only what all were
    doing. Those jobs are done again, each in a process with nothing beside it, and a job fails that ends two of those.
    """
    while True:
        lost = yield from _until_broken(jobs, count)
        if not lost:
            return
        for job in lost:
            yield _alone(job)


def _until_broken(jobs: Iterator[Job], count: int) -> Generator[Outcome, None, list[Job]]:
    """Outcomes until there are no more jobs, or a process has ended; the jobs that were out then."""
    running: dict[Future[Outcome], Job] = {}
    with _pool(count) as pool:
        while True:
            while len(running) < AHEAD * count and (job := next(jobs, None)) is not None:
                try:
                    running[pool.submit(work, job)] = job
                except BrokenProcessPool:
                    return (yield from _rest(running, [job]))
            if not running:
                return []
            done, _ = wait(running, return_when=FIRST_COMPLETED)
            if any(isinstance(future.exception(), BrokenProcessPool) for future in done):
                return (yield from _rest(running, []))
            for future in done:
                del running[future]
                yield future.result()


def _rest(running: dict[Future[Outcome], Job], lost: list[Job]) -> Generator[Outcome, None, list[Job]]:
    """What a broken pool had finished, and the jobs that it hadn't."""
    wait(running)
    for future, job in running.items():
        if future.exception() is None:
            yield future.result()
        else:
            lost.append(job)
    return lost


def _alone(job: Job) -> Outcome:
    for _ in range(TRIES):
        with _pool(1) as pool:
            try:
                return pool.submit(work, job).result()
            except BrokenProcessPool:
                continue
    found = f"the process that cleaned it was ended by the system {TRIES} times, for want of memory as a rule"
    return failed(job.place, Failure(job.place, found, "", "give it more memory, or cut the clip in two"))


@contextmanager
def _pool(count: int) -> Iterator[ProcessPoolExecutor]:
    """A pool whose processes end with this one, however this one ends, and at once if the work is broken off."""
    context = get_context("spawn")  # a fork would copy the locks of threads that aren't there in the copy
    # Nobody ever writes into it: it ends when its other end is closed, by us or by our own end.
    ending, alive = context.Pipe(duplex=False)
    with ending, single_threads():
        pool = ProcessPoolExecutor(count, mp_context=context, initializer=_begin, initargs=(ending,))
        try:
            yield pool
        except BaseException:
            alive.close()
            raise
        finally:
            pool.shutdown(wait=True, cancel_futures=True)
            alive.close()


def _begin(ending: Connection) -> None:
    """What a process of the pool does first. Ctrl-C is for the process that the user started."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)

    def end_with_parent() -> None:
        ending.poll(None)
        os._exit(1)

    threading.Thread(target=end_with_parent, daemon=True).start()


@contextmanager
def single_threads() -> Iterator[None]:
    """Let the processes that are started inside compute with one thread each."""
    before = {name: os.environ.get(name) for name in THREADS}
    os.environ.update(dict.fromkeys(THREADS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
