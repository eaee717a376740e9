"""The threads that check passphrases: few, of low priority, with a bounded queue in turn."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import math
import os
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Callable, TypeVar, cast

import attrs

from depotserve.accounts.rota import Rota

__all__ = ["Full", "Pool"]

T = TypeVar("T")
CAPACITY = 128  # checks that may wait: half a minute of one thread at cost 12
_NICENESS = 10  # a tenth of the share of a thread that sends content
_FIRST_GUESS = 0.25  # seconds a check, until the first was measured
_LONGEST_WAIT = 60  # seconds, the most that a client is told to wait


class Full(Exception):  # noqa: N818  # no fault: an answer that the caller turns into one
    """The queue is full. `retry_after` is the whole seconds in which it is likely worked off."""

    def __init__(self, retry_after: int) -> None:
        super().__init__(retry_after)
        self.retry_after = retry_after


@attrs.define(eq=False)
class _Job:
    work: Callable[[], Any]
    answer: asyncio.Future[Any]


class Pool:
    """Runs checks in threads. To be used from one event loop; it may be made outside of it."""

    def __init__(self, threads: int, *, capacity: int = CAPACITY) -> None:
        self._threads = threads
        self._capacity = capacity
        self._executor = ThreadPoolExecutor(threads, "passphrase", _lower_priority)
        self._waiting: Rota[_Job] = Rota()
        self._running: set[asyncio.Future[Any]] = set()
        self._seconds = _FIRST_GUESS
        self._closed = False

    async def run(self, network: str, name: str, work: Callable[[], T]) -> T:
        """Run `work` in a thread when it is the turn of the network and name.

        Raises Full if too many wait or the pool is closed; a newcomer who has fewer waiting than
        another takes the place of that one's newest. What `work` raises goes through.
        """
        if self._closed:
            raise Full(self._estimate())
        if len(self._waiting) >= self._capacity:
            self._make_room(network, name)
        job = _Job(work, asyncio.get_running_loop().create_future())
        self._waiting.put(network, name, job)
        self._start()
        return cast("T", await job.answer)

    def spare(self, work: Callable[[], object]) -> None:
        """Run something small in a thread, some time; nobody waits for it."""
        with contextlib.suppress(RuntimeError):  # the pool was closed
            self._executor.submit(work)

    def close(self) -> None:
        """Take no more work. What waits raises Full; what runs ends unheard."""
        self._closed = True
        while self._waiting:
            self._turn_away(self._waiting.take())
        for running in set(self._running):
            running.cancel()
        self._executor.shutdown(wait=False)

    def _make_room(self, network: str, name: str) -> None:
        loser = self._waiting.yield_to(network, name)
        if loser is None:
            raise Full(self._estimate())
        self._turn_away(loser)

    def _turn_away(self, job: _Job) -> None:
        if not job.answer.done():
            job.answer.set_exception(Full(self._estimate()))

    def _estimate(self) -> int:
        waiting = len(self._waiting) + len(self._running)
        return min(_LONGEST_WAIT, max(1, math.ceil(waiting * self._seconds / self._threads)))

    def _start(self) -> None:
        while len(self._running) < self._threads and self._waiting:
            job = self._waiting.take()
            if job.answer.done():  # whoever asked has gone
                continue
            loop = job.answer.get_loop()
            running = loop.run_in_executor(self._executor, _timed, job.work)
            self._running.add(running)
            running.add_done_callback(functools.partial(self._finish, job))

    def _finish(self, job: _Job, running: asyncio.Future[Any]) -> None:
        self._running.discard(running)
        if running.cancelled():
            self._turn_away(job)
            return
        error = running.exception()
        if not job.answer.done():
            if error is None:
                self._seconds += (running.result()[1] - self._seconds) / 8
                job.answer.set_result(running.result()[0])
            else:
                job.answer.set_exception(error)
        self._start()


def _timed(work: Callable[[], T]) -> tuple[T, float]:
    begun = time.monotonic()
    return work(), time.monotonic() - begun


def _lower_priority() -> None:
    """Let guesses not take the processor from good clients: on Linux each thread has its own."""
    with contextlib.suppress(OSError, AttributeError):
        os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), _NICENESS)
