"""The queue: jobs in the order of their coming, each in a process of its own, outside the event loop."""

from __future__ import annotations

import contextlib
import os
from collections import Counter
from typing import TYPE_CHECKING, Any, TypeVar

import anyio
import anyio.to_process
from anyio import TASK_STATUS_IGNORED
from anyio.abc import TaskStatus

from visioncheck.page import work

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from visioncheck.page.jobs import Job, Spool
    from visioncheck.page.places import Places

_LONGEST_S = 180.0
_GLANCE_S = 20.0
_MOST_ATTEMPTS = 2
_MOST_OF_ONE, _MOST_OF_ALL = 12, 60

BROKEN = {
    "state": "broken",
    "sentence": "Measuring broke off, through no fault of yours.",
    "remedy": "Try again; if it breaks off once more, take another photo.",
}
T = TypeVar("T")


class Workers:
    """Does the spool's jobs, as many at once as the machine bears.

    A job whose process dies or hangs costs that job an attempt and nothing else: every other one has a process of
    its own, and the next job gets a new one.

    Parameters
    ----------
    spool : Spool
        Where jobs come from and answers go.
    places : Places
        The folders that the work needs.
    do : callable
        What a process does: places and job to answer.
    """

    def __init__(
        self,
        spool: Spool,
        places: Places,
        do: Callable[[Places, Job, str], dict[str, Any]] = work.do_job,
    ) -> None:
        self.spool, self.places, self._do = spool, places, do
        self._slots = max(1, (os.cpu_count() or 2) // 2)
        self._waiting: list[str] = []
        self._held: Counter[str] = Counter()

    async def run(self, *, task_status: TaskStatus[None] = TASK_STATUS_IGNORED) -> None:
        """Work until cancelled; what is under way then is put back, to be done after the next start."""
        self._aside, self._looking = anyio.CapacityLimiter(1), anyio.CapacityLimiter(1)
        self._glancing = anyio.CapacityLimiter(self._slots)
        self._measuring = anyio.CapacityLimiter(self._slots)
        self._ready = anyio.Semaphore(0)
        for job in self.spool.unfinished():
            self.put(job)
        task_status.started()
        async with anyio.create_task_group() as group:
            group.start_soon(self._warm_up)
            for _ in range(self._slots):
                group.start_soon(self._work)

    def put(self, job: Job) -> None:
        """Queue a job that the spool has accepted."""
        self._waiting.append(job.id)
        self._ready.release()

    @contextlib.contextmanager
    def place(self, session: str) -> Iterator[bool]:
        """Hold a place in the queue while a photo is looked at; False: this phone, or all together, have enough."""
        waiting = Counter(job.session for job in self.spool.unfinished()) + self._held
        free = waiting.total() < _MOST_OF_ALL and waiting[session] < _MOST_OF_ONE
        self._held[session] += free
        try:
            yield free
        finally:
            self._held[session] -= free
            self._held += Counter()  # forgets who holds none

    def ahead(self, job: Job) -> int | None:
        """How many jobs come before this one; None while it is being done."""
        return self._waiting.index(job.id) if job.id in self._waiting else None

    async def look(self, function: Callable[..., T], *args: object, seconds: float) -> T:
        """Look at hostile bytes in a process of its own, apart from charts; the time counts once it is begun.

        Raises
        ------
        anyio.BrokenWorkerProcess, TimeoutError
            It died, or took too long.
        """
        async with self._looking:
            with anyio.fail_after(seconds):
                return await anyio.to_process.run_sync(
                    function, *args, cancellable=True, limiter=anyio.CapacityLimiter(1)
                )

    async def glance(self, function: Callable[..., T], *args: object) -> T:
        """Look at a frame of a camera's view, apart from all that can wait.

        Raises
        ------
        anyio.BrokenWorkerProcess, TimeoutError
            It died, or took too long.
        """
        with anyio.fail_after(_GLANCE_S):
            return await anyio.to_process.run_sync(function, *args, cancellable=True, limiter=self._glancing)

    async def aside(self, function: Callable[..., T], *args: object) -> T:
        """Do something short in a process beside the queue: charts stay out of the server.

        Raises
        ------
        anyio.BrokenWorkerProcess, TimeoutError
            It died, or took too long.
        """
        with anyio.fail_after(_LONGEST_S):
            return await anyio.to_process.run_sync(function, *args, cancellable=True, limiter=self._aside)

    async def _warm_up(self) -> None:
        # the libraries take seconds to load; the first photo need not wait for them
        with contextlib.suppress(Exception):  # what is wrong will show with the first photo
            await anyio.to_process.run_sync(work.warm_up, cancellable=True, limiter=self._measuring)

    async def _work(self) -> None:
        while True:
            await self._ready.acquire()
            job = self.spool.get(self._waiting.pop(0))
            if job is not None:
                await self._finish(job)

    async def _finish(self, job: Job) -> None:
        job = self.spool.begin(job)
        answer = None
        try:
            with anyio.move_on_after(_LONGEST_S):
                answer = await self._answer(job)
        except anyio.get_cancelled_exc_class():
            self.spool.put_back(job)
            raise
        if answer is None and job.attempts < _MOST_ATTEMPTS:
            self.put(job)
        else:
            self.spool.finish(job, answer or BROKEN)

    async def _answer(self, job: Job) -> dict[str, Any] | None:
        try:
            return await anyio.to_process.run_sync(
                self._do,
                self.places,
                job,
                str(self.spool.path(job)),
                cancellable=True,
                limiter=self._measuring,
            )
        except anyio.get_cancelled_exc_class():
            raise
        except Exception:  # noqa: BLE001 - whatever a job does, the queue goes on
            return None
