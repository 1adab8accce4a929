"""When work on a document is done: after a pause in typing, off the event loop, as long as it is wanted.

A job is a generator.  Each step of it runs in a worker thread, and what it
yields is delivered on the event loop; a newer job of the same name takes the
place of the older one, of which nothing is delivered from then on.  A job that
yields :class:`Rest` goes on later in a second, slower lane, which stands still
while there is work in the first: the first answer on one document never waits
for the long work on another.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any, TypeAlias

from service.stages import Cancelled

FIRST_DELAY = 0.015  # s; keys that arrive together (a paste, a completion) are one change
MOST_DELAY = 0.15  # s


@dataclass(frozen=True, slots=True)
class Rest:
    """What a job yields to go on after so many seconds, in the slow lane."""

    seconds: float


class Token:
    """Says whether a job is still wanted, and when it may go on.

    ``cancelled`` is set on the event loop; workers call :meth:`check` often.
    ``way`` is set while a job in the slow lane has the way free.
    """

    __slots__ = ("cancelled", "way")

    def __init__(self, way: threading.Event | None = None) -> None:
        self.cancelled = False
        self.way = way

    def check(self) -> None:
        """Raises :class:`service.stages.Cancelled` once the job is not wanted any more."""
        if self.way is not None and not self.cancelled:
            self.way.wait()
        if self.cancelled:
            raise Cancelled


Work: TypeAlias = Callable[[Token], Iterator[Any]]
Deliver: TypeAlias = Callable[[Any], None]
Fail: TypeAlias = Callable[[Exception], None]


@dataclass(eq=False)
class Job:
    """One job under way; ``rested`` once it has gone over to the slow lane."""

    key: str
    work: Work
    deliver: Deliver
    fail: Fail
    token: Token = field(default_factory=Token)
    steps: Iterator[Any] | None = None
    timer: asyncio.TimerHandle | None = None
    rested: bool = False
    running: bool = False


class _End:
    """A job has no further step."""


def _advance(job: Job) -> Any:
    """The next thing a job yields (in the worker)."""
    try:
        if job.steps is None:
            job.steps = job.work(job.token)
        return next(job.steps, _End)
    except Cancelled:
        return _End


class Schedule:
    """The jobs of one server, at most one per key.  All methods are for the thread of the event loop."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        self._fast = ThreadPoolExecutor(1, "verdicts")
        self._slow = ThreadPoolExecutor(1, "remedies")
        self._jobs: dict[str, Job] = {}
        self._closed = False
        self._way = threading.Event()  # free for the slow lane
        self._way.set()
        self._urgent = 0  # steps in the fast lane

    def put(self, key: str, work: Work, deliver: Deliver, fail: Fail, delay: float = 0.0) -> Token:
        """Start ``work`` after ``delay`` seconds, in the place of what runs or waits under ``key``."""
        self.drop(key)
        job = Job(key, work, deliver, fail)
        if not self._closed:
            self._jobs[key] = job
            self._after(job, delay)
        return job.token

    def drop(self, key: str) -> None:
        """End the job under ``key``; what it has not delivered by now is lost."""
        job = self._jobs.pop(key, None)
        if job is None:
            return
        job.token.cancelled = True
        if job.timer is not None:
            job.timer.cancel()
            job.timer = None
        if not job.running:
            _close(job)

    def is_urgent(self, key: str) -> bool:
        """Whether a job under ``key`` waits or runs and has not come to its first rest."""
        job = self._jobs.get(key)
        return job is not None and not job.rested

    def is_under_way(self, key: str) -> bool:
        return key in self._jobs

    def hurry(self, key: str) -> None:
        """Somebody waits: a job that waits or rests goes on at once."""
        job = self._jobs.get(key)
        if job is not None and job.timer is not None:
            job.timer.cancel()
            self._step(job)

    def close(self) -> None:
        """End every job and wait for the workers, which look up between two rules."""
        self._closed = True
        self._way.set()
        for key in list(self._jobs):
            self.drop(key)
        for lane in (self._fast, self._slow):
            lane.shutdown(wait=True, cancel_futures=True)

    def _after(self, job: Job, delay: float) -> None:
        if delay > 0:
            job.timer = self._loop.call_later(delay, self._step, job)
        else:
            self._step(job)

    def _step(self, job: Job) -> None:
        job.timer = None
        job.running = True
        lane = self._slow
        if not job.rested:
            lane = self._fast
            self._urgent += 1
            self._way.clear()
        self._loop.run_in_executor(lane, _advance, job).add_done_callback(lambda done: self._done(job, done))

    def _done(self, job: Job, step: asyncio.Future[Any]) -> None:
        job.running = False
        if not job.rested:
            self._urgent -= 1
            if not self._urgent:
                self._way.set()
        if job.token.cancelled or step.cancelled():
            _close(job)
            return
        error = step.exception()
        if error is not None or step.result() is _End:
            self._jobs.pop(job.key, None)
            if isinstance(error, Exception):
                job.fail(error)
            return
        value = step.result()
        if isinstance(value, Rest):
            job.rested = True
            job.token.way = self._way
            self._after(job, value.seconds)
            return
        try:
            job.deliver(value)
        except Exception as broken:
            self.drop(job.key)
            job.fail(broken)
            return
        if not job.token.cancelled:  # delivering may have led to a newer job
            self._step(job)


def _close(job: Job) -> None:
    """Let the generator of a job that is not running clean up."""
    close = getattr(job.steps, "close", None)
    if close is not None:
        close()
