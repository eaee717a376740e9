"""How fast bytes may go under the caps of the settings, counted over all workers.

Each cap of all, or of a mount, is a queue in virtual time: whoever wants to send so many bytes
joins at its end, which moves on by the time that they take at the cap's rate. Each worker
publishes the end as it last moved it, in memory that all share, and the latest of them is the end
for all. So bytes that nobody asks for (a slow client's) take nothing from others, and transfers
of all workers have their turns alike. There is no lock: two workers that join in the same
microseconds may both take the same stretch, which is a piece too many once in hundreds; a slot
that the supervisor fills with zeros is one that never joined.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Callable, ClassVar

from depotserve.config import CONNECTION, TOTAL

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from depotserve.config import Cap

__all__ = ["Bandwidth", "Pace"]

_QUEUES = 32  # as many as the settings may have caps
_BURST = 0.15  # seconds of unused time that can be made up for: a loop that was busy
_PIECES = 8  # a second, shared by the transfers of a cap
_MOST_PIECES = 1000  # a second, which would be too many wake-ups at high rates
_LEAST_PIECE = 1024  # bytes
_UNCAPPED = float("inf")


class Bandwidth:
    """The caps in force. `own` is this worker's slot of the shared map, `every` everybody's.

    `clock` gives monotonic seconds that are the same in all workers, `now` those since the epoch.
    """

    SIZE: ClassVar[int] = _QUEUES * 16  # an end and a number of transfers for each queue

    def __init__(
        self,
        own: memoryview,
        every: Sequence[memoryview],
        clock: Callable[[], float] = time.monotonic,
        now: Callable[[], float] = time.time,
    ) -> None:
        self.clock = clock
        self._now = now
        self._memory = _Memory(own, every)
        self._caps: tuple[Cap, ...] = ()
        self._queues: dict[str, _Queue] = {}
        self._paces: set[Pace] = set()
        self._minute = -1
        self.connection_rate = _UNCAPPED
        self._concerns_all = False

    def replace(self, caps: tuple[Cap, ...]) -> None:
        """Go by other caps, also in transfers under way."""
        if caps == self._caps:
            return
        self._caps = caps
        self._memory.clear()
        names = dict.fromkeys(cap.of for cap in caps if cap.of != CONNECTION)
        self._queues = {of: _Queue(self._memory, place) for place, of in enumerate(names)}
        self._concerns_all = any(cap.of in {TOTAL, CONNECTION} for cap in caps)
        self._minute = -1
        self.look()
        for pace in self._paces:
            pace.join(self._queues_of(pace.mount_url))

    def begin(self, mount_url: str | None, last: Pace | None = None) -> Pace | None:
        """Begin a transfer from a mount, or of a page of our own.

        `last` is the connection's pace before, which goes on under a cap of connections. None says
        that no cap concerns the transfer now; ask again before each piece, in case the settings
        change.
        """
        if not (self._concerns_all or mount_url in self._queues):
            return None
        pace = Pace(self, mount_url, 0.0 if last is None else last.end_of_own)
        pace.join(self._queues_of(mount_url))
        self._paces.add(pace)
        return pace

    def end(self, pace: Pace) -> None:
        """Forget a transfer."""
        self._paces.discard(pace)

    def look(self) -> None:
        """See which caps count in this minute of the day."""
        minute = int(self._now() // 60)
        if minute == self._minute:
            return
        self._minute = minute
        local = time.localtime(minute * 60)
        counting = [cap for cap in self._caps if cap.hours.hold(local.tm_hour * 60 + local.tm_min)]
        for of, queue in self._queues.items():
            queue.change_rate(_narrowest(counting, of), self.clock())
        self.connection_rate = _narrowest(counting, CONNECTION)

    def _queues_of(self, mount_url: str | None) -> list[_Queue]:
        return [self._queues[of] for of in (TOTAL, mount_url) if of in self._queues]


class Pace:
    """One transfer under the caps that concern it."""

    __slots__ = ("_bandwidth", "_queues", "end_of_own", "mount_url")

    def __init__(self, bandwidth: Bandwidth, mount_url: str | None, end_of_own: float) -> None:
        self.mount_url = mount_url
        self.end_of_own = end_of_own  # when the connection's own cap lets it send on
        self._bandwidth = bandwidth
        self._queues: list[_Queue] = []

    def join(self, queues: list[_Queue]) -> None:
        """Count from now on as a transfer of `queues`."""
        self._queues = queues
        for queue in queues:
            queue.add_transfers(1)

    def allowed(self, most: int) -> int:
        """Give the bytes that the next piece should have: all `most`, or fewer under a cap."""
        self._bandwidth.look()
        pieces = [queue.piece() for queue in self._queues]
        return int(min(most, _piece(self._bandwidth.connection_rate, 1), *pieces))

    def delay(self, count: int) -> float:
        """Take the turn for `count` bytes; give the seconds until they may go, or 0."""
        self._bandwidth.look()
        now = self._bandwidth.clock()
        turns = [queue.take(count, now) for queue in self._queues]
        return max(self._own_turn(count, now), *turns, now) - now

    def end(self) -> None:
        """Count no more as a transfer; a second call does nothing."""
        self._bandwidth.end(self)
        for queue in self._queues:
            queue.add_transfers(-1)
        self._queues = []

    def _own_turn(self, count: int, now: float) -> float:
        turn = max(self.end_of_own, now - _BURST)
        self.end_of_own = turn + count / self._bandwidth.connection_rate
        return turn


class _Memory:
    """What workers tell each other: the end of each queue, and how many transfers it has."""

    def __init__(self, own: memoryview, every: Sequence[memoryview]) -> None:
        self.ends, self.transfers = _columns(own)
        columns = [_columns(slot) for slot in every]
        self.all_ends = [ends for ends, _ in columns]
        self.all_transfers = [transfers for _, transfers in columns]

    def clear(self) -> None:
        """Forget this worker's part."""
        for place in range(_QUEUES):
            self.ends[place] = 0.0
            self.transfers[place] = 0


class _Queue:
    """The turns of all transfers under the caps of one mount, or of all."""

    __slots__ = ("_memory", "_place", "_rate")

    def __init__(self, memory: _Memory, place: int) -> None:
        self._memory = memory
        self._place = place
        self._rate = _UNCAPPED

    def change_rate(self, rate: float, now: float) -> None:
        """Count by another number of bytes a second; turns that were taken at the old go by."""
        if rate != self._rate:
            self._rate = rate
            self._memory.ends[self._place] = min(self._memory.ends[self._place], now)

    def add_transfers(self, number: int) -> None:
        """Count transfers more or less."""
        self._memory.transfers[self._place] += number

    def piece(self) -> float:
        """Give the bytes of which each transfer gets its share often."""
        place = self._place
        return _piece(self._rate, sum([slot[place] for slot in self._memory.all_transfers]))

    def take(self, count: int, now: float) -> float:
        """Join the queue with so many bytes; give the time of their turn."""
        if self._rate == _UNCAPPED:
            return now
        place = self._place
        turn = max(now - _BURST, *[slot[place] for slot in self._memory.all_ends])
        self._memory.ends[place] = turn + count / self._rate
        return turn


def _piece(rate: float, transfers: int) -> float:
    return max(_LEAST_PIECE, rate / _MOST_PIECES, rate / _PIECES / max(transfers, 1))


def _narrowest(caps: Iterable[Cap], of: str) -> float:
    return min((float(cap.bytes_per_second) for cap in caps if cap.of == of), default=_UNCAPPED)


def _columns(slot: memoryview) -> tuple[memoryview[float], memoryview[int]]:
    words = slot.cast("B")[: Bandwidth.SIZE]
    return words[: _QUEUES * 8].cast("d"), words[_QUEUES * 8 :].cast("Q")
