"""What can go wrong, split by whose fault it is.

Errors carry fields; `cli.run` is the one place that turns them into words and an exit status.
"""

from __future__ import annotations

__all__ = ["CallerError", "ContentError", "DepotError", "SurroundingsError"]


class DepotError(Exception):
    """The base of every error that this package raises on purpose.

    `what` says in one sentence what is wrong; `where` names the file, line, path or port;
    `allowed` says what would be right. No field ever holds a secret.
    """

    exit_status = 2

    def __init__(self, what: str, *, where: str = "", allowed: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.allowed = allowed

    def __str__(self) -> str:
        """Give the one line that a person reads."""
        line = f"{self.where}: {self.what}" if self.where else self.what
        return f"{line}; {self.allowed}" if self.allowed else line


class CallerError(DepotError):
    """The caller's fault: wrong settings, a wrong argument, misuse."""


class ContentError(DepotError):
    """The content's fault: something was looked at and found wrong."""

    exit_status = 1


class SurroundingsError(DepotError):
    """The machine's fault: a taken port, a full disk, a missing right."""
