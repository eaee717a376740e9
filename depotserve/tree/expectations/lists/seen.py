"""A set of names that stays small: 16 bytes or so for each, where Python's own takes a hundred."""

from __future__ import annotations

from array import array

__all__ = ["Seen"]

_FIRST = 1024  # slots; always a power of two
_WIDTH = (1 << 64) - 1


class Seen:
    """Names that were met, each by its 64-bit hash.

    Python keys it at its start, so that nobody can make two names fall together; that they do by
    chance among a million is as likely as 1 in 36 million.
    """

    def __init__(self) -> None:
        self._slots = array("Q", bytes(8 * _FIRST))
        self._count = 0

    def add(self, name: bytes) -> bool:
        """Add a name; False if it was there."""
        key = hash(name) & _WIDTH or 1  # 0 marks a free slot
        slots = self._slots
        at = _slot(slots, key)
        if slots[at]:
            return False
        slots[at] = key
        self._count += 1
        if 2 * self._count > len(slots):
            self._grow()
        return True

    def _grow(self) -> None:
        old, self._slots = self._slots, array("Q", bytes(16 * len(self._slots)))
        for key in filter(None, old):
            self._slots[_slot(self._slots, key)] = key


def _slot(slots: array[int], key: int) -> int:
    """Find the slot of a key, or the free one that it would take."""
    mask = len(slots) - 1
    at = key & mask
    while slots[at] and slots[at] != key:
        at = (at + 1) & mask
    return at
