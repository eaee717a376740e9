"""The one place where bytes move: an answer onto its connection, counted as they leave."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from .exchange import Answer, Exchange, FileBody, Stream
from .heads import BODILESS, head_bytes
from .outgoing import Outgoing, mount_url
from .reading import PIECE, Reader, read_cached

if TYPE_CHECKING:
    from .bandwidth import Bandwidth
    from .connection import Connection

__all__ = ["ContentChangedError", "Sender"]

# `sendfile` without TLS moves as much at a time; the file is looked at again between two. Of bare
# sockets' rate, 1 MiB reached 0.55, 4 MiB 0.94, 8 MiB 0.97 and 16 MiB no more.
_BY_KERNEL = 8 * 1024 * 1024
# The end of a stretch that is not left to the kernel: enough that the confirmations of what came
# before, which the last piece waits for, come while the rest of it is under way.
_BY_HAND = 128 * 1024
_AT_ONCE = 64 * 1024  # a body up to this leaves with its head, and with other clients' answers


class ContentChangedError(Exception):
    """The file changed in place while it was sent: what left is not one version of it."""


class Sender:
    """Sends answers, under the caps of `bandwidth`."""

    def __init__(self, bandwidth: Bandwidth) -> None:
        self._bandwidth = bandwidth
        self._reader = Reader()

    def close(self) -> None:
        """Let the reading threads go."""
        self._reader.close()

    async def send(self, connection: Connection, exchange: Exchange, answer: Answer) -> None:
        """Send `answer`, adding up in `exchange` what left, and whether that was all.

        Raises `ConnectionError` when the client goes away, `ContentChangedError` and `OSError`
        when the file can't be sent to its end; the connection is to be closed then.
        """
        head = head_bytes(exchange, answer, connection.limits.idle_seconds)
        connection.start_sending()
        small = _at_once(exchange, answer)
        pace = self._bandwidth.begin(mount_url(exchange), connection.pace) if small != b"" else None
        if small is not None and pace is None:
            connection.post(b"".join((head, small)))
            await connection.drained()
            exchange.sent += len(small)
        else:
            out = Outgoing(connection, exchange, head, self._bandwidth, pace)
            try:
                await self._send_body(connection, exchange, answer, out)
                await out.send_head()
                await out.settle()
            finally:
                out.end()
        exchange.outcome = "part" if answer.status == 206 else "whole"

    async def _send_body(
        self, connection: Connection, exchange: Exchange, answer: Answer, out: Outgoing
    ) -> None:
        body = answer.body
        if isinstance(body, bytes):
            await out.put(body)
        elif isinstance(body, Stream):
            await _send_stream(out, body, chunked=exchange.version >= (1, 1))
        elif body.length > _BY_HAND and connection.takes_files():
            await self._send_by_kernel(connection, body, out)
        else:
            await self._send_by_pieces(body, out)

    async def _send_by_pieces(self, body: FileBody, out: Outgoing) -> None:
        """Read a piece when the one before it has left: one is all that a slow reader holds."""
        source = self._reader.open(body.descriptor)
        for part in body.parts:
            if isinstance(part, bytes):
                await out.put(part)
                continue
            start, left = part
            while left > 0:
                count = await out.room(min(left, PIECE))
                piece = await source.read(start, count, left)
                _check_unchanged(body, len(piece))
                out.write(piece, counted=len(piece))
                start, left = start + len(piece), left - len(piece)

    async def _send_by_kernel(self, connection: Connection, body: FileBody, out: Outgoing) -> None:
        """Let the kernel send from the page cache, all but the end of each span.

        What it takes is not copied: a write to the file changes what waits to be sent, and what
        may have to be sent again. So the last bytes of the body are held back until all that the
        kernel took has arrived and the file was still the same then.
        """
        held, mark, source = b"", 0, self._reader.open(body.descriptor)
        # Opening a descriptor does not block.
        with open(body.descriptor, "rb", buffering=0, closefd=False) as file:  # noqa: ASYNC230
            for part in body.parts:
                start, left = (0, 0) if isinstance(part, bytes) else part
                while left > _BY_HAND:
                    await out.put(held)
                    most = min(left - _BY_HAND, _BY_KERNEL)
                    count = await source.warm(start, most, left)
                    count = await out.room(count)
                    _check_unchanged(body, count)
                    sent = await out.put_from(file, start, count)
                    _check_unchanged(body, sent)
                    held, mark = b"", connection.handed_over()
                    start, left = start + sent, left - sent
                if isinstance(part, bytes):
                    await out.put(held)
                    held = part
                while left > 0:
                    piece = await source.read(start, min(left, _BY_HAND // 2), left)
                    _check_unchanged(body, len(piece))
                    held, before = bytes(piece), held
                    await out.put(before)
                    start, left = start + len(piece), left - len(piece)
        await connection.arrived(mark)
        _check_unchanged(body, len(held))
        await out.put(held)


def _at_once(exchange: Exchange, answer: Answer) -> bytes | memoryview[int] | None:
    """Give a body that goes out with its head, or None: it is long, or the disk must be asked."""
    body = answer.body
    if exchange.method == "HEAD" or answer.status in BODILESS:
        return b""
    if isinstance(body, bytes):
        return body
    if isinstance(body, Stream) or body.length > _AT_ONCE or len(body.parts) > 1:
        return None
    part = body.parts[0]
    if isinstance(part, bytes) or part.length == 0:
        return b""
    data = read_cached(body.descriptor, part.start, part.length)
    if data is None or len(data) < part.length:
        return None
    _check_unchanged(body, len(data))
    return data


def _check_unchanged(body: FileBody, count: int) -> None:
    """Raise `ContentChangedError` if the file is another, or has no byte where there were some."""
    now, then = os.fstat(body.descriptor), body.status
    if not count or now.st_size != then.st_size or now.st_mtime_ns != then.st_mtime_ns:
        raise ContentChangedError


async def _send_stream(out: Outgoing, body: Stream, *, chunked: bool) -> None:
    """Send pieces as chunks (RFC 9112 §7.1), or bare to HTTP/1.0, whose end is the close."""
    async for piece in body.pieces:
        rest = piece
        while rest:
            count = await out.room(len(rest))
            some, rest = rest[:count], rest[count:]
            out.write(b"%x\r\n%b\r\n" % (count, some) if chunked else some, counted=count)
    if chunked:
        out.write(b"0\r\n\r\n", counted=0)
