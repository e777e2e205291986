"""Photos measured on all cores of this machine, or on a Dask scheduler's workers: the same work either way."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from typing import Any, TypeVar

from visioncheck.errors import InputError
from visioncheck.stopping import SIGNALS, interrupt, note

J = TypeVar("J")
R = TypeVar("R")
S = TypeVar("S")

_THREAD_COUNTS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
_POLL_S = 0.2
_CONNECT_S = 10


def cores() -> int:
    """Count the processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@contextmanager
def stop_on_interrupt() -> Iterator[Callable[[], bool]]:
    """Give a function that tells whether Ctrl-C was pressed or SIGTERM sent; the next one interrupts as usual."""
    asked = threading.Event()

    def ask(number: int, _: object) -> None:
        note(number)
        asked.set()
        for each in SIGNALS:
            signal.signal(each, interrupt)

    usual = [signal.signal(each, ask) for each in SIGNALS]
    try:
        yield asked.is_set
    finally:
        for each, handler in zip(SIGNALS, usual, strict=True):
            signal.signal(each, handler)


def run_here(
    work: Callable[[J, S], R], jobs: Sequence[J], shared: S, workers: int, stop: Callable[[], bool]
) -> Generator[tuple[J, Future[R]]]:
    """Do `work` on every job in processes of their own, and give each finished one as it comes.

    A job that kills its process (a decoder's crash, memory run out) takes those under way beside it along;
    each of them is tried once more alone, and only the one that kills its process again ends as
    `BrokenExecutor`.

    Parameters
    ----------
    work : callable
        Takes a job and `shared`; a function of a module, since it is sent to other processes by name.
    jobs : sequence
        What to do, in this order.
    shared : object
        Sent to each process once.
    workers : int
        Number of processes.
    stop : callable
        When it turns true no more jobs are begun; those under way are finished.

    Yields
    ------
    job, Future
        The future is done.
    """
    left = deque(jobs)
    while left and not stop():
        suspects = []
        with _pool(min(workers, len(left)), work, shared) as executor:
            for job, future in _as_finished(executor, _work_on, left, workers, stop):
                if isinstance(future.exception(), BrokenExecutor):
                    suspects.append(job)
                else:
                    yield job, future
        for job in suspects:
            if not stop():
                with _pool(1, work, shared) as executor:
                    yield from _as_finished(executor, _work_on, deque([job]), 1, stop)


def run_on_cluster(
    work: Callable[[J, S], R], jobs: Sequence[J], shared: S, address: str, stop: Callable[[], bool]
) -> Generator[tuple[J, Future[R]]]:
    """As `run_here`, on the workers of a Dask scheduler; they need this package and the same files.

    Raises
    ------
    UserError
        Without the package `distributed`, or when no scheduler or worker answers.
    """
    try:
        from distributed import Client
    except ImportError:
        raise InputError(
            "cluster", "<cluster> needs the package distributed; install it with: pip install distributed"
        ) from None
    try:
        client = Client(address, timeout=_CONNECT_S)
    except (OSError, ValueError) as error:
        raise InputError(
            "cluster", f"<cluster> {address}: no scheduler answers there ({error}); check the address"
        ) from None
    with client:
        threads = sum(client.nthreads().values())
        if not threads:
            raise InputError(
                "cluster", f"<cluster> {address}: the scheduler has no workers; start some (dask worker {address})"
            )
        everywhere = client.scatter(shared, broadcast=True)
        with client.get_executor(pure=False) as executor:
            yield from _as_finished(executor, work, deque(jobs), 2 * threads, stop, everywhere)


def _as_finished(
    executor: Executor,
    work: Callable[..., R],
    left: deque[J],
    most: int,
    stop: Callable[[], bool],
    *more: object,
) -> Generator[tuple[J, Future[R]]]:
    """Keep at most so many jobs under way, taken from `left`, so that stopping is quick and memory bounded."""
    under_way: dict[Future[R], J] = {}
    finished: list[tuple[J, Future[R]]] = []
    broken = False
    while True:
        while left and len(under_way) < most and not (stop() or broken):
            try:
                with _interrupts_blocked():
                    under_way[executor.submit(work, left[0], *more)] = left[0]
            except BrokenExecutor:
                broken = True
            else:
                left.popleft()
        # given only now, so that the workers are busy while the caller is
        yield from finished
        if not under_way:
            return
        done, _ = wait(under_way, timeout=_POLL_S, return_when=FIRST_COMPLETED)
        finished = [(under_way.pop(future), future) for future in done]


@contextmanager
def _interrupts_blocked() -> Iterator[None]:
    """Let new processes be born deaf to Ctrl-C, which a terminal sends to all; the first one decides."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def _pool(workers: int, work: Callable[[J, S], R], shared: S) -> Iterator[ProcessPoolExecutor]:
    """Processes of one thread each: more would get in each other's way on cores that are all busy."""
    # the libraries read their thread counts when they are loaded, so a new process must be born with them
    added = {name: "1" for name in _THREAD_COUNTS if name not in os.environ}
    os.environ.update(added)
    # spawn: the same on every system, and safe beside threads
    context = multiprocessing.get_context("spawn")
    try:
        with ProcessPoolExecutor(workers, context, initializer=_start, initargs=(work, shared)) as executor:
            yield executor
    finally:
        for name in added:
            del os.environ[name]


_task: Any = None


def _start(work: Callable[[J, S], R], shared: S) -> None:
    """Make ready a new process."""
    global _task  # noqa: PLW0603 - what a pool's processes are given once
    _task = (work, shared)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches every process of a terminal; the first one decides
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """End when the first process is gone, killed: nobody waits for this one's results any more."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _work_on(job: J) -> Any:
    work, shared = _task
    return work(job, shared)
