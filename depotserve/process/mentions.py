"""What the log was told lately, kept in memory that the workers share, so that it is not flooded.

Each worker writes to its own slot only and reads everybody's. A slot is a table of 512 records of
two aligned 64-bit words: a tag of what was told, and when, in milliseconds of the clock.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Callable, ClassVar

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["Mentions"]

_RECORDS = 512
_WAYS = 16  # records that one thing may take
_SETS = _RECORDS // _WAYS
_QUIET = 60_000  # milliseconds


class Mentions:
    """Says of each thing once a minute that it is due. `own` is this worker's slot.

    `every` is everybody's with it. Two workers that see a thing within the same moment may both
    tell it. Each worker tells at most 512 things a minute, and 16 of one set: what floods the
    depot from thousands of addresses does not flood its log.
    """

    SIZE: ClassVar[int] = 2 * _RECORDS * 8  # 8 KiB a worker

    def __init__(
        self,
        own: memoryview,
        every: Sequence[memoryview],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Take a clock that never goes back and is the same in all workers, in seconds."""
        self._own = _words(own)
        self._every = [_words(slot) for slot in every]
        self._clock = clock

    def is_due(self, thing: str) -> bool:
        """Tell whether `thing` has not been told for a minute; it counts as told from now on."""
        tag, start = _tag_and_set(thing)
        now = int(self._clock() * 1000) + _QUIET  # later than what an empty record says
        if any(_is_told(slot, tag, start, now) for slot in self._every):
            return False
        times = self._own[_RECORDS + start : _RECORDS + start + _WAYS].tolist()
        oldest = times.index(min(times))
        if now - times[oldest] < _QUIET:
            return False
        self._own[start + oldest] = tag
        self._own[_RECORDS + start + oldest] = now
        return True


def _is_told(slot: memoryview, tag: int, start: int, now: int) -> bool:
    tags = slot[start : start + _WAYS].tolist()
    return tag in tags and now - slot[_RECORDS + start + tags.index(tag)] < _QUIET


def _words(slot: memoryview) -> memoryview:
    return slot.cast("B")[: Mentions.SIZE].cast("Q")


def _tag_and_set(thing: str) -> tuple[int, int]:
    """Give a tag and where its set begins; the hash is keyed, and one in all workers."""
    digest = hash(thing) & 0xFFFF_FFFF_FFFF_FFFF
    return digest | 1, (digest >> 8) % _SETS * _WAYS
