"""The ceiling: a blocking loop, a thread a connection, `os.sendfile` or one buffer over TLS.

It knows no more of HTTP than a range of one file, and answers nothing but right requests.
"""

from __future__ import annotations

import os
import re
import socket
import ssl
import threading
from functools import partial
from typing import TYPE_CHECKING, Callable

from common import announce, listen, read_plan

if TYPE_CHECKING:
    from common import Plan

# The fastest of 64 KiB to 1 MiB here: it and the cipher text stay in the second-level cache.
PIECE = 256 * 1024
_MOST = 1 << 30  # bytes of one sendfile; the kernel takes at most 2 GiB
_TARGET = re.compile(rb"GET /(\S*) HTTP/1\.1\r\n")
_RANGE = re.compile(rb"\r\nRange: bytes=(\d+)-(\d+)\r\n", re.IGNORECASE)
_Send = Callable[[socket.socket, int, int, int], None]


def main() -> None:
    """Serve until ended."""
    plan, listener = read_plan(), listen()
    announce(listener)
    while True:
        connection, _ = listener.accept()
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        threading.Thread(target=_serve, args=(plan, connection), daemon=True).start()


def _serve(plan: Plan, connection: socket.socket) -> None:
    send: _Send = _by_kernel
    if plan.tls:
        connection = plan.tls.wrap_socket(connection, server_side=True)
        send = partial(_by_hand, bytearray(PIECE))
    with connection:
        while (request := _request(connection)) is not None:
            _answer(plan, connection, request, send)


def _request(connection: socket.socket) -> bytes | None:
    request = b""
    while not request.endswith(b"\r\n\r\n"):
        try:
            more = connection.recv(8192)
        except (ConnectionError, ssl.SSLError):
            return None
        if not more:
            return None
        request += more
    return request


def _answer(plan: Plan, connection: socket.socket, request: bytes, send: _Send) -> None:
    target = _TARGET.match(request)
    if target is None:
        return
    descriptor = os.open(plan.folder / os.fsdecode(target[1]), os.O_RDONLY)
    try:
        start, end = 0, os.fstat(descriptor).st_size
        wanted = _RANGE.search(request)
        if wanted:
            start, end = int(wanted[1]), int(wanted[2]) + 1
        status = b"206 Partial Content" if wanted else b"200 OK"
        connection.sendall(b"HTTP/1.1 %b\r\nContent-Length: %d\r\n\r\n" % (status, end - start))
        send(connection, descriptor, start, end)
    except OSError:
        return  # the client has gone; the next read says so too
    finally:
        os.close(descriptor)


def _by_kernel(connection: socket.socket, descriptor: int, start: int, end: int) -> None:
    while start < end:
        start += os.sendfile(connection.fileno(), descriptor, start, min(end - start, _MOST))


def _by_hand(
    buffer: bytearray, connection: socket.socket, descriptor: int, start: int, end: int
) -> None:
    view = memoryview(buffer)
    while start < end:
        count = os.preadv(descriptor, [view[: min(end - start, PIECE)]], start)
        connection.sendall(view[:count])
        start += count


if __name__ == "__main__":
    main()
