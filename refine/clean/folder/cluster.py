"""The same jobs on a cluster of dask.distributed: an optional library, named `cluster` among the extras.

A job takes its clip with it and its outcome brings the result back, so workers need this program and nothing else. When
a worker is lost, the scheduler gives its jobs to another one; each outcome comes back once.
"""

from __future__ import annotations

import logging
import re
import socket
import threading
import time
import uuid
import warnings
from collections.abc import Callable, Generator, Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager, suppress
from itertools import count
from typing import Any

from refine.clean.folder.work import Failure, Job, Outcome, failed, work
from refine.clean.report.record import version
from refine.errors import InputError

CONNECT = 5.0  # s until a scheduler that doesn't answer counts as not there
NO_WORKER = 60.0  # s without any worker until the rest is given up: nobody may be there to start one
LOOK = 1.0  # s between two looks at who is there
AHEAD = 2  # jobs handed out for each thread of the workers
_OPTION = "--scheduler"
_ADDRESS = re.compile(r"(?:(?:tcp|tls)://)?(?P<host>[^\s/:\[\]]+|\[[\da-fA-F:.%]+\]):(?P<port>\d{1,5})")


@contextmanager
def connected(address: str, say: Callable[[str], None]) -> Iterator[Any]:
    """A client of the scheduler there, which has a worker. InputError if there is no library, scheduler or worker."""
    try:
        import distributed
    except ImportError as error:
        remedy = "pip install 'motion-refine[cluster]', or use --jobs"
        raise InputError(_OPTION, "the library dask.distributed isn't installed", remedy=remedy) from error
    # What it says of lost workers is said here in our own words; that a job carries its clip is meant.
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    warnings.filterwarnings("ignore", message="Sending large graph")
    _knock(address)
    client = _made(distributed.Client, address)
    try:
        _wait_for_worker(client, say)
        with client.as_current():
            yield client
    finally:
        with suppress(OSError, TimeoutError):  # a scheduler that is gone can't be told
            client.close(timeout=CONNECT)


def shared_out(jobs: Iterator[Job], client: Any) -> Generator[Outcome, None, None]:
    """Outcomes of the jobs as they come, each once."""
    run, numbers = uuid.uuid4().hex, count()
    running: dict[Any, Job] = {}
    seen = time.monotonic()
    try:
        while True:
            threads = sum(client.nthreads().values())
            seen = time.monotonic() if threads else seen
            while len(running) < max(AHEAD * threads, 1) and (job := next(jobs, None)) is not None:
                key = f"refine-clean-{run}-{next(numbers)}"
                running[client.submit(work, job, key=key, pure=False)] = job
            if not running:
                return
            for future in _done(running):
                yield _outcome(future, running.pop(future))
            if time.monotonic() - seen > NO_WORKER:
                yield from _given_up([*running.values(), *jobs], f"no worker was left for {NO_WORKER:g} s")
                return
    except (OSError, TimeoutError, CancelledError):
        yield from _given_up([*running.values(), *jobs], "the scheduler is gone")


def _made(make: Callable[..., Any], address: str) -> Any:
    """The client, made in a thread: it waits for ever for something that listens there and never answers."""
    made: list[Any] = []

    def begin() -> None:
        with suppress(OSError, ValueError, TimeoutError):
            made.append(make(address, timeout=CONNECT, set_as_default=False))

    thread = threading.Thread(target=begin, daemon=True)
    thread.start()
    thread.join(2 * CONNECT)
    if not made:
        raise _nobody(address, "what listens there is no scheduler, or one of another version")
    return made[0]


def _knock(address: str) -> None:
    """InputError where nobody listens. A client that can't be made leaves threads behind."""
    match = _ADDRESS.fullmatch(address)
    if match is None:
        raise _nobody(address, "that is no address")
    try:
        socket.create_connection((match["host"].strip("[]"), int(match["port"])), timeout=CONNECT).close()
    except (OSError, OverflowError, UnicodeError) as error:
        raise _nobody(address, f"nobody answers there within {CONNECT:g} s") from error


def _nobody(address: str, found: str) -> InputError:
    allowed = "the address of a running scheduler, such as tcp://host:8786"
    return InputError(f"{_OPTION} {address}", found, allowed, "check the address, or use --jobs")


def _wait_for_worker(client: Any, say: Callable[[str], None]) -> None:
    begun = time.monotonic()
    if not client.nthreads():
        say("the scheduler has no workers yet: waiting for one")
    while not client.nthreads():
        if time.monotonic() - begun > NO_WORKER:
            found = f"the scheduler had no worker for {NO_WORKER:g} s"
            raise InputError(
                _OPTION, found, "at least one worker", "start workers, then run the command again"
            )
        time.sleep(LOOK)


def _done(running: dict[Any, Job]) -> list[Any]:
    """The futures that are done, after a moment if none is."""
    from distributed import wait

    with suppress(TimeoutError):
        wait(list(running), timeout=LOOK, return_when="FIRST_COMPLETED")
    if any(future.cancelled() for future in running):
        raise CancelledError
    return [future for future in running if future.done()]


def _outcome(future: Any, job: Job) -> Outcome:
    error = future.exception()
    if error is None:
        outcome: Outcome = future.result()
        if outcome.version == version():
            return outcome
        found = f"a worker has version {outcome.version} of this program, not {version()}"
        return failed(job.place, Failure(job.place, found, "", "install one version on all machines"))
    if isinstance(error, ImportError):
        remedy = "install this program on all workers"
        return failed(job.place, Failure(job.place, f"a worker can't begin: {error}", "", remedy))
    found = f"the workers that cleaned it were lost, one after the other ({type(error).__name__})"
    return failed(job.place, Failure(job.place, found, "", "give them more memory, or cut the clip in two"))


def _given_up(jobs: list[Job], found: str) -> Iterator[Outcome]:
    for job in jobs:
        remedy = "start it, then run the same command with --resume"
        yield failed(job.place, Failure(job.place, f"not cleaned: {found}", "", remedy))
