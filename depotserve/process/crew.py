"""The workers as the supervisor sees them: begun, told, and replaced when they die."""

from __future__ import annotations

import logging
import os
import signal
import socket
import traceback
from typing import TYPE_CHECKING, Callable

import attrs

from depotserve.process.channel import Channel, Order, Update

if TYPE_CHECKING:
    from collections.abc import Iterable

    from depotserve.process.shared_map import SharedMap

__all__ = ["Crew", "Member", "pause_before_next"]

_LOG = logging.getLogger(__name__)
_PAUSES = (0.0, 1.0, 2.0, 5.0, 10.0, 30.0)  # seconds before the first, second ... replacement
_SETTLED = 60.0  # seconds of life after which earlier deaths are forgotten
_CRASHED = 70  # exit status; sysexits(3) EX_SOFTWARE

Work = Callable[[int, socket.socket, Update], int]


def pause_before_next(deaths: int) -> float:
    """Give the seconds before a worker's place is filled again after so many quick deaths."""
    return _PAUSES[min(deaths, len(_PAUSES)) - 1]


@attrs.define
class Member:
    """One worker process."""

    number: int
    pid: int
    channel: Channel
    born: float
    serving: int = -1  # the last update that it serves by; -1 until it accepts connections
    failure: str = ""


@attrs.define
class _Vacancy:
    """A worker's place that is to be filled again."""

    due: float
    deaths: int


class Crew:
    """All workers. Every method returns at once; times are of the monotonic clock, in seconds."""

    def __init__(self, size: int, work: Work, update: Update, shared: SharedMap) -> None:
        """Plan `size` workers, each of which calls `work` in its own process."""
        self.members: dict[int, Member] = {}
        self.update = update
        self.failure = ""  # why a worker ended of itself, the first that did
        self._work = work
        self._shared = shared
        self._vacancies = {number: _Vacancy(0.0, 0) for number in range(size)}
        self._deaths = dict.fromkeys(range(size), 0)

    @property
    def is_whole(self) -> bool:
        """Tell whether every worker serves by the newest update."""
        return not self._vacancies and all(
            member.serving == self.update.number for member in self.members.values()
        )

    @property
    def next_due(self) -> float:
        """Give the time when a place is to be filled; infinity if none is."""
        return min((one.due for one in self._vacancies.values()), default=float("inf"))

    def fill(self, now: float) -> None:
        """Begin a worker in each place whose time has come."""
        for number, vacancy in list(self._vacancies.items()):
            if vacancy.due <= now:
                del self._vacancies[number]
                self._begin(number, now)

    def dismiss_vacancies(self) -> None:
        """Begin no worker any more."""
        self._vacancies.clear()

    def tell(self, message: Order | Update) -> None:
        """Send a message to every worker; an update also counts for those begun later."""
        if isinstance(message, Update):
            self.update = message
        for member in self.members.values():
            member.channel.send(message)

    def listen(self, descriptors: Iterable[int]) -> None:
        """Take in what workers say, and send on what they had no room for."""
        wanted = set(descriptors)
        for member in self.members.values():
            channel = member.channel
            if channel.is_open and channel.fileno() in wanted:
                channel.flush()
            if channel.is_open and channel.fileno() in wanted:
                self._note(member)

    def reap(self, now: float, *, refill: bool) -> None:
        """Take leave of workers that died; log it and plan others if `refill`."""
        for member in list(self.members.values()):
            pid, status = os.waitpid(member.pid, os.WNOHANG)
            if pid:
                self._part(member, os.waitstatus_to_exitcode(status), now, refill=refill)

    def kill(self) -> None:
        """End every worker by force."""
        for member in self.members.values():
            os.kill(member.pid, signal.SIGKILL)

    def _note(self, member: Member) -> None:
        for said in member.channel.receive():
            member.serving = max(member.serving, said.serving)
            member.failure = said.failure or member.failure

    def _part(self, member: Member, status: int, now: float, *, refill: bool) -> None:
        """Close a dead worker's channel, clear its slot, and plan another."""
        if member.channel.is_open:
            self._note(member)
            member.channel.close()
        self.failure = self.failure or member.failure or (_cause(status) if status > 0 else "")
        del self.members[member.number]
        self._shared.clear(member.number)
        if not refill:
            return
        deaths = 1 if now - member.born > _SETTLED else self._deaths[member.number] + 1
        self._deaths[member.number] = deaths
        pause = pause_before_next(deaths)
        self._vacancies[member.number] = _Vacancy(now + pause, deaths)
        _LOG.error(
            "worker %d (process %d) %s; another begins %s",
            member.number + 1,
            member.pid,
            member.failure or _cause(status),
            f"in {pause:.0f} s" if pause else "now",
        )

    def _begin(self, number: int, now: float) -> None:
        """Fork a worker."""
        ours, theirs = socket.socketpair()
        pid = os.fork()
        if pid == 0:
            ours.close()
            self._be_worker(number, theirs)
        theirs.close()
        self.members[number] = Member(number, pid, Channel(ours), now)

    def _be_worker(self, number: int, end: socket.socket) -> None:
        """Do a worker's work in the new process, and end it whatever happens."""
        status = _CRASHED
        try:
            signal.set_wakeup_fd(-1)
            for member in self.members.values():
                member.channel.close()
            status = self._work(number, end, self.update)
        except BaseException as fault:  # noqa: BLE001  # the parent's stack must not be unwound here
            place = traceback.extract_tb(fault.__traceback__)[-1]
            where = f"{place.filename}:{place.lineno}"
            _LOG.error("worker %d: %s: %s at %s", number + 1, type(fault).__name__, fault, where)
        finally:
            os._exit(status)


def _cause(status: int) -> str:
    """Say how a process ended, from its exit code (negative: the signal)."""
    if status >= 0:
        return f"ended with status {status}"
    return f"was ended by {signal.Signals(-status).name}"
