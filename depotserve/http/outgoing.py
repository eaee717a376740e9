"""One answer's body on its way out: its turns under the caps, and the count of what left."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, BinaryIO

if TYPE_CHECKING:
    from .bandwidth import Bandwidth, Pace
    from .connection import Connection
    from .exchange import Exchange
    from .reading import Piece

__all__ = ["Outgoing", "mount_url"]

# A client that takes bytes as fast as they are read would keep the loop to itself: after so many,
# others have their turn.
_TURN = 512 * 1024


class Outgoing:
    """What goes out by one connection for one request. What is written counts once it has left.

    The head leaves with the first bytes of the body, unless a cap holds those back.
    """

    __slots__ = (
        "_bandwidth",
        "_connection",
        "_exchange",
        "_head",
        "_in_flight",
        "_pace",
        "_since_turn",
    )

    def __init__(
        self,
        connection: Connection,
        exchange: Exchange,
        head: bytes,
        bandwidth: Bandwidth,
        pace: Pace | None,
    ) -> None:
        self._head = head
        self._connection = connection
        self._exchange = exchange
        self._bandwidth = bandwidth
        self._pace = pace
        self._in_flight = 0
        self._since_turn = 0

    async def room(self, most: int) -> int:
        """Wait until more may go, and what was written has left; give how many bytes, up to `most`.

        Raises `ConnectionError` when the client is gone.
        """
        await self.settle()
        if self._pace is None:  # caps may have come into force since
            self._pace = self._bandwidth.begin(mount_url(self._exchange), self._connection.pace)
        if self._pace is None:
            return most
        count = self._pace.allowed(most)
        delay = self._pace.delay(count)
        if delay:
            await self.send_head()
            self._connection.excuse(delay)
            await asyncio.sleep(delay)
        return count

    def write(self, data: Piece, *, counted: int) -> None:
        """Write bytes, of which so many are the body's; raises `ConnectionError`."""
        if self._head:
            data, self._head = b"".join((self._head, data)), b""
        self._connection.write(data)
        self._in_flight += counted

    async def send_head(self) -> None:
        """Write the head if it has not been, and wait until it has left."""
        if self._head:
            self.write(b"", counted=0)
            await self.settle()

    async def put(self, data: bytes) -> None:
        """Write bytes of the body in the pieces that the caps allow."""
        while data:
            count = await self.room(len(data))
            self.write(data[:count], counted=count)
            data = data[count:]

    async def settle(self) -> None:
        """Wait until what was written has left, and count it."""
        self._since_turn += self._in_flight
        if self._since_turn >= _TURN:
            self._since_turn = 0
            await asyncio.sleep(0)
        await self._connection.drained()
        self._exchange.sent += self._in_flight
        self._in_flight = 0

    async def put_from(self, file: BinaryIO, start: int, count: int) -> int:
        """Have the kernel send a stretch of a file, and count what left even if the client goes.

        Gives how many bytes that was; fewer at the end of the file.
        """
        await self.send_head()
        await self.settle()
        file.seek(start)
        try:
            sent = await self._connection.sendfile(file, start, count)
        except OSError:
            # The loop leaves the file's position behind the last byte that went out.
            self._exchange.sent += file.tell() - start
            raise
        self._exchange.sent += sent
        return sent

    def end(self) -> None:
        """Give up the turns, and leave the connection's own pace to its next answer."""
        if self._pace is not None:
            self._pace.end()
            self._connection.pace = self._pace


def mount_url(exchange: Exchange) -> str | None:
    """Give the mount that an answer is from, by which caps know it; None for our own pages."""
    return None if exchange.tree is None else exchange.tree.mount.url
