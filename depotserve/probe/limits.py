"""How long the probe waits and how much it reads: a server that is looked at may be hostile."""

from __future__ import annotations

import time

import attrs

__all__ = ["Clock", "Limits", "OutOfTimeError"]


@attrs.frozen(kw_only=True)
class Limits:
    """Seconds, each for one thing as a whole, however slowly it drips."""

    connect: float = 5.0  # a lost SYN is sent again after 1 and 3 s (RFC 6298)
    handshake: float = 10.0
    answer: float = 10.0  # a whole answer but for a file's
    file: float = 20.0
    rest: float = 1.0  # a connection lies idle this long before it is used again
    total: float = 90.0  # all checks together, besides measuring throughput


class OutOfTimeError(Exception):
    """The whole probe's time is over."""


class Clock:
    """The time that is left to the whole probe."""

    def __init__(self, total: float) -> None:
        self.total = total
        self._end = time.monotonic() + total

    def until(self, seconds: float) -> float:
        """Give the moment (monotonic) until which to wait; raise OutOfTimeError if none is left."""
        now = time.monotonic()
        if now >= self._end:
            raise OutOfTimeError
        return min(now + seconds, self._end)

    @property
    def is_over(self) -> bool:
        """Tell whether no time is left."""
        return time.monotonic() >= self._end
