"""How long work says how far it is."""

from __future__ import annotations

from typing import Protocol

__all__ = ["Progress", "Silent"]


class Progress(Protocol):
    """Told by a room how its work goes on; it decides what of that is shown."""

    def begin(self, what: str, files: int, size: int) -> None:
        """Begin a stage of so many files and bytes; 0 of either where that is not known."""

    def step(self, files: int, size: int) -> None:
        """Count so many more files and bytes."""


class Silent:
    """Shows nothing."""

    def begin(self, what: str, files: int, size: int) -> None:
        """Pass over it."""

    def step(self, files: int, size: int) -> None:
        """Pass over it."""
