"""Credentials that were found right a short while ago, under a key that dies with the process."""

from __future__ import annotations

import hmac
import secrets
import time
from collections import OrderedDict
from typing import Callable

__all__ = ["Cache"]

SECONDS = 300.0  # forgotten so long after its last use
SIZE = 1024  # credentials; a hundred bytes each


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
        self._last_use: OrderedDict[bytes, float] = OrderedDict()

    def tag(self, name: str, passphrase: bytes, stored: str) -> bytes:
        """Give the HMAC-SHA256 (RFC 2104) of a credential and the stored hash that it matches.

        Each part goes in with its length before it, so that no two credentials share a message.
        """
        parts = (name.encode("utf-8", "surrogatepass"), passphrase, stored.encode("ascii"))
        message = b"".join(len(part).to_bytes(8, "big") + part for part in parts)
        return hmac.digest(self._key, message, "sha256")

    def knows(self, tag: bytes) -> bool:
        """Tell whether the credential was found right or used within the time, and note its use."""
        now = self._clock()
        used = self._last_use.get(tag)
        if used is None or now - used > self._seconds:
            return False
        self._last_use[tag] = now
        self._last_use.move_to_end(tag)
        return True

    def remember(self, tag: bytes) -> None:
        """Note a credential that was found right; the longest unused one makes room for it."""
        now = self._clock()
        self._last_use[tag] = now
        self._last_use.move_to_end(tag)
        while len(self._last_use) > self._size or self._is_stale(now):
            self._last_use.popitem(last=False)

    def _is_stale(self, now: float) -> bool:
        return now - next(iter(self._last_use.values())) > self._seconds
