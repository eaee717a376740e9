"""The supervisor: keeps workers going, hands changes on, ends it all in order."""

from __future__ import annotations

import logging
import os
import select
import signal
import socket
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING

from depotserve.errors import SurroundingsError
from depotserve.process.channel import Order, Update

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from depotserve.process.crew import Crew
    from depotserve.process.notify import Notifier
    from depotserve.process.reload import Reloader
    from depotserve.process.upkeep import Upkeep

__all__ = ["Supervisor"]

_LOG = logging.getLogger(__name__)
_LOOK = 0.5  # seconds between two looks at the watched files
_GRACE = 5.0  # seconds that a worker has beyond `drain` before it is ended by force
_CUT_SHORT = 2.0  # seconds that it has once a second signal says so
_STOPS = (signal.SIGTERM, signal.SIGINT)


class Supervisor:
    """One process, one thread, no event loop: the part that must not fail stays small."""

    def __init__(
        self,
        crew: Crew,
        reloader: Reloader,
        notifier: Notifier,
        upkeep: Upkeep,
        *,
        release: Callable[[], None],
    ) -> None:
        """Lead `crew`; `release` lets the ports go and is called when the end begins."""
        self._crew = crew
        self._upkeep = upkeep
        self._reloader = reloader
        self._notifier = notifier
        self._release = release
        self._signals: list[int] = []
        self._number = crew.update.number
        self._told = -1  # the last update that the log said to be in force everywhere
        self._look = 0.0
        self._end = float("inf")  # when the workers are ended by force
        self._on_terminal = os.isatty(2)

    def run(self, announce: Callable[[], None]) -> None:
        """Serve until SIGTERM or SIGINT; call `announce` once all workers accept connections.

        Raises SurroundingsError if a worker cannot begin at the start of the depot.
        """
        with self._wake_up() as wake_up:
            while not self._is_ending or self._crew.members:
                self._turn(wake_up, announce)
        self._notifier.send("STATUS=ended")

    @property
    def _is_ending(self) -> bool:
        return self._end != float("inf")

    def _turn(self, wake_up: socket.socket, announce: Callable[[], None]) -> None:
        """Do once whatever is to be done, then wait for more."""
        now = time.monotonic()
        self._obey(now)
        self._crew.reap(now, refill=not self._is_ending)
        self._refuse_false_start()
        if self._is_ending:
            self._force(now)
        else:
            self._crew.fill(now)
            self._watch(now)
        self._say(announce)
        self._tend(now)
        self._notifier.keep_alive(now)
        self._wait(wake_up)

    def _wait(self, wake_up: socket.socket) -> None:
        """Sleep until a signal, a worker's word, or the next time that something is due."""
        poll = select.poll()
        poll.register(wake_up, select.POLLIN)
        for member in self._crew.members.values():
            if member.channel.is_open:
                waiting = select.POLLOUT if member.channel.is_waiting else 0
                poll.register(member.channel, select.POLLIN | waiting)
        due = min(self._crew.next_due, self._end) - time.monotonic()
        ready = poll.poll(max(0.0, min(due, _LOOK)) * 1000)
        self._crew.listen(descriptor for descriptor, _ in ready)
        _empty(wake_up)

    def _obey(self, now: float) -> None:
        """Do what signals have asked for since the last turn."""
        while self._signals:
            number = self._signals.pop(0)
            if number in _STOPS or (number == signal.SIGHUP and self._lost_terminal()):
                self._stop(now)
            elif number == signal.SIGHUP and not self._is_ending:
                self._reload()
            elif number == signal.SIGUSR1:
                self._crew.tell(Order.REOPEN)

    def _stop(self, now: float) -> None:
        """Begin the end; a second time, cut it short."""
        if self._is_ending:
            _LOG.warning("told again to stop: what is under way is cut")
            self._crew.tell(Order.END)
            self._end = min(self._end, now + _CUT_SHORT)
            return
        drain = self._reloader.snapshot.settings.drain
        self._end = now + drain + _GRACE
        wait = f"EXTEND_TIMEOUT_USEC={int((drain + 2 * _GRACE) * 1e6)}"
        self._notifier.send("STOPPING=1", "STATUS=finishing what is under way", wait)
        _LOG.info("stopping: what is under way has %g s", drain)
        self._release()
        self._crew.dismiss_vacancies()
        self._crew.tell(Order.DRAIN)

    def _force(self, now: float) -> None:
        """End by force whoever is still there when the time is over."""
        if now >= self._end and self._crew.members:
            _LOG.warning("%d workers did not end in time and are killed", len(self._crew.members))
            self._crew.kill()
            self._end = now + _CUT_SHORT

    def _reload(self) -> None:
        self._notifier.reloading()
        if self._reloader.reload():
            self._hand_on()
        self._notifier.send("READY=1")

    def _watch(self, now: float) -> None:
        if now >= self._look:
            self._look = now + _LOOK
            if self._reloader.poll(now):
                self._hand_on()

    def _tend(self, now: float) -> None:
        """Look after clock and certificate, once the depot serves."""
        if self._told < 0 or self._is_ending:
            return
        before = self._upkeep.status
        self._upkeep.turn(now, self._reloader.snapshot.settings)
        if self._upkeep.status != before:
            self._notifier.send(f"STATUS={self._upkeep.status}")
        if self._reloader.shift_clock(self._upkeep.clock_shift):
            self._hand_on()

    def _hand_on(self) -> None:
        """Send the snapshot in force to every worker."""
        self._number += 1
        self._crew.tell(Update(self._number, self._reloader.snapshot))

    def _say(self, announce: Callable[[], None]) -> None:
        """Announce the start, and each change that has reached every worker."""
        if self._told == self._crew.update.number or not self._crew.is_whole or self._is_ending:
            return
        if self._told < 0:
            announce()
            self._notifier.send("READY=1")
        else:
            _LOG.info("in force in all %d workers", len(self._crew.members))
        self._told = self._crew.update.number

    def _refuse_false_start(self) -> None:
        """Give up if a worker fails before the depot was ever ready."""
        if self._told < 0 and self._crew.failure:
            self._crew.kill()
            raise SurroundingsError(f"a worker cannot begin: {self._crew.failure}")

    def _lost_terminal(self) -> bool:
        """Tell whether the terminal that the depot was started from is gone (hang-up)."""
        return self._on_terminal and not os.isatty(2)

    @contextmanager
    def _wake_up(self) -> Iterator[socket.socket]:
        """Note signals, and have each end a wait."""
        receiver, sender = socket.socketpair()
        receiver.settimeout(0)
        sender.settimeout(0)
        signal.set_wakeup_fd(sender.fileno(), warn_on_full_buffer=False)
        for number in (*_STOPS, signal.SIGHUP, signal.SIGUSR1, signal.SIGCHLD):
            signal.signal(number, self._note)
        try:
            yield receiver
        finally:
            signal.set_wakeup_fd(-1)
            receiver.close()
            sender.close()

    def _note(self, number: int, _frame: object) -> None:
        self._signals.append(number)


def _empty(wake_up: socket.socket) -> None:
    try:
        while wake_up.recv(4096):
            pass
    except BlockingIOError:
        pass
