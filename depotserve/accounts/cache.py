"""Credentials that were found right a short while ago, under a key that dies with the process."""

from __future__ import annotations

import hashlib
import secrets
import time
from collections import OrderedDict
from typing import Callable

import attrs

__all__ = ["Cache", "Right"]

SECONDS = 300.0  # forgotten so long after its last use
SIZE = 1024  # offers; two hundred bytes each


@attrs.define(slots=True, eq=False)
class Right:
    """What an offer that was found right belongs to."""

    name: str  # of the account
    stored: str  # the hash that it matches; while that is in force, it counts
    used: float  # seconds of the cache's clock


class Cache:
    """A bounded memory of verified credentials. It holds keyed digests, never a passphrase."""

    def __init__(
        self,
        clock: Callable[[], float] = time.monotonic,
        *,
        seconds: float = SECONDS,
        size: int = SIZE,
    ) -> None:
        self._clock = clock
        self._seconds = seconds
        self._size = size
        self._key = secrets.token_bytes(32)
        self._known: OrderedDict[bytes, Right] = OrderedDict()

    def tag(self, *parts: bytes) -> bytes:
        """Give the keyed BLAKE2b (RFC 7693 §2.9) of what is offered.

        Each part goes in with its length before it, so that no two offers share a message. An HMAC
        would say the same at five times the cost, which every request pays.
        """
        message = b"".join([len(part).to_bytes(8, "big") + part for part in parts])
        return hashlib.blake2b(message, key=self._key, digest_size=32).digest()

    def find(self, tag: bytes) -> Right | None:
        """Give whose it is and by which hash, if it was found right or used within the time.

        That is a use.
        """
        now = self._clock()
        known = self._known.get(tag)
        if known is None or now - known.used > self._seconds:
            return None
        known.used = now
        self._known.move_to_end(tag)
        return known

    def remember(self, tag: bytes, name: str, stored: str) -> None:
        """Note an offer that was found right; the longest unused one makes room for it."""
        now = self._clock()
        self._known[tag] = Right(name, stored, now)
        self._known.move_to_end(tag)
        while len(self._known) > self._size or self._is_stale(now):
            self._known.popitem(last=False)

    def _is_stale(self, now: float) -> bool:
        return now - next(iter(self._known.values())).used > self._seconds
