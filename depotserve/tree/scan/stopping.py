"""The end of work that waits: what is under way is cut short from another thread."""

from __future__ import annotations

import contextlib
import threading
from typing import TYPE_CHECKING, Callable

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["StoppedError", "Stopping"]


class StoppedError(Exception):
    """The work was stopped before it was done."""


class Stopping:
    """Knows how to cut short whatever is under way."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._ends: dict[int, Callable[[], None]] = {}
        self._last = 0
        self._stopped = False

    @contextlib.contextmanager
    def cut_by(self, end: Callable[[], None]) -> Iterator[None]:
        """Let `stop` call `end` as long as the block runs. Raises StoppedError after `stop`.

        `end` must not wait. Once the block is left it is not called any more.
        """
        with self._lock:
            self._refuse()
            self._last += 1
            key = self._last
            self._ends[key] = end
        try:
            yield
        finally:
            with self._lock:
                del self._ends[key]

    def check(self) -> None:
        """Raise StoppedError after `stop`."""
        with self._lock:
            self._refuse()

    def stop(self) -> None:
        """Cut short what is under way, and refuse what would begin."""
        with self._lock:
            self._stopped = True
            for end in self._ends.values():
                end()

    def _refuse(self) -> None:
        if self._stopped:
            raise StoppedError
