"""What the tests of sending share: ways into a depot, and a client that reads answer by answer."""

from __future__ import annotations

import contextlib
import select
import socket
import ssl
from typing import TYPE_CHECKING, Any

import attrs
import harness

if TYPE_CHECKING:
    from collections.abc import Iterator

SECONDS = 30.0  # what anything here may take at most on a busy machine
SMALL = 16384  # bytes; a receive buffer behind which little is under way unread
WAYS: dict[str, ssl.TLSVersion | None] = {
    "plain": None,
    "tls 1.2": ssl.TLSVersion.TLSv1_2,
    "tls 1.3": ssl.TLSVersion.TLSv1_3,
}


@attrs.frozen
class Way:
    """One way into a depot: a port, and TLS or none."""

    port: int
    tls: ssl.SSLContext | None = None


def way_into(depot: harness.RunningDepot, name: str) -> Way:
    """Give one of WAYS into a depot that listens first without TLS, then with it."""
    version = WAYS[name]
    if version is None:
        return Way(depot.endpoints[0].port)
    context = depot.context()
    context.minimum_version = context.maximum_version = version
    return Way(depot.endpoints[1].port, context)


def kept(target: str, *fields: str, method: str = "GET") -> bytes:
    """Write a request of HTTP/1.1 that lets its connection stay; `fields` are whole lines."""
    request = harness.get(target, *fields, method=method)
    return request.replace(b"Connection: close\r\n", b"")


@contextlib.contextmanager
def client_on(
    way: Way, *, buffer: int = 0, segment: int = 0, address: str = ""
) -> Iterator[Client]:
    """Connect by `way`.

    `buffer` makes the receive buffer so many bytes, `segment` a packet's most, which are many on
    loopback; `address` is where the client comes from.
    """
    with connected(way, buffer=buffer, segment=segment, address=address) as plain:
        if way.tls is None:
            yield Client(plain)
            return
        with way.tls.wrap_socket(
            plain, server_hostname="localhost", suppress_ragged_eofs=False
        ) as secure:
            yield Client(secure)


@contextlib.contextmanager
def connected(
    way: Way, *, buffer: int = 0, segment: int = 0, address: str = ""
) -> Iterator[socket.socket]:
    """Connect without TLS, whatever the way; otherwise as `client_on`."""
    with socket.socket() as plain:
        if buffer:
            plain.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, buffer)
        if segment:
            plain.setsockopt(socket.IPPROTO_TCP, socket.TCP_MAXSEG, segment)
        plain.settimeout(SECONDS)
        plain.bind((address, 0))
        plain.connect(("127.0.0.1", way.port))
        plain.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        yield plain


class Client:
    """A client that takes exactly one answer at a time, by its framing (RFC 9112 §6.3).

    `connection` is a socket or a Wire; `received` is what came before.
    """

    def __init__(self, connection: Any, received: bytes = b"") -> None:
        self.socket = connection
        self._received = bytearray(received)
        self._unsent: list[bytes] = []

    def send(self, data: bytes) -> None:
        """Send all."""
        self.socket.sendall(data)

    def send_meanwhile(self, data: bytes, length: int) -> None:
        """Send in pieces of `length`, as soon as they can go, while answers are taken."""
        self._unsent = [data[at : at + length] for at in range(0, len(data), length)]

    def ask(self, target: str, *fields: str, method: str = "GET") -> harness.Answer:
        """Put one request that lets the connection stay, and take its answer."""
        self.send(kept(target, *fields, method=method))
        return self.answer(method)

    def head(self) -> harness.Answer:
        """Take a status line and fields, and leave the body."""
        while b"\r\n\r\n" not in self._received:
            assert self._more(), f"ended within a head: {bytes(self._received[:200])!r}"
        return harness.answer(self._take(self._received.index(b"\r\n\r\n") + 4))

    def answer(self, method: str = "GET") -> harness.Answer:
        """Take one answer to a request of `method`."""
        got = self.head()
        return attrs.evolve(got, body=self._body(method, got))

    def _body(self, method: str, got: harness.Answer) -> bytes:
        length = got.get("content-length")
        if method == "HEAD" or got.status in {204, 304}:
            return b""
        if got.get("transfer-encoding"):
            return b"".join(iter(self._chunk, b""))
        return self.to_end()[0] if length is None else self.exactly(int(length))

    def exactly(self, count: int) -> bytes:
        """Take so many bytes."""
        while len(self._received) < count:
            assert self._more(), f"ended after {len(self._received)} of {count} bytes"
        return self._take(count)

    def some(self, most: int) -> bytes:
        """Take what one read gives."""
        return self._take(most) if self._received else self.socket.recv(most)

    def hurry(self) -> None:
        """Make a small receive buffer a large one."""
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)

    def _chunk(self) -> bytes:
        while b"\r\n" not in self._received:
            assert self._more(), "ended within a chunk's size"
        size = int(self._take(self._received.index(b"\r\n") + 2), 16)
        data = self.exactly(size)
        assert self.exactly(2) == b"\r\n"
        return data

    def to_end(self) -> tuple[bytes, str]:
        """Take all up to the end; tell whether that was an `end` or a `cut`.

        Under TLS an end needs its closure alert (RFC 8446 §6.1).
        """
        ending = "end"
        try:
            while self._more():
                pass
        except (ConnectionError, ssl.SSLError):
            ending = "cut"
        return self._take(len(self._received)), ending

    def _more(self) -> int:
        if self._unsent:
            self._send_what_can_go()
        piece = self.socket.recv(1 << 18)
        self._received += piece
        return len(piece)

    def _send_what_can_go(self) -> None:
        """Send pieces until they are gone or there is something to read.

        One thread does both: an SSL object must not be used by two.
        """
        self.socket.settimeout(0)
        ready = False
        while self._unsent and not ready:
            if not self._send_piece():
                ready = bool(select.select([self.socket], [self.socket], [], SECONDS)[0])
        self.socket.settimeout(SECONDS)

    def _send_piece(self) -> bool:
        try:
            sent = self.socket.send(self._unsent[0])
        except (BlockingIOError, ssl.SSLWantWriteError):
            return False
        self._unsent[:1] = [self._unsent[0][sent:]] if sent < len(self._unsent[0]) else []
        return True

    def _take(self, count: int) -> bytes:
        data = bytes(self._received[:count])
        del self._received[:count]
        return data


class Wire:
    """A client that decides itself which bytes go onto its socket and come off it, and when."""

    def __init__(self, connection: socket.socket, tls: ssl.SSLContext | None) -> None:
        self.socket = connection
        self._in, self._out = ssl.MemoryBIO(), ssl.MemoryBIO()
        bare = tls is None
        self._tls = None if bare else tls.wrap_bio(self._in, self._out, server_hostname="localhost")

    def hello(self) -> bytes:
        """Go on with the handshake; give what the client says next, unsent."""
        assert self._tls
        with contextlib.suppress(ssl.SSLWantReadError):
            self._tls.do_handshake()
        return self._out.read()

    def shake_hands(self) -> None:
        """Shake hands, where there is TLS."""
        while self._tls:
            self.socket.sendall(self.hello())
            if self._tls.version():  # none until both have ended the handshake
                return
            self._in.write(self.socket.recv(1 << 16))

    def sealed(self, data: bytes) -> bytes:
        """Give `data` as it goes onto the wire, unsent."""
        if self._tls is None:
            return data
        self._tls.write(data)
        return self._out.read()

    def sendall(self, data: bytes) -> None:
        """Send at once."""
        self.socket.sendall(self.sealed(data))

    def recv(self, most: int) -> bytes:
        """Take pieces of at most `most` bytes off the wire until some can be read, or the end."""
        while data := self.socket.recv(most):
            if readable := self._opened(data):
                return readable
        return b""

    def take(self, most: int) -> bytes:
        """Take one piece of at most `most` bytes off the wire; give what can be read by it."""
        data = self.socket.recv(most)
        assert data, "ended"
        return self._opened(data)

    def _opened(self, data: bytes) -> bytes:
        if self._tls is None:
            return data
        self._in.write(data)
        readable = bytearray()
        with contextlib.suppress(ssl.SSLWantReadError):
            while piece := self._tls.read(1 << 16):
                readable += piece
        return bytes(readable)
