"""How many wrong passphrases an address and name may offer: the decision, and its bookkeeping."""

from __future__ import annotations

import asyncio
import math
import random
import time
from collections import OrderedDict
from typing import TYPE_CHECKING, Callable

import attrs

from depotserve.accounts.counts import HIGHEST_LIMIT

if TYPE_CHECKING:
    from depotserve.accounts.counts import FailureCounts, Place, Tally
    from depotserve.config import Throttle as Bounds

__all__ = ["MISSES", "Refusal", "Throttle", "seconds_left"]

MISSES = 300  # wrong guesses at cached credentials while throttled: one a second for 300 s
_PAIRS = 4096  # whose misses are counted; a hundred bytes each
_PATIENCE = 30.0  # seconds that a check waits for others of its pair to be decided
_POLL = 0.02  # seconds; a check at cost 12 takes ten times as long
_LINE = 128  # checks of one pair that wait in one worker


@attrs.frozen
class Refusal:
    """A check that may not run now; `retry_after` is in whole seconds."""

    retry_after: int
    busy: bool = False


@attrs.define
class _Misses:
    count: int
    until: float


@attrs.define(eq=False)
class _Line:
    """One worker's checks of a pair that wait to begin."""

    lock: asyncio.Lock = attrs.Factory(asyncio.Lock)
    length: int = 0


def seconds_left(tally: Tally, limit: int, window: float, now: float) -> int:
    """Give the whole seconds until the pair may try again, 0 if it may now.

    It may when fewer than `limit` refusals lie within the `window` before.
    """
    excess = len(tally.refused) - limit
    if excess < 0:
        return 0
    return max(1, math.ceil(tally.refused[excess] + window - now))


class Throttle:
    """The bookkeeping of one worker's checks. Times are those of a clock that all workers share."""

    def __init__(
        self, counts: FailureCounts, bounds: Bounds, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._counts = counts
        self._clock = clock
        self._misses: OrderedDict[bytes, _Misses] = OrderedDict()
        self._lines: dict[bytes, _Line] = {}
        self.bounds = bounds

    @property
    def _limit(self) -> int:
        return min(self.bounds.failures, HIGHEST_LIMIT)

    def blocked(self, pair: bytes) -> int:
        """Give the seconds until the pair may have a check again, 0 if it may now."""
        now = self._clock()
        tally = self._counts.tally(pair, now, self.bounds.seconds)
        return seconds_left(tally, self._limit, self.bounds.seconds, now)

    async def enter(self, pair: bytes) -> Place | Refusal:
        """Reserve a check for the pair, or say why not.

        Checks under way count as refused until they are decided, so that many at once do not
        overshoot the limit. Where only they stand in the way the newcomer waits for them: they may
        be a good client's first connections.
        """
        deadline = self._clock() + _PATIENCE
        line = self._lines.setdefault(pair, _Line())
        if line.length >= _LINE:
            return Refusal(math.ceil(_PATIENCE), busy=True)
        line.length += 1
        try:
            # Only the first of a line looks again and again; hundreds would take the processor.
            async with line.lock:
                return await self._wait_to_enter(pair, deadline)
        finally:
            line.length -= 1
            if not line.length:
                del self._lines[pair]

    async def _wait_to_enter(self, pair: bytes, deadline: float) -> Place | Refusal:
        while True:
            found = self._try_enter(pair)
            if found is not None:
                return found
            if self._clock() >= deadline:
                return Refusal(math.ceil(_PATIENCE), busy=True)
            await asyncio.sleep(_POLL * (1 + random.random()))  # noqa: S311  # spreads workers

    def _try_enter(self, pair: bytes) -> Place | Refusal | None:
        left = self.blocked(pair)
        if left:
            return Refusal(left)
        now = self._clock()
        # Written before it is read: of two workers that do so at once, at least one sees the other.
        place = self._counts.reserve(pair, now)
        tally = self._counts.tally(pair, now, self.bounds.seconds)
        if len(tally.refused) + tally.pending <= self._limit:
            return place
        self._counts.give_back(place)
        return None

    def refuse(self, place: Place) -> None:
        """Count a check as refused."""
        self._counts.settle(place, self._clock())

    def forgive(self, place: Place) -> None:
        """Count a check as none: it was right, or never ran."""
        self._counts.give_back(place)

    def miss(self, pair: bytes, left: int) -> bool:
        """Count a guess that came while the pair is throttled for `left` more seconds.

        Tells whether it is the first since the pair was throttled.
        """
        now = self._clock()
        noted = self._misses.pop(pair, None)
        is_first = noted is None or now >= noted.until
        count = 1 if noted is None or is_first else noted.count + 1
        self._misses[pair] = _Misses(count, now + left)
        if len(self._misses) > _PAIRS:
            self._misses.popitem(last=False)
        return is_first

    def is_exhausted(self, pair: bytes) -> bool:
        """Tell whether the pair's guesses were so many that its cached credential counts no more.

        That ends with the throttling itself.
        """
        noted = self._misses.get(pair)
        return noted is not None and noted.count > MISSES and self._clock() < noted.until

    def is_quiet(self) -> bool:
        """Tell whether no pair is known to be throttled, so that none can be exhausted."""
        while self._misses and next(iter(self._misses.values())).until <= self._clock():
            self._misses.popitem(last=False)
        return not self._misses
