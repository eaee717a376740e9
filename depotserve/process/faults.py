"""What an event loop complains about, said in one line each and not too often."""

from __future__ import annotations

import errno
import logging
import resource
import time
import traceback
from contextlib import suppress
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Callable

__all__ = ["LoopFaults", "raise_descriptor_limit", "why_fewer_connections"]

_LOG = logging.getLogger(__name__)
_QUIET_SECONDS = 60.0  # a fault of one kind is told once in this time, with the number since
# A connection that is sent a file has two. A worker has some two dozen beside its connections.
_BY_CONNECTION, _OF_WORKER = 2, 32
_WANTED_DESCRIPTORS = _BY_CONNECTION * 65536 + _OF_WORKER  # for the most that settings may allow

_SHORTAGES = {
    errno.EMFILE: "no descriptor is left for a new connection (limit {limit}; LimitNOFILE= or"
    " ulimit -n raises it); new ones wait",
    errno.ENFILE: "the whole machine has no descriptor left; new connections wait",
    errno.ENOBUFS: "the machine has no memory for sockets left; new connections wait",
    errno.ENOMEM: "the machine has no memory left; new connections wait",
}


class LoopFaults:
    """An event loop's exception handler.

    At the limit of descriptors accepting pauses again and again, and each try that failed comes
    here, so the same fault is told once a minute. A client that went away is none.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        """Take a clock that never goes back, in seconds."""
        self._clock = clock
        self._told: dict[str, tuple[float, int]] = {}  # line -> when, how often since

    def __call__(self, _loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        """Log what the loop tells, unless it was told lately or is a client's affair."""
        fault = context.get("exception")
        number = getattr(fault, "errno", None)
        if number in _SHORTAGES:
            limit = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
            self._tell(logging.WARNING, _SHORTAGES[number].format(limit=limit))
        elif isinstance(fault, (OSError, EOFError)):
            _LOG.debug("%s: %s", context.get("message"), fault)
        else:
            self._tell(logging.ERROR, _describe(context, fault))

    def _tell(self, level: int, line: str) -> None:
        now = self._clock()
        when, since = self._told.get(line, (-_QUIET_SECONDS, 0))
        if now - when < _QUIET_SECONDS:
            self._told[line] = (when, since + 1)
            return
        self._told[line] = (now, 0)
        _LOG.log(level, "%s%s", line, f" ({since} times since last said)" if since else "")


def _describe(context: dict[str, Any], fault: BaseException | None) -> str:
    """Give one line with the place where an unexpected fault arose."""
    if fault is None:
        return str(context.get("message"))
    places = traceback.extract_tb(fault.__traceback__)
    place = f" at {places[-1].filename}:{places[-1].lineno}" if places else ""
    return f"{context.get('message')}: {type(fault).__name__}: {fault}{place}"


def raise_descriptor_limit() -> None:
    """Lift the soft limit of open descriptors to the hard one, within reason; never lower it."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = _WANTED_DESCRIPTORS if hard == resource.RLIM_INFINITY else hard
    wanted = min(wanted, _WANTED_DESCRIPTORS)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        with suppress(OSError, ValueError):  # a service's filter of system calls may forbid it
            resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))


def why_fewer_connections(wanted: int, workers: int) -> str:
    """Say how many connections the limit of descriptors leaves room for, if fewer than wanted."""
    limit = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
    possible = max(0, limit - _OF_WORKER) // _BY_CONNECTION * workers
    if limit == resource.RLIM_INFINITY or possible >= wanted:
        return ""
    return (
        f"limits.connections is {wanted}, but {limit} descriptors a process are enough for"
        f" {possible} (LimitNOFILE= or ulimit -n raises that); beyond, new ones wait"
    )
