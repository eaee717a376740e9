"""A connection to a depot, plain or under TLS, every wait of which ends."""

from __future__ import annotations

import contextlib
import select
import socket
import ssl
import time
from enum import Enum
from typing import TYPE_CHECKING, Callable, TypeVar

if TYPE_CHECKING:
    from depotserve.probe.limits import Clock

__all__ = ["Channel", "Rest"]

_PIECE = 1 << 16
_RECORDED = 1 << 18  # bytes of a handshake that are kept; a chain on the wire has some thousands
_Given = TypeVar("_Given")


class Rest(Enum):
    """What a server does with a connection on which nothing is asked."""

    KEPT = "kept"
    ENDED = "ended"
    SPOKE = "spoke"  # it sent what nobody had asked for


class Channel:
    """One TCP connection, and TLS over it once `secure` was called.

    TLS works on memory here, so that what came as it came can be looked at: an alert, another
    protocol, the certificates of TLS 1.2. `allow` says until when all that follows may take;
    then TimeoutError is raised. Other errors are OSError, of which ssl.SSLError is one.
    """

    def __init__(self, address: tuple[str, int], clock: Clock, seconds: float) -> None:
        """Connect to an IP address and port within some seconds."""
        self._clock = clock
        self._until = clock.until(seconds)
        self._in, self._out = ssl.MemoryBIO(), ssl.MemoryBIO()
        self.tls: ssl.SSLObject | None = None
        self.recorded = bytearray()  # the first bytes of the server's handshake, as they came
        self._socket = _in_time(lambda: socket.create_connection(address, timeout=self._rest()))
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def allow(self, seconds: float) -> None:
        """Let what follows take this long, all in all, and no longer than the probe has left."""
        self._until = self._clock.until(seconds)

    def secure(self, context: ssl.SSLContext, host: str) -> None:
        """Shake hands; raise ssl.SSLError, or SSLCertVerificationError if `context` verifies."""
        self.tls = context.wrap_bio(self._in, self._out, server_hostname=host)
        self._pump(self.tls.do_handshake)

    def send(self, data: bytes) -> None:
        """Send all of it."""
        if self.tls is None:
            self._send(data)
        else:
            tls = self.tls
            self._pump(lambda: tls.write(data))

    def receive(self) -> bytes:
        """Give what comes next; nothing once the server has ended."""
        if self.tls is None:
            return self._receive()
        tls = self.tls
        try:
            return self._pump(lambda: tls.read(_PIECE))
        except (ssl.SSLZeroReturnError, ssl.SSLEOFError):
            return b""

    def watch(self, seconds: float) -> Rest:
        """Watch a connection at rest; tell what the server does with it in this time."""
        self.allow(seconds + 1.0)
        end = time.monotonic() + seconds
        while (rest := end - time.monotonic()) > 0:
            if not select.select([self._socket], [], [], rest)[0]:
                break
            data = _or_nothing(self._receive)
            if not data:
                return Rest.ENDED
            if self.tls is None:
                return Rest.SPOKE
            self._in.write(data)
            done = self._done_by(self.tls)
            if done is not Rest.KEPT:
                return done
        return Rest.KEPT

    def close(self) -> None:
        """End the connection."""
        self._socket.close()

    @staticmethod
    def _done_by(tls: ssl.SSLObject) -> Rest:
        """Tell what records say that have come: tickets, the notice of the end, or data."""
        try:
            return Rest.SPOKE if tls.read(1) else Rest.ENDED
        except ssl.SSLWantReadError:
            return Rest.KEPT
        except ssl.SSLError:
            return Rest.ENDED

    def _pump(self, step: Callable[[], _Given]) -> _Given:
        """Let TLS take a step, bringing it what it waits for and sending what it has to say."""
        while not (given := self._step(step)):
            self._feed()
        return given[0]

    def _step(self, step: Callable[[], _Given]) -> tuple[_Given] | None:
        """Give what a step gave; None if it waits for more from the server."""
        try:
            given = step()
        except ssl.SSLWantReadError:
            self._flush()
            return None
        except ssl.SSLError:
            with contextlib.suppress(OSError):
                self._flush()  # the alert
            raise
        self._flush()
        return (given,)

    def _feed(self) -> None:
        data = self._receive()
        if not data:
            self._in.write_eof()
            return
        self._in.write(data)
        if len(self.recorded) < _RECORDED:
            self.recorded += data

    def _flush(self) -> None:
        data = self._out.read()
        if data:
            self._send(data)

    def _send(self, data: bytes) -> None:
        self._socket.settimeout(self._rest())
        _in_time(lambda: self._socket.sendall(data))

    def _receive(self) -> bytes:
        self._socket.settimeout(self._rest())
        return _in_time(lambda: self._socket.recv(_PIECE))

    def _rest(self) -> float:
        rest = self._until - time.monotonic()
        if rest <= 0:
            raise TimeoutError
        return rest


def _in_time(wait: Callable[[], _Given]) -> _Given:
    """Call what may time out; Python 3.9 knows two errors for that."""
    try:
        return wait()
    except socket.timeout:
        raise TimeoutError from None


def _or_nothing(receive: Callable[[], bytes]) -> bytes:
    try:
        return receive()
    except OSError:
        return b""
