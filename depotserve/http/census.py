"""Connections, counted over all workers in memory that they share: in total and by address.

Each worker writes to its own slot only and reads everybody's: there is no lock that a killed
worker could hold, and a slot that the supervisor fills with zeros is one without connections.

A slot is a word for the worker's total, then a table of 2048 sets of 16 records. A record is two
aligned 64-bit words, in two rows so that a set's tags are read at once: a tag of the address, and
how many connections the worker has of it. Where a set is full (16 addresses of one worker in it:
never below some 10,000 connections from as many addresses) the worker alone knows of the
seventeenth's connections; the total has them all.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, ClassVar

from depotserve.accounts.addresses import network_of

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["Census"]

_SETS = 2048
_WAYS = 16
_RECORDS = _SETS * _WAYS
_TAGS = 8  # words before the first tag: the total, and the rest of its cache line
_COUNTS = _TAGS + _RECORDS
_UNPLACED = -1


class Census:
    """Connections of all workers. `own` is this worker's slot, `every` everybody's with it."""

    SIZE: ClassVar[int] = (_COUNTS + _RECORDS) * 8  # 512 KiB a worker; untouched pages cost none

    def __init__(self, own: memoryview, every: Sequence[memoryview]) -> None:
        self._own = _words(own)
        self._every = [_words(slot) for slot in every]
        self._here: dict[str, int] = {}  # this worker's connections, by network
        self._places: dict[str, int] = {}  # where their records stand

    def claim(self, most: int) -> bool:
        """Count one connection more unless all workers have `most` already.

        It is counted before the others are looked at, so that two workers never take the last
        place both; it may be that neither does, and a later try will.
        """
        self._own[0] += 1
        if self.total() <= most:
            return True
        self._own[0] -= 1
        return False

    def give_back(self) -> None:
        """Count one connection less: none came for the claim."""
        self._own[0] -= 1

    def enter(self, address: str) -> int:
        """Note whose a claimed connection is; give how many the address has now, with this one."""
        network = _network(address)
        here = self._here.get(network, 0) + 1
        self._here[network] = here
        place = self._places[network] if here > 1 else self._settle(network)
        if place != _UNPLACED:
            self._own[_COUNTS + place] = here
        return self.count(address)

    def leave(self, address: str) -> None:
        """Count one connection of the address less, also in the total."""
        network = _network(address)
        here = self._here[network] - 1
        place = self._places[network]
        if place != _UNPLACED:
            self._own[_COUNTS + place] = here
        if here:
            self._here[network] = here
        else:
            del self._here[network], self._places[network]
            if place != _UNPLACED:
                self._own[_TAGS + place] = 0
        self._own[0] -= 1

    def count(self, address: str) -> int:
        """Give how many connections an address has, over all workers."""
        network = _network(address)
        tag, start = _tag_and_set(network)
        unplaced = self._places.get(network) == _UNPLACED
        found = self._here[network] if unplaced else 0
        for slot in self._every:
            tags = slot[start : start + _WAYS].tolist()
            if tag in tags:
                found += slot[_RECORDS + start + tags.index(tag)]
        return found

    def total(self) -> int:
        """Give how many connections there are, over all workers."""
        return sum([slot[0] for slot in self._every])

    def _settle(self, network: str) -> int:
        """Take a record for the network; give its place."""
        tag, start = _tag_and_set(network)
        tags = self._own[start : start + _WAYS].tolist()
        place = start - _TAGS + tags.index(0) if 0 in tags else _UNPLACED
        self._places[network] = place
        if place != _UNPLACED:
            self._own[_TAGS + place] = tag  # its count is 0 until the caller writes it
        return place


def _words(slot: memoryview) -> memoryview:
    return slot.cast("B")[: Census.SIZE].cast("Q")


_network = lru_cache(maxsize=16384)(network_of)  # parsing an address takes 5 to 10 us


def _tag_and_set(network: str) -> tuple[int, int]:
    """Give the network's tag and where its set's tags begin.

    Python's hash of a text is keyed anew at each start of the depot, so that nobody can aim at a
    set, and is the same in all workers, which were forked from one process.
    """
    digest = hash(network) & 0xFFFF_FFFF_FFFF_FFFF
    return digest | 1, _TAGS + (digest >> 8) % _SETS * _WAYS
