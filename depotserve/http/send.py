"""The one place where bytes move: an answer onto its connection, counted as they leave."""

from __future__ import annotations

import asyncio
import errno
import os
import time
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, BinaryIO

from .dates import format_date
from .exchange import Answer, Exchange, FileBody, Stream
from .refusal import REASONS

if TYPE_CHECKING:
    from .bandwidth import Bandwidth, Pace
    from .connection import Connection

__all__ = ["ContentChangedError", "Sender"]

# One read and one write of a body. 64 KiB was the fastest of 64 KiB to 1 MiB under TLS when
# this was measured (0.87 of bare TLS sockets; larger pieces 0.71 to 0.86), and it bounds what
# a slow reader makes the depot hold: one piece under way and one read ahead.
PIECE = 64 * 1024
# `sendfile` without TLS moves as much at a time; the file is looked at again between two.
SENDFILE_PIECE = 1024 * 1024
# The end of a stretch that is not left to the kernel: enough that the confirmations of what came
# before, which the last piece waits for, come while the rest of it is under way.
BY_HAND = 2 * PIECE

# The page cache's answer without waiting for the disk (preadv2(2)); a kernel or a file system
# that has no such thing says so with one of these.
_NO_WAIT = getattr(os, "RWF_NOWAIT", None)
_CANNOT_TELL = (errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL)
_NO_BODY = (204, 304)


class ContentChangedError(Exception):
    """The file changed in place while it was sent: what left is not one version of it."""


class Sender:
    """Sends answers; its threads read what the page cache does not hold."""

    def __init__(self, bandwidth: Bandwidth, threads: int = 8) -> None:
        self._bandwidth = bandwidth
        self._pool = ThreadPoolExecutor(threads, thread_name_prefix="read")

    def close(self) -> None:
        """Let the reading threads go."""
        self._pool.shutdown(wait=False)

    async def send(self, connection: Connection, exchange: Exchange, answer: Answer) -> None:
        """Send `answer`, adding up in `exchange` what left, and whether that was all.

        Raises `ConnectionError` when the client goes away, `ContentChangedError` and `OSError`
        when the file can't be sent to its end; the connection is to be closed then.
        """
        turns = _Turns(self._bandwidth, exchange, connection)
        try:
            await self._send(connection, exchange, answer, turns)
        finally:
            turns.end()
        exchange.outcome = "part" if answer.status == 206 else "whole"

    async def _send(
        self, connection: Connection, exchange: Exchange, answer: Answer, turns: _Turns
    ) -> None:
        head = head_bytes(exchange, answer)
        body = answer.body
        if exchange.method == "HEAD" or answer.status in _NO_BODY:
            await _send_bytes(connection, exchange, head, b"", turns)
        elif isinstance(body, bytes):
            await _send_bytes(connection, exchange, head, body, turns)
        elif isinstance(body, Stream):
            await _send_stream(connection, exchange, head, body, turns)
        else:
            await self._send_file(connection, exchange, head, body, turns)

    async def _send_file(
        self,
        connection: Connection,
        exchange: Exchange,
        head: bytes,
        body: FileBody,
        turns: _Turns,
    ) -> None:
        connection.start_sending()
        large = body.length() > BY_HAND
        if large and connection.takes_files():
            await self._send_by_kernel(connection, exchange, head, body, turns)
        else:
            await self._send_by_pieces(connection, exchange, head, body, turns)

    async def _send_by_pieces(
        self,
        connection: Connection,
        exchange: Exchange,
        head: bytes,
        body: FileBody,
        turns: _Turns,
    ) -> None:
        """Read a piece while the one before it drains; head and first piece leave together."""
        ahead, in_flight = head, 0
        for part in body.parts:
            start, left = (0, len(part)) if isinstance(part, bytes) else part
            while left > 0:
                piece = (
                    part
                    if isinstance(part, bytes)
                    else await self._read(body.descriptor, start, turns.allowed(min(left, PIECE)))
                )
                _check_unchanged(body)
                if in_flight:
                    await connection.drained()
                    exchange.sent += in_flight
                await turns.take(len(piece))
                connection.write(ahead + piece if ahead else piece)
                ahead, in_flight = b"", len(piece)
                start, left = start + len(piece), left - len(piece)
        if ahead:
            connection.write(ahead)
        await connection.drained()
        exchange.sent += in_flight

    async def _send_by_kernel(
        self,
        connection: Connection,
        exchange: Exchange,
        head: bytes,
        body: FileBody,
        turns: _Turns,
    ) -> None:
        """Let the kernel send from the page cache, all but the end of each span.

        What it takes is not copied: a write to the file changes what waits to be sent, and what
        may have to be sent again. So the last bytes of the body are held back until all that the
        kernel took has arrived and the file was still the same then.
        """
        connection.write(head)
        held, mark = b"", 0
        # Opening a descriptor does not block.
        with open(body.descriptor, "rb", buffering=0, closefd=False) as file:  # noqa: ASYNC230
            for part in body.parts:
                start, left = (0, 0) if isinstance(part, bytes) else part
                while left > BY_HAND:
                    await _write(connection, exchange, held)
                    count = turns.allowed(min(left - BY_HAND, SENDFILE_PIECE))
                    await turns.take(count)
                    await self._warm(body.descriptor, start, count)
                    _check_unchanged(body)
                    sent = await _sendfile(connection, exchange, file, start, count)
                    held, mark = b"", connection.handed_over()
                    start, left = start + sent, left - sent
                if isinstance(part, bytes):
                    await _write(connection, exchange, held)
                    held = part
                while left > 0:
                    count = turns.allowed(min(left, PIECE))
                    piece = await self._read(body.descriptor, start, count)
                    await _write(connection, exchange, held)
                    await turns.take(len(piece))
                    held, start, left = piece, start + len(piece), left - len(piece)
        await connection.arrived(mark)
        _check_unchanged(body)
        await _write(connection, exchange, held)

    async def _read(self, descriptor: int, start: int, length: int) -> bytes:
        """Read up to `length` bytes at `start`, on the loop when the page cache has them."""
        data = _read_cached(descriptor, start, length)
        if data is None:
            loop = asyncio.get_running_loop()
            data = await loop.run_in_executor(self._pool, os.pread, descriptor, length, start)
        if not data:
            raise ContentChangedError
        return data

    async def _warm(self, descriptor: int, start: int, length: int) -> None:
        """Bring a stretch of a file into the page cache, off the loop if it is not there."""
        # The kernel reads ahead of the front and evicts at the back, so the two ends tell.
        ends = (_read_cached(descriptor, at, 1) for at in (start, start + length - 1))
        if all(data is not None for data in ends):
            return
        loop = asyncio.get_running_loop()
        await loop.run_in_executor(self._pool, os.pread, descriptor, length, start)


class _Turns:
    """One transfer's turns under the caps of the settings, as they are at each piece."""

    __slots__ = ("_bandwidth", "_connection", "_mount_url", "_pace")

    def __init__(self, bandwidth: Bandwidth, exchange: Exchange, connection: Connection) -> None:
        self._bandwidth = bandwidth
        self._connection = connection
        self._mount_url = None if exchange.tree is None else exchange.tree.mount.url
        self._pace: Pace | None = None

    def allowed(self, most: int) -> int:
        """Give the bytes that the next piece should have, at most `most`."""
        if self._pace is None:
            self._pace = self._bandwidth.begin(self._mount_url, self._connection.pace)
        return most if self._pace is None else self._pace.allowed(most)

    async def take(self, count: int) -> None:
        """Wait until `count` bytes may go."""
        if self._pace is not None:
            delay = self._pace.delay(count)
            if delay:
                self._connection.excuse(delay)
                await asyncio.sleep(delay)

    def end(self) -> None:
        """Give up the turns, and leave the connection's own pace to its next transfer."""
        if self._pace is not None:
            self._pace.end()
            self._connection.pace = self._pace


def _read_cached(descriptor: int, start: int, length: int) -> bytes | None:
    """Read without waiting for a disk; None when that can't be done here and now."""
    if _NO_WAIT is None:
        return None
    buffer = bytearray(length)
    try:
        count = os.preadv(descriptor, [buffer], start, _NO_WAIT)
    except BlockingIOError:
        return None
    except OSError as error:
        if error.errno in _CANNOT_TELL:
            return None
        raise
    return bytes(buffer[:count]) if count != length else bytes(buffer)


def _check_unchanged(body: FileBody) -> None:
    now, then = os.fstat(body.descriptor), body.status
    if now.st_size != then.st_size or now.st_mtime_ns != then.st_mtime_ns:
        raise ContentChangedError


async def _write(connection: Connection, exchange: Exchange, data: bytes) -> None:
    if data:
        connection.write(data)
        await connection.drained()
        exchange.sent += len(data)


async def _sendfile(
    connection: Connection, exchange: Exchange, file: BinaryIO, start: int, count: int
) -> int:
    """Let the kernel send a stretch, and count what of it left even when the client goes away."""
    file.seek(start)
    try:
        sent = await connection.sendfile(file, start, count)
    except OSError:
        # The loop leaves the file's position behind the last byte that went out.
        exchange.sent += file.tell() - start
        raise
    exchange.sent += sent
    if sent == 0:
        raise ContentChangedError
    return sent


async def _send_bytes(
    connection: Connection, exchange: Exchange, head: bytes, body: bytes, turns: _Turns
) -> None:
    connection.start_sending()
    while turns.allowed(len(body)) < len(body):
        piece, body = body[: turns.allowed(len(body))], body[turns.allowed(len(body)) :]
        await turns.take(len(piece))
        connection.write(head + piece)
        await connection.drained()
        exchange.sent, head = exchange.sent + len(piece), b""
    await turns.take(len(body))
    connection.write(head + body)
    await connection.drained()
    exchange.sent += len(body)


async def _send_stream(
    connection: Connection, exchange: Exchange, head: bytes, body: Stream, turns: _Turns
) -> None:
    """Send pieces as chunks (RFC 9112 §7.1), or bare to HTTP/1.0, whose end is the close."""
    connection.start_sending()
    chunked = exchange.version >= (1, 1)
    connection.write(head)
    async for piece in body.pieces:
        start = 0
        while start < len(piece):
            part = piece[start : start + turns.allowed(len(piece) - start)]
            start += len(part)
            await turns.take(len(part))
            connection.write(b"%x\r\n%b\r\n" % (len(part), part) if chunked else part)
            await connection.drained()
            exchange.sent += len(part)
    if chunked:
        connection.write(b"0\r\n\r\n")
    await connection.drained()


def head_bytes(exchange: Exchange, answer: Answer) -> bytes:
    """Write the status line and the fields, framing and connection options among them."""
    status = f"HTTP/1.1 {answer.status} {REASONS[answer.status]}"
    lines = [status, f"Date: {format_date(int(time.time()))}"]
    lines.extend(f"{name}: {value}" for name, value in answer.headers)
    lines.extend(_framing(exchange, answer))
    if answer.close:
        lines.append("Connection: close")
    elif exchange.version < (1, 1):
        lines.append("Connection: keep-alive")
    lines.append("\r\n")
    return "\r\n".join(lines).encode("latin-1")


def _framing(exchange: Exchange, answer: Answer) -> list[str]:
    """Give the field that tells where the body ends (RFC 9112 §6)."""
    if answer.status in _NO_BODY:
        return []
    body: bytes | FileBody | Stream = answer.body
    if isinstance(body, Stream):
        return ["Transfer-Encoding: chunked"] if exchange.version >= (1, 1) else []
    return [f"Content-Length: {len(body) if isinstance(body, bytes) else body.length()}"]
