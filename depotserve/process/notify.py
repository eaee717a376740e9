"""Word to and from the service manager: sd_notify(3), sd_watchdog_enabled(3)."""

from __future__ import annotations

import logging
import socket
import time
from typing import TYPE_CHECKING

from depotserve.errors import CallerError

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["Notifier", "watchdog_seconds"]

_LOG = logging.getLogger(__name__)


class Notifier:
    """Tells a service manager how the depot is; does nothing where there is none."""

    def __init__(self, environ: Mapping[str, str], pid: int) -> None:
        """Read NOTIFY_SOCKET and WATCHDOG_*; raise CallerError if they make no sense."""
        self._address = _address(environ.get("NOTIFY_SOCKET", ""))
        self._interval = watchdog_seconds(environ, pid) / 2  # sd_watchdog_enabled(3): half of it
        self._due = 0.0

    def send(self, *assignments: str) -> None:
        """Send `KEY=VALUE` assignments in one datagram; a manager that is gone is no fault."""
        if not self._address:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as sender:
                sender.sendto("\n".join(assignments).encode(), self._address)
        except OSError as error:
            _LOG.warning("the service manager cannot be told: %s", error.strerror)

    def reloading(self) -> None:
        """Say that settings are read again; `READY=1` must follow."""
        self.send("RELOADING=1", f"MONOTONIC_USEC={time.monotonic_ns() // 1000}")

    def keep_alive(self, now: float) -> None:
        """Send the watchdog its sign of life when it is due; `now` is of the monotonic clock."""
        if self._interval and now >= self._due:
            self._due = now + self._interval
            self.send("WATCHDOG=1")


def watchdog_seconds(environ: Mapping[str, str], pid: int) -> float:
    """Give the time within which the manager wants a sign of life; 0 if it wants none.

    Raises CallerError if WATCHDOG_USEC is no positive number.
    """
    text = environ.get("WATCHDOG_USEC")
    if text is None or environ.get("WATCHDOG_PID", str(pid)) != str(pid):
        return 0.0
    if not (text.isascii() and text.isdigit() and int(text)):
        raise CallerError(f"{text[:20]!r} is no time", where="WATCHDOG_USEC")
    return int(text) / 1e6


def _address(text: str) -> str:
    """Give the address to send to: a path, or an abstract name, whose `@` stands for NUL."""
    if text.startswith("@"):
        return "\0" + text[1:]
    return text if text.startswith("/") else ""
