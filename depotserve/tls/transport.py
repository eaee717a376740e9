"""A server's side of TLS as an asyncio transport, over memory BIOs.

The event loop's own TLS keeps 64 KiB of its own behind what it calls written and a quarter of a
MiB for an idle connection. Here each write is encrypted at once and handed to the socket's
transport, so that "drained" means that the kernel has it, and all connections of a listener share
the memory for what arrives and for what was just encrypted.
"""

from __future__ import annotations

import asyncio
import contextlib
import ssl
from typing import Any, Callable, cast

import attrs

from depotserve.lingering import Lingering

__all__ = ["over_tls"]

_RECORD = 16384  # bytes; what one TLS record holds at most (RFC 8446 §5.1)
# Bytes that TLS itself may answer (to key updates, say) to a client that takes nothing meanwhile.
_OWN_WORDS = 16384


@attrs.frozen(eq=False)
class _Shared:
    """What the connections of one listener share.

    `received` and `sealed` are filled and emptied within one call of the loop. One that is a
    connection's own keeps what it grew to: 87 KiB after a large file. Requests are small, so
    more than a record at a time need not be received.
    """

    context: ssl.SSLContext
    make_protocol: Callable[[], asyncio.Protocol]
    handshake_seconds: float
    established: Callable[[asyncio.Transport], None] | None
    received: memoryview = attrs.Factory(lambda: memoryview(bytearray(_RECORD)))
    sealed: ssl.MemoryBIO = attrs.Factory(ssl.MemoryBIO)


def over_tls(
    context: ssl.SSLContext,
    make_protocol: Callable[[], asyncio.Protocol],
    handshake_seconds: float,
    established: Callable[[asyncio.Transport], None] | None = None,
) -> Callable[[], asyncio.BaseProtocol]:
    """Give a protocol factory for `loop.create_server` that puts TLS before `make_protocol`.

    `context` is asked for at each handshake. A client that has not ended its handshake within
    `handshake_seconds` is dropped; of each that has, `established` is told.
    """
    shared = _Shared(context, make_protocol, handshake_seconds, established)
    return lambda: _TlsTransport(shared)


class _TlsTransport(asyncio.Transport, asyncio.BufferedProtocol):
    """The protocol of a socket's transport and the transport of a protocol above TLS.

    Whatever calls `_tls` calls `_flush` before anything else can run: `sealed` is not this
    connection's own.
    """

    __slots__ = (
        "_closing",
        "_ended",
        "_half_closed",
        "_incoming",
        "_own_words",
        "_protocol",
        "_reading_paused",
        "_shared",
        "_stop_waiting",
        "_tls",
        "_wire",
    )

    def __init__(self, shared: _Shared) -> None:
        super().__init__()
        self._shared = shared
        self._protocol: asyncio.Protocol | None = None  # none until the handshake is done
        self._closing = False  # this side has ended, or will once all was written
        self._ended = self._half_closed = False  # the client's side has: in TLS, or its socket
        self._own_words = 0
        self._reading_paused = False

    # What the socket's transport calls.

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Begin to wait for a client's hello."""
        self._wire = cast("asyncio.Transport", transport)
        self._incoming = ssl.MemoryBIO()
        context, sealed = self._shared.context, self._shared.sealed
        self._tls = context.wrap_bio(self._incoming, sealed, server_side=True)
        loop = asyncio.get_running_loop()
        timer = loop.call_later(self._shared.handshake_seconds, self.abort)
        self._stop_waiting: Callable[[], None] = timer.cancel

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
        self._stop_waiting()
        protocol, self._protocol = self._protocol, None  # no cycle keeps TLS's memory
        if protocol is not None:
            protocol.connection_lost(error)

    def pause_writing(self) -> None:
        """Hand the socket's back-pressure on; a handshake is too short to need any."""
        if self._protocol is None:
            self.abort()
        else:
            self._protocol.pause_writing()

    def resume_writing(self) -> None:
        """Hand the end of the back-pressure on."""
        self._own_words = 0  # the client has taken them
        if self._protocol is not None:
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
        """Encrypt `data` and hand it to the socket's transport; the caller may reuse its memory."""
        if self._closing:
            return
        view = memoryview(data)
        try:
            # The library takes a record at a time when it may write in part. A record sent on
            # its own costs a third more than four at once.
            while view:
                view = view[self._tls.write(view[:_RECORD]) :]
        except ssl.SSLError:
            self.abort()
        self._flush()

    def can_write_eof(self) -> bool:
        """Say no: the end of one side alone is not offered to the protocol."""
        return False

    def pause_reading(self) -> None:
        """Deliver nothing more until `resume_reading`."""
        self._reading_paused = True
        self._wire.pause_reading()

    def resume_reading(self) -> None:
        """Deliver again, also what came before."""
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
        if not self._closing:
            # An error says that the client's own closure alert is not there yet.
            with contextlib.suppress(ssl.SSLError, ValueError):
                self._tls.unwrap()
            self._end()

    def abort(self) -> None:
        """End the connection at once."""
        self._closing = True
        self._stop_waiting()
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
            self._end()
            return False
        self._flush()
        self._stop_waiting()
        if self._shared.established is not None:
            self._shared.established(self)
        self._protocol = self._shared.make_protocol()
        self._protocol.connection_made(self)
        return True

    def _deliver(self) -> None:
        """Decrypt and hand on what is there, as long as it is wanted."""
        protocol = cast("asyncio.Protocol", self._protocol)
        # To ask TLS in vain takes 4 of the 18 µs that a small answer takes here.
        while self._incoming.pending or self._tls.pending():
            if self._reading_paused or self._closing or self._ended:
                return
            data = self._read()
            if data:
                protocol.data_received(data)
            elif data is not None:
                self._end_input(protocol)

    def _read(self) -> bytes | None:
        """Decrypt up to a record; give nothing at the end, None when no more is there."""
        try:
            return self._tls.read(_RECORD)
        except ssl.SSLWantReadError:
            return None
        except ssl.SSLZeroReturnError:
            return b""
        except ssl.SSLError:
            self._end()  # TLS has put what is wrong into an alert
            return None
        finally:
            if self._shared.sealed.pending:
                self._answer()

    def _answer(self) -> None:
        """Send what TLS itself answers (to key updates), if the client takes any of it."""
        waits = self._wire.get_write_buffer_size() > 0
        self._own_words = self._own_words + self._shared.sealed.pending if waits else 0
        if self._own_words > _OWN_WORDS:
            self.abort()
        self._flush()

    def _end_input(self, protocol: asyncio.Protocol) -> None:
        """Tell the protocol once that nothing more comes; go on only if it has yet to answer."""
        if not self._ended:
            self._ended = True
            if not protocol.eof_received():
                self.close()

    def _flush(self) -> None:
        """Take what was encrypted out of the shared memory, whatever becomes of it."""
        sealed = self._shared.sealed.read()
        if sealed and not self._wire.is_closing():
            self._wire.write(sealed)

    def _end(self) -> None:
        """Send the last that TLS has to say, and keep the socket until it has arrived."""
        self._closing = True
        self._flush()
        self._stop_waiting()
        lingering = Lingering(self._wire)
        self._stop_waiting = lingering.stop
        lingering.begin(half_closed=self._half_closed)
