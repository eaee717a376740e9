"""What the tests of the TLS transport share: a small server over it, and a client on bare BIOs."""

from __future__ import annotations

import asyncio
import contextlib
import queue
import socket
import ssl
import struct
import threading
import time
from typing import TYPE_CHECKING, Any, Callable

import attrs
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA384
from cryptography.hazmat.primitives.kdf.hkdf import HKDFExpand

from depotserve import tls

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

ANCHOR = tls.authority.create("localhost")
SECONDS = 30.0  # what anything here may take at most on a busy machine
VERSIONS = [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3]
_SMALL = 16384  # bytes; a receive buffer behind which little is under way unread
_RESET_ON_CLOSE = struct.pack("ii", 1, 0)  # struct linger of socket(7)


class Talker(asyncio.Protocol):
    """Note all that a transport says; `answer` does what a test wants with what comes."""

    def __init__(self, answer: Callable[[Talker, bytes], object], *, stays: bool = False) -> None:
        self.answer = answer
        self.stays = stays  # whether it still has something to say when the client has ended
        self.events: list[str] = []
        self.received = bytearray()
        self.lost = threading.Event()
        self.transport: Any = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport."""
        self.events.append("made")
        self.transport = transport

    def data_received(self, data: bytes) -> None:
        """Keep and answer."""
        self.received += data
        self.answer(self, data)

    def eof_received(self) -> bool:
        """Note the end of the client's side."""
        self.events.append("eof")
        return self.stays

    def pause_writing(self) -> None:
        """Note back-pressure."""
        self.events.append("pause")

    def resume_writing(self) -> None:
        """Note its end."""
        self.events.append("resume")

    def connection_lost(self, _error: Exception | None) -> None:
        """Note the end."""
        self.events.append("lost")
        self.lost.set()


def echo(talker: Talker, data: bytes) -> None:
    """Send back what came."""
    talker.transport.write(data)


@attrs.define
class Served:
    """A server in a thread of its own."""

    port: int
    loop: asyncio.AbstractEventLoop
    talkers: list[Talker]
    faults: list[dict[str, Any]]
    sockets: list[Any] = attrs.Factory(list)  # of all connections, with a handshake or without

    def run(self, function: Callable[..., Any], *arguments: Any) -> Any:
        """Call a function in the loop and give what it gives."""

        async def call() -> Any:
            return function(*arguments)

        return asyncio.run_coroutine_threadsafe(call(), self.loop).result(SECONDS)

    def talker(self, number: int = 0) -> Talker:
        """Wait for a connection that has shaken hands."""
        wait_for(lambda: len(self.talkers) > number)
        return self.talkers[number]


@contextlib.contextmanager
def served(
    answer: Callable[[Talker, bytes], object] = echo,
    *,
    stays: bool = False,
    handshake_seconds: float = SECONDS,
) -> Iterator[Served]:
    """Serve over the transport; at the end every connection must be lost, once, without a fault."""
    pair = tls.issue(ANCHOR, ["localhost", "127.0.0.1"])
    context = tls.ServerContext(pair.certificate, pair.key).of("modern")
    ready: queue.Queue[tuple[Served, asyncio.Event]] = queue.Queue()

    async def serve() -> None:
        loop, ended = asyncio.get_running_loop(), asyncio.Event()
        here = Served(0, loop, [], [])

        def make() -> Talker:
            here.talkers.append(Talker(answer, stays=stays))
            return here.talkers[-1]

        loop.set_exception_handler(lambda _loop, fault: here.faults.append(fault))
        factory = tls.over_tls(context, make, handshake_seconds)
        server = await loop.create_server(lambda: _noting(factory(), here), "127.0.0.1", 0)
        here.port = server.sockets[0].getsockname()[1]
        ready.put((here, ended))
        await ended.wait()
        server.close()

    thread = threading.Thread(target=asyncio.run, args=(serve(),))
    thread.start()
    here, ended = ready.get(timeout=SECONDS)
    try:
        yield here
        wait_for(lambda: all(talker.lost.is_set() for talker in here.talkers))
        wait_for(lambda: all(each.fileno() < 0 for each in here.sockets))
        assert all(talker.events.count("lost") == 1 for talker in here.talkers)
        assert all(talker.events.count("eof") <= 1 for talker in here.talkers)
        assert not here.faults
    finally:
        here.loop.call_soon_threadsafe(ended.set)
        thread.join()


def _noting(protocol: asyncio.BaseProtocol, here: Served) -> asyncio.BaseProtocol:
    """Note the socket that `protocol` is given."""

    class Noting(type(protocol)):  # type: ignore[misc]
        __slots__ = ()

        def connection_made(self, transport: asyncio.BaseTransport) -> None:
            here.sockets.append(transport.get_extra_info("socket"))
            super().connection_made(transport)

    protocol.__class__ = Noting
    return protocol


def wait_for(truth: Callable[[], object], *, seconds: float = SECONDS) -> None:
    """Wait until `truth` says so; fail the test when it has not within `seconds`."""
    deadline = time.monotonic() + seconds
    while not truth():
        assert time.monotonic() < deadline, truth
        time.sleep(0.02)


def client_context(
    newest: ssl.TLSVersion = ssl.TLSVersion.TLSv1_3, *, protocols: Sequence[str] = ()
) -> ssl.SSLContext:
    """Give a client's context that believes any server."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    context.maximum_version = newest
    if protocols:
        context.set_alpn_protocols([*protocols])
    return context


class Client:
    """A client of TLS that decides itself which bytes go into which segment.

    `small` gives it a small receive buffer.
    """

    def __init__(
        self,
        port: int,
        context: ssl.SSLContext | None = None,
        *,
        name: str | None = "localhost",
        session: ssl.SSLSession | None = None,
        small: bool = False,
    ) -> None:
        self.socket = socket.socket()
        if small:
            self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _SMALL)
        self.socket.settimeout(SECONDS)
        self.socket.connect(("127.0.0.1", port))
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._in, self._out = ssl.MemoryBIO(), ssl.MemoryBIO()
        self.tls = (context or client_context()).wrap_bio(
            self._in, self._out, server_hostname=name, session=session
        )

    def __enter__(self) -> Client:  # noqa: PYI034 - Self is younger than Python 3.9
        """Let the block shake hands or not."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the socket."""
        self.socket.close()

    def hello(self) -> bytes:
        """Give the first flight, unsent."""
        with contextlib.suppress(ssl.SSLWantReadError):
            self.tls.do_handshake()
        return self._out.read()

    def last_flight(self, send: Callable[[bytes], object] | None = None) -> bytes:
        """Shake hands up to what the client sends last; in TLS 1.2 a turn follows that."""
        send = send or self.socket.sendall
        send(self.hello())
        while True:
            self._in.write(self._receive())
            try:
                self.tls.do_handshake()
            except ssl.SSLWantReadError:
                flight = self._out.read()
                if flight:
                    send(flight)
            else:
                return self._out.read()

    def shake_hands(self, send: Callable[[bytes], object] | None = None) -> Client:
        """Shake hands whole."""
        (send or self.socket.sendall)(self.last_flight(send))
        return self

    def sealed(self, data: bytes) -> bytes:
        """Give one record of `data`, unsent."""
        self.tls.write(data)
        return self._out.read()

    def farewell(self) -> bytes:
        """Give the closure alert, unsent."""
        with contextlib.suppress(ssl.SSLError):
            self.tls.unwrap()
        return self._out.read()

    def send(self, data: bytes) -> None:
        """Send one record."""
        self.socket.sendall(self.sealed(data))

    def dribble(self, data: bytes) -> None:
        """Send bytes one by one."""
        for octet in data:
            self.socket.sendall(bytes([octet]))

    def read(self) -> bytes:
        """Read some; nothing at the closure alert, EOFError at an end without one."""
        while True:
            with contextlib.suppress(ssl.SSLWantReadError):
                try:
                    return self.tls.read(1 << 16)
                except ssl.SSLZeroReturnError:
                    return b""
            self._in.write(self._receive())

    def read_exactly(self, count: int) -> bytes:
        """Read that many bytes."""
        received = bytearray()
        while len(received) < count:
            piece = self.read()
            assert piece, f"ended after {len(received)} of {count} bytes"
            received += piece
        assert len(received) == count
        return bytes(received)

    def read_to_end(self) -> tuple[bytes, str]:
        """Read until the end; tell how it came.

        `clean`: a closure alert, then the socket's end; `cut`: that without an alert; `reset`;
        `open`: a closure alert, and the socket goes on.
        """
        received = bytearray()
        try:
            while piece := self.read():
                received += piece
            return bytes(received), "clean" if self.has_socket_end() else "open"
        except EOFError:
            return bytes(received), "cut"
        except ConnectionError:
            return bytes(received), "reset"

    def has_socket_end(self) -> bool:
        """Tell whether the socket's end is next."""
        return self.socket.recv(1) == b""

    def reset(self) -> None:
        """End the connection by RST."""
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET_ON_CLOSE)
        self.socket.close()

    def _receive(self) -> bytes:
        data = self.socket.recv(1 << 16)
        if not data:
            raise EOFError
        return data


class Forger:
    """A TLS 1.3 client's side after the handshake, record by record (RFC 8446 §5.2, §7)."""

    def __init__(self, secrets: Path) -> None:
        rows = map(str.split, secrets.read_text().splitlines())
        labels = {words[0]: words[2] for words in rows}
        self._secret = bytes.fromhex(labels["CLIENT_TRAFFIC_SECRET_0"])
        self._number = 0

    def record(self, kind: int, content: bytes) -> bytes:
        """Seal `content` of a type; all records since the handshake must have come from here."""
        key, base = self._expand(b"key", 32), self._expand(b"iv", 12)
        nonce = (int.from_bytes(base, "big") ^ self._number).to_bytes(12, "big")
        self._number += 1
        head = b"\x17\x03\x03" + (len(content) + 1 + 16).to_bytes(2, "big")
        return head + AESGCM(key).encrypt(nonce, content + bytes([kind]), head)

    def data(self, content: bytes) -> bytes:
        """Seal data of the application."""
        return self.record(23, content)

    def key_update(self, *, requested: bool) -> bytes:
        """Change keys, and ask the other side for the same if wanted (§4.6.3)."""
        message = self.record(22, b"\x18\x00\x00\x01" + bytes([requested]))
        self._secret, self._number = self._expand(b"traffic upd", 48), 0
        return message

    def _expand(self, label: bytes, length: int) -> bytes:
        label = b"tls13 " + label
        info = length.to_bytes(2, "big") + bytes([len(label)]) + label + b"\0"
        return HKDFExpand(SHA384(), length, info).derive(self._secret)


def forging_context(secrets: Path) -> ssl.SSLContext:
    """Give a context for a client whose records `Forger` goes on with."""
    context = client_context()
    context.keylog_filename = str(secrets)
    return context
