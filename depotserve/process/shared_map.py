"""One anonymous memory map for all workers: each writes its own slot, all read all.

No lock is needed, so none can be held by a worker that was killed.
"""

from __future__ import annotations

import mmap
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["SharedMap"]

_LINE = 64  # bytes of a processor's cache line: neighbours must not share one


class SharedMap:
    """Memory that is made before the fork and divided into a slot a worker.

    `sections` maps a name to the bytes that each worker has under it. The layout is the same in
    every slot: sections in the order given, each begun on a cache line.
    """

    def __init__(self, workers: int, sections: Mapping[str, int]) -> None:
        """Make the memory, all zero bytes."""
        self._workers = workers
        self._layout: dict[str, tuple[int, int]] = {}
        end = 0
        for name, size in sections.items():
            self._layout[name] = (end, size)
            end += -(-size // _LINE) * _LINE
        self._slot = max(end, _LINE)
        self._memory = memoryview(mmap.mmap(-1, self._slot * workers))

    def own(self, name: str, worker: int) -> memoryview:
        """Give a worker's bytes of one section, for that worker to write."""
        start, size = self._layout[name]
        start += self._slot * worker
        return self._memory[start : start + size]

    def every(self, name: str) -> list[memoryview]:
        """Give all workers' bytes of one section, for any worker to read."""
        return [self.own(name, worker).toreadonly() for worker in range(self._workers)]

    def clear(self, worker: int) -> None:
        """Zero the slot of a worker that is dead; only the supervisor may."""
        start = self._slot * worker
        self._memory[start : start + self._slot] = bytes(self._slot)
