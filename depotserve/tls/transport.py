"""A server's side of TLS as an asyncio transport, over memory BIOs.

The event loop's own TLS keeps 64 KiB of its own behind what it calls written and a quarter of a
MiB for an idle connection. Here each write is encrypted at once and handed to the socket's
transport, so that "drained" means that the kernel has it, and all connections of a listener share
one buffer for what arrives.
"""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import ssl
import struct
import termios
from typing import TYPE_CHECKING, Any, Callable, cast

import attrs

if TYPE_CHECKING:
    import socket
    from collections.abc import Iterable

__all__ = ["over_tls"]

_RECORD = 16384  # bytes; what one TLS record holds at most (RFC 8446 §5.1)
_RECEIVE = 65536  # bytes; read from the socket at a time
# A connection that was ended here is read on, so that what the client still sends does not make
# the kernel reset it and lose the last bytes (compare RFC 9112 §9.6): for so many seconds after it
# has confirmed all, and for so many looks of that length during which it takes nothing more.
_LINGER, _LOOKS = 2.0, 15
# Bytes that TLS itself may answer (to key updates, say) to a client that takes nothing meanwhile.
_OWN_WORDS = 16384


@attrs.frozen(eq=False)
class _Shared:
    """What the connections of one listener share."""

    context: ssl.SSLContext
    make_protocol: Callable[[], asyncio.Protocol]
    handshake_seconds: float
    received: memoryview  # filled and emptied within one call of the loop


def over_tls(
    context: ssl.SSLContext,
    make_protocol: Callable[[], asyncio.Protocol],
    handshake_seconds: float,
) -> Callable[[], asyncio.BaseProtocol]:
    """Give a protocol factory for `loop.create_server` that puts TLS before `make_protocol`.

    `context` is asked for at each handshake. A client that has not ended its handshake within
    `handshake_seconds` is dropped.
    """
    received = memoryview(bytearray(_RECEIVE))
    shared = _Shared(context, make_protocol, handshake_seconds, received)
    return lambda: _TlsTransport(shared)


class _TlsTransport(asyncio.Transport, asyncio.BufferedProtocol):
    """The protocol of a socket's transport and the transport of a protocol above TLS."""

    __slots__ = (
        "_closing",
        "_ended",
        "_half_closed",
        "_incoming",
        "_outgoing",
        "_own_words",
        "_protocol",
        "_reading_paused",
        "_shared",
        "_timer",
        "_tls",
        "_wire",
        "_writing_paused",
    )

    def __init__(self, shared: _Shared) -> None:
        super().__init__()
        self._shared = shared
        self._protocol: asyncio.Protocol | None = None  # none until the handshake is done
        self._timer: asyncio.TimerHandle | None = None
        self._closing = False  # this side has ended, or will once all was written
        self._ended = self._half_closed = False  # the client's side has: in TLS, or its socket
        self._own_words = 0
        self._reading_paused = self._writing_paused = False

    # What the socket's transport calls.

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Begin to wait for a client's hello."""
        self._wire = cast("asyncio.Transport", transport)
        self._incoming, self._outgoing = ssl.MemoryBIO(), ssl.MemoryBIO()
        context = self._shared.context
        self._tls = context.wrap_bio(self._incoming, self._outgoing, server_side=True)
        loop = asyncio.get_running_loop()
        self._timer = loop.call_later(self._shared.handshake_seconds, self.abort)

    def get_buffer(self, _size_hint: int) -> memoryview:
        """Lend the shared buffer."""
        return self._shared.received

    def buffer_updated(self, count: int) -> None:
        """Take in what arrived; what follows the end of either side is dropped."""
        if self._closing or self._ended:
            return
        self._incoming.write(self._shared.received[:count])
        if self._protocol is not None or self._has_shaken_hands():
            self._deliver()

    def eof_received(self) -> bool:
        """Hand the end of the client's side on; tell whether to keep the socket for an answer."""
        if self._protocol is None or self._closing:
            return False
        self._half_closed = True
        self._end_input(self._protocol)
        return not self._closing

    def connection_lost(self, error: Exception | None) -> None:
        """Tell the protocol, if the handshake had got so far."""
        self._closing = True
        self._stop_timer()
        protocol, self._protocol = self._protocol, None  # no cycle keeps TLS's memory
        if protocol is not None:
            protocol.connection_lost(error)

    def pause_writing(self) -> None:
        """Hand the socket's back-pressure on."""
        if self._protocol is not None:
            self._writing_paused = True
            self._protocol.pause_writing()

    def resume_writing(self) -> None:
        """Hand the end of the back-pressure on."""
        if self._protocol is not None and self._writing_paused:
            self._writing_paused = False
            self._protocol.resume_writing()

    # What the protocol calls.

    def get_extra_info(self, name: str, default: Any = None) -> Any:  # noqa: ANN401 - asyncio's own
        """Give what is known of the connection; `sslcontext` and `ssl_object` tell of TLS."""
        if name == "ssl_object":
            return self._tls
        if name == "sslcontext":
            return self._shared.context
        return self._wire.get_extra_info(name, default)

    def set_protocol(self, protocol: asyncio.BaseProtocol) -> None:
        """Put another protocol above TLS."""
        self._protocol = cast("asyncio.Protocol", protocol)

    def get_protocol(self) -> asyncio.BaseProtocol:
        """Give the protocol above TLS."""
        return cast("asyncio.BaseProtocol", self._protocol)

    def set_write_buffer_limits(self, high: int | None = None, low: int | None = None) -> None:
        """Set when the protocol is told to pause; nothing is kept above the socket's transport."""
        self._wire.set_write_buffer_limits(high, low)

    def get_write_buffer_size(self) -> int:
        """Give the bytes that the kernel has not taken yet."""
        return self._wire.get_write_buffer_size()

    def write(self, data: bytes | bytearray | memoryview[int]) -> None:
        """Encrypt `data` and hand it to the socket's transport."""
        if self._closing:
            return
        view = memoryview(data)
        try:
            # The library takes a record at a time when it may write in part.
            while view:
                view = view[self._tls.write(view[:_RECORD]) :]
        except ssl.SSLError:
            self.abort()
            return
        self._flush()

    def writelines(self, list_of_data: Iterable[bytes | bytearray | memoryview[int]]) -> None:
        """Write all pieces as one."""
        self.write(b"".join(list_of_data))

    def can_write_eof(self) -> bool:
        """Say no: the end of one side alone is not offered to the protocol."""
        return False

    def pause_reading(self) -> None:
        """Deliver nothing more until `resume_reading`."""
        self._reading_paused = True
        self._wire.pause_reading()

    def resume_reading(self) -> None:
        """Deliver again, also what was decrypted before."""
        self._reading_paused = False
        if not self._closing:
            self._wire.resume_reading()
            asyncio.get_running_loop().call_soon(self._deliver)

    def is_reading(self) -> bool:
        """Tell whether data are delivered."""
        return not self._reading_paused and not self._closing

    def is_closing(self) -> bool:
        """Tell whether the connection is ended or ending."""
        return self._closing or self._wire.is_closing()

    def close(self) -> None:
        """End this side (RFC 8446 §6.1) once all was written, without waiting for the other's."""
        if self._closing:
            return
        self._closing = True
        # An error says that the client's own closure alert is not there yet.
        with contextlib.suppress(ssl.SSLError, ValueError):
            self._tls.unwrap()
        self._flush()
        self._linger()

    def abort(self) -> None:
        """End the connection at once."""
        self._closing = True
        self._stop_timer()
        self._wire.abort()

    # Between the two.

    def _has_shaken_hands(self) -> bool:
        """Go on with the handshake; tell whether it is done."""
        try:
            self._tls.do_handshake()
        except ssl.SSLWantReadError:
            self._flush()
            return False
        except (ssl.SSLError, ssl.CertificateError):
            self._fail()
            return False
        self._flush()
        self._stop_timer()
        self._protocol = self._shared.make_protocol()
        self._protocol.connection_made(self)
        return True

    def _deliver(self) -> None:
        """Decrypt and hand on what is there, and answer what TLS itself asks (key updates)."""
        protocol = cast("asyncio.Protocol", self._protocol)
        while not (self._reading_paused or self._closing or self._ended):
            try:
                data = self._tls.read(_RECEIVE)
            except ssl.SSLWantReadError:
                break
            except ssl.SSLZeroReturnError:
                data = b""
            except ssl.SSLError:
                self._fail()
                return
            if data:
                protocol.data_received(data)
            else:
                self._end_input(protocol)
        self._bound_own_words()
        self._flush()

    def _end_input(self, protocol: asyncio.Protocol) -> None:
        """Tell the protocol once that nothing more comes; go on only if it has yet to answer."""
        if not self._ended:
            self._ended = True
            if not protocol.eof_received():
                self.close()

    def _bound_own_words(self) -> None:
        """Drop a client that has TLS answer again and again and takes nothing of it."""
        waits = self._wire.get_write_buffer_size() > 0
        self._own_words = self._own_words + self._outgoing.pending if waits else 0
        if self._own_words > _OWN_WORDS:
            self.abort()

    def _flush(self) -> None:
        if self._outgoing.pending and not self._wire.is_closing():
            self._wire.write(self._outgoing.read())

    def _fail(self) -> None:
        """Say what is wrong in an alert, if TLS has one, and end the connection."""
        self._closing = True
        self._flush()
        self._linger()

    def _linger(self) -> None:
        """End the socket's writing side when it is empty, and read on until the client ends."""
        self._stop_timer()
        if self._wire.is_closing():
            return
        try:
            if self._half_closed:
                self._wire.close()
            else:
                self._wire.resume_reading()
                self._wire.write_eof()
        except OSError:  # the client has reset the connection; the loop is about to learn of it
            self._wire.abort()
            return
        self._look(-1, 0)

    def _look(self, before: int, looks: int) -> None:
        """Let go of the socket when nothing has happened for long enough, else look again."""
        waiting = self._wire.get_write_buffer_size()
        waiting += _bytes_unconfirmed(self._wire.get_extra_info("socket"))
        looks = looks + 1 if waiting == before else 0
        if looks > (_LOOKS if waiting else 0):
            self._wire.abort()
            return
        loop = asyncio.get_running_loop()
        self._timer = loop.call_later(_LINGER, self._look, waiting, looks)

    def _stop_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


def _bytes_unconfirmed(sock: socket.socket) -> int:
    """Count what the kernel has not seen confirmed (SIOCOUTQ of tcp(7)); 0 where it can't tell."""
    try:
        answer = fcntl.ioctl(sock.fileno(), termios.TIOCOUTQ, bytes(4))
    except OSError:
        return 0
    return int(struct.unpack("=i", answer)[0])
