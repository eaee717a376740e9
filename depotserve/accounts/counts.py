"""Refused checks of the last minutes, counted over all workers in memory that they share.

Each worker writes to its own slot only and reads everybody's: there is no lock that a killed
worker could hold, and a slot that the supervisor fills with zeros is an empty one.

A slot is 128 sets of 128 records. A record is two aligned 64-bit words: a tag of the pair, and a
stamp: milliseconds of the clock times two, plus one while the check is under way. The set and the
tag are 7 and 64 bits of a digest, so that two pairs share a record once in 2**71.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

import attrs

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["HIGHEST_LIMIT", "FailureCounts", "Place", "Tally"]

_SETS = 128
_WAYS = 128
_WORDS = 2  # tag, stamp
_ROW = _WAYS * _WORDS
HIGHEST_LIMIT = 100  # failures that can be counted; NIST SP 800-63B-4 section 3.2.2 allows no more


@attrs.frozen
class Place:
    """Where a check's record stands in the worker's own slot, and what it holds."""

    index: int
    tag: int
    stamp: int


@attrs.frozen
class Tally:
    """What a pair did within the window: the times of its refusals, and its checks under way."""

    refused: tuple[float, ...]  # seconds of the clock, the oldest first
    pending: int


class FailureCounts:
    """The refusals by pair. `own` is this worker's slot, `all_slots` everybody's with it."""

    SIZE: ClassVar[int] = _SETS * _ROW * 8  # 256 KiB a worker

    def __init__(self, own: memoryview, all_slots: Sequence[memoryview]) -> None:
        self._own = _words(own)
        self._all = [_words(slot) for slot in all_slots]

    def reserve(self, pair: bytes, now: float) -> Place:
        """Note a check that begins, before its answer is known. `now` is in seconds.

        It takes the place of the oldest record of its set where none is free.
        """
        start, tag = _home_of(pair)
        stamps = self._own[start + 1 : start + _ROW : _WORDS].tolist()
        index = start + _WORDS * stamps.index(min(stamps))
        place = Place(index, tag, _stamp(now) | 1)
        # A reader between these writes sees a stamp of 0, which is no record.
        self._own[index + 1] = 0
        self._own[index] = tag
        self._own[index + 1] = place.stamp
        return place

    def settle(self, place: Place, now: float) -> None:
        """Note that the check was refused at `now`."""
        if self._holds(place):
            self._own[place.index + 1] = _stamp(now)

    def give_back(self, place: Place) -> None:
        """Forget the check: it was right, or never ran."""
        if self._holds(place):
            self._own[place.index + 1] = 0

    def tally(self, pair: bytes, now: float, seconds: float) -> Tally:
        """Add up what all workers noted for the pair in the last `seconds` before `now`."""
        start, tag = _home_of(pair)
        since = _stamp(now - seconds)
        found = [stamp for slot in self._all for stamp in _stamps(slot, start, tag)]
        inside = [stamp for stamp in found if stamp > since]
        refused = sorted(stamp / 2000 for stamp in inside if not stamp & 1)
        return Tally(tuple(refused), len(inside) - len(refused))

    def _holds(self, place: Place) -> bool:
        """Tell whether the record is still the check's, and not taken by another since."""
        return self._own[place.index] == place.tag and self._own[place.index + 1] == place.stamp


def _words(slot: memoryview) -> memoryview:
    return slot.cast("B")[: FailureCounts.SIZE].cast("Q")


def _home_of(pair: bytes) -> tuple[int, int]:
    row = int.from_bytes(pair[8:16], "big") % _SETS
    return row * _ROW, int.from_bytes(pair[:8], "big")


def _stamp(seconds: float) -> int:
    return max(int(seconds * 1000), 1) << 1


def _stamps(slot: memoryview, start: int, tag: int) -> list[int]:
    tags = slot[start : start + _ROW : _WORDS].tolist()
    if tag not in tags:
        return []
    stamps = slot[start + 1 : start + _ROW : _WORDS].tolist()
    return [stamp for known, stamp in zip(tags, stamps) if known == tag]
