"""One client's connection: its requests in, their answers out, one after the other, in bounds."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
import time
from typing import TYPE_CHECKING, Any, BinaryIO, Callable, cast

import attrs

from depotserve.lingering import Lingering, bytes_unconfirmed

from .address import client_address
from .arrival import bytes_acknowledged, bytes_handed_over, can_still_send
from .eagerly import run_eagerly
from .parsing import Head, HeadReader
from .refusal import Refusal

if TYPE_CHECKING:
    from collections.abc import Coroutine

    from depotserve.config import Limits, Listener

    from .bandwidth import Pace
    from .outbox import Outbox
    from .reading import Piece

__all__ = ["Connection", "ConnectionSettings"]

_RESET_ON_CLOSE = struct.pack("ii", 1, 0)  # struct linger: on, 0 seconds
# Looks for what a client has confirmed; then seconds between two, at first and at most.
_QUICK_LOOKS, _PAUSE, _LONGEST_PAUSE = 20, 0.002, 0.05
_MOST_AHEAD = 65536  # bytes that a client may send ahead of its answers before it is held
_TURN = 16  # requests that one connection is answered before others have their turn


@attrs.frozen(slots=True, eq=False)
class ConnectionSettings:
    """What the connections of a listener share.

    `answer` is called with a connection and a head, `refuse` with a connection and a refusal;
    both send an answer and tell whether the connection may be kept.
    """

    listener: Listener
    limits: Limits
    open: set[Connection]  # those that are open now
    outbox: Outbox
    surplus: bool  # their addresses have too many
    answer: Callable[[Connection, Head], Coroutine[Any, Any, bool]]
    refuse: Callable[[Connection, Refusal], Coroutine[Any, Any, bool]]


# What arrives is read into here by every connection in its turn, and taken out at once: a buffer
# for each read, as a plain protocol has it, costs more than the read.
_RECEIVED = memoryview(bytearray(65536))


class Connection(asyncio.BufferedProtocol, asyncio.Protocol):
    """A server's side of one connection, above a socket's transport or that of TLS.

    `busy` while a request is answered; `sending` while bytes of a body are under way.
    """

    __slots__ = (
        "_acknowledged",
        "_answered",
        "_asked_all",
        "_drained",
        "_ended",
        "_finishing",
        "_heads",
        "_held",
        "_is_lost",
        "_is_plain",
        "_lingering",
        "_moved",
        "_shared",
        "_since",
        "_transport",
        "_writing_paused",
        "address",
        "busy",
        "pace",
        "peer",
        "sending",
    )

    def __init__(self, shared: ConnectionSettings) -> None:
        self._shared = shared
        self._heads = HeadReader(shared.limits)
        self._since = time.monotonic()  # when the head that is waited for began, or the waiting
        self._lingering: Lingering | None = None
        self._drained: asyncio.Future[None] | None = None
        self._acknowledged = -1
        self._moved = 0.0
        self._answered = False  # a request, at least one
        self._held = False  # nothing is read until there are answers
        self._asked_all = False  # the client has ended its side
        self._finishing = False  # no request is taken after those that have come
        self._ended = False  # this side has ended: nothing more is answered
        self._is_lost = self._writing_paused = False
        self.busy = self.sending = False
        self.pace: Pace | None = None  # of the last answer under a cap

    # What the transport calls.

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Begin, with a write buffer that says "drained" only when it is empty."""
        self._transport = cast("asyncio.Transport", transport)
        self._transport.set_write_buffer_limits(high=0)
        self._is_plain = self._transport.get_extra_info("sslcontext") is None
        peer = self._transport.get_extra_info("peername")
        self.peer: str = peer[0] if isinstance(peer, tuple) else "unix"
        self.address = client_address(self.peer, None, ())
        self._shared.open.add(self)

    def connection_lost(self, _error: Exception | None) -> None:
        """Wake whoever waits for the client."""
        self._is_lost = self._ended = True
        self._shared.open.discard(self)
        if self._lingering is not None:
            self._lingering.stop()
        self._wake()

    def pause_writing(self) -> None:
        """Note that the client takes no more for now."""
        self._writing_paused = True

    def resume_writing(self) -> None:
        """Wake who waits for that."""
        self._writing_paused = False
        self._wake()

    def get_buffer(self, _size_hint: int) -> memoryview[int]:
        """Lend the shared buffer."""
        return _RECEIVED

    def buffer_updated(self, count: int) -> None:
        """Take in what was read into it."""
        self.data_received(bytes(_RECEIVED[:count]))

    def data_received(self, data: bytes) -> None:
        """Take bytes in, and answer what they ask for; what follows the end is dropped."""
        if self._ended:
            return
        had_begun = self._heads.begun
        self._heads.take(data)
        if not self.busy:
            self._go_on()
            if self._heads.begun and not had_begun and self._answered:
                self._since = time.monotonic()
        if self._heads.waiting > _MOST_AHEAD and not self._held:
            self._held = True
            self._transport.pause_reading()

    def eof_received(self) -> bool:
        """Keep a connection whose client has ended its side until it has its answers."""
        self._asked_all = True
        if not self.busy:
            self.close()  # with what waits in the outbox, and watched until the client has it
        return self.owes_an_answer()

    # Requests and answers in turn.

    def _go_on(self) -> None:
        """Answer what has come, up to an answer that has to wait."""
        for _ in range(_TURN):
            answer = self._next_answer()
            if answer is None:
                break
            begun = self._begin_answer(answer)
            if isinstance(begun, asyncio.Task):
                begun.add_done_callback(self._end_task)
                return
            self._end_answer(keep=begun)
        else:
            self.busy = True
            asyncio.get_running_loop().call_soon(self._take_turn)
            return
        self._maybe_release()

    def _begin_answer(self, answer: Coroutine[Any, Any, bool]) -> bool | asyncio.Task[bool]:
        self.busy = True
        try:
            return run_eagerly(answer)
        except Exception as error:  # noqa: BLE001 - a fault of ours must not leave a dead connection
            self._report(error)
            return False

    def _report(self, error: BaseException) -> None:
        context = {"message": "an answer failed", "exception": error}
        asyncio.get_running_loop().call_exception_handler(context)

    def _take_turn(self) -> None:
        self.busy = False
        if not self._ended:
            self._go_on()

    def _next_answer(self) -> Coroutine[Any, Any, bool] | None:
        """Begin the answer to the next request; None where none is due."""
        if self._ended:
            return None
        try:
            head = self._heads.next()
        except Refusal as refusal:
            return self._shared.refuse(self, refusal)
        if head is not None:
            return self._shared.answer(self, head)
        if self._finishing or self._asked_all:
            self.close()
        return None

    def _end_answer(self, *, keep: bool) -> None:
        self.busy = self.sending = False
        self._answered = True
        self._since = time.monotonic()
        if not keep:
            self.close()

    def _end_task(self, task: asyncio.Task[bool]) -> None:
        error = None if task.cancelled() else task.exception()
        if error is not None:
            self._report(error)
        failed = task.cancelled() or error is not None
        self._end_answer(keep=not failed and task.result())
        self._go_on()

    def _maybe_release(self) -> None:
        """Read on from a client that was held until it had its answers."""
        if self._held and not self._ended:
            self._held = False
            self._transport.resume_reading()

    # What the answers call.

    @property
    def is_surplus(self) -> bool:
        """Whether its address has too many connections, with this one."""
        return self._shared.surplus

    @property
    def listener(self) -> Listener:
        """The listener that this connection came in by."""
        return self._shared.listener

    @property
    def limits(self) -> Limits:
        """The limits that this connection keeps."""
        return self._shared.limits

    def asks_for_head(self) -> bool:
        """Tell whether a head that can't be parsed began as one of HEAD, whose answer is bare."""
        return self._heads.asks_for_head()

    def post(self, data: bytes) -> None:
        """Have a small answer sent in a moment; raises `ConnectionError` as `write` does."""
        self._check_open()
        self._shared.outbox.post(self._transport, data)

    def write(self, data: Piece) -> None:
        """Hand bytes to the transport; raises `ConnectionError` when it is gone.

        Their memory may be used again at once: TLS has encrypted them, and a plain transport,
        which would keep what the client does not take, gets a copy.
        """
        self._shared.outbox.flush()  # an answer before this one may wait there
        self._check_open()
        self._transport.write(bytes(data) if self._is_plain else data)

    def _check_open(self) -> None:
        if self._is_lost or self._transport.is_closing():
            raise ConnectionResetError

    async def drained(self) -> None:
        """Wait until all that was written has left; raises `ConnectionError` when it can't."""
        if self._writing_paused and not self._is_lost:
            self._drained = asyncio.get_running_loop().create_future()
            await self._drained
        self._check_open()
        self._moved = time.monotonic()

    def _wake(self) -> None:
        waiter, self._drained = self._drained, None
        if waiter is not None and not waiter.done():
            waiter.set_result(None)

    def takes_files(self) -> bool:
        """Tell whether the kernel can move bytes from a file, and says when they have arrived."""
        return self._is_plain and bytes_acknowledged(self.socket()) >= 0

    def handed_over(self) -> int:
        """Give a mark behind all that the kernel has taken so far, for `arrived`."""
        return bytes_handed_over(self.socket())

    async def arrived(self, mark: int) -> None:
        """Wait until the client has all before `mark`; raises `ConnectionError` when it can't."""
        looks = 0
        while bytes_acknowledged(self.socket()) < mark:
            if not can_still_send(self.socket()):
                raise ConnectionResetError
            # At first only others have a turn: on a near network that is time enough.
            looks += 1
            await asyncio.sleep(min(_LONGEST_PAUSE, _PAUSE * max(0, looks - _QUICK_LOOKS)))

    async def sendfile(self, file: BinaryIO, start: int, length: int) -> int:
        """Let the kernel send a stretch of `file`; gives the count, short at the file's end."""
        self._check_open()
        loop = asyncio.get_running_loop()
        try:
            sent = await loop.sendfile(self._transport, file, start, length, fallback=True)
        except RuntimeError as error:  # the loop's word for a transport that began to close
            raise ConnectionResetError from error
        self._moved = time.monotonic()
        return sent

    def excuse(self, seconds: float) -> None:
        """Let so much time pass without taking it for the client's: a cap of ours holds it up."""
        self._moved = time.monotonic() + seconds

    def start_sending(self) -> None:
        """Begin to watch whether the client takes what it asked for."""
        self.sending = True
        self._acknowledged, self._moved = -1, time.monotonic()

    def socket(self) -> socket.socket | None:
        """Give the socket beneath, while there is one."""
        return None if self._is_lost else self._transport.get_extra_info("socket")

    # Limits and endings.

    def owes_an_answer(self) -> bool:
        """Tell whether a request has come whose answer has not ended, begun or not."""
        return self.busy and not self._is_lost

    def overdue(self, now: float) -> bool:
        """Tell whether the client has let a limit pass; `now` in monotonic seconds."""
        limits = self._shared.limits
        if self.busy:
            return self.sending and self._stalled(now, limits.stalled_seconds)
        waits_for_head = self._heads.begun or not self._answered
        seconds = limits.header_seconds if waits_for_head else limits.idle_seconds
        return not self._ended and now - self._since > seconds

    def _stalled(self, now: float, seconds: float) -> bool:
        acknowledged = bytes_acknowledged(self.socket())
        has_all = not self._writing_paused and bytes_unconfirmed(self.socket()) == 0
        if has_all or acknowledged != self._acknowledged:  # what it waits for may be our disk
            self._acknowledged, self._moved = acknowledged, max(self._moved, now)
        return now - self._moved > seconds

    def expire(self) -> None:
        """End a connection that is overdue."""
        if self.busy:
            self.cut()
        else:
            self.close()

    def finish(self) -> None:
        """Take no further request: close now if idle, else after the answers that are due."""
        self._finishing = True
        if not self.owes_an_answer():
            self.close()

    def close(self) -> None:
        """End this side once all was written, so that the client loses nothing of it."""
        if self._ended:
            return
        self._ended = True
        self._shared.outbox.flush()
        if self._is_plain:
            self._lingering = Lingering(self._transport)
            self._lingering.begin(half_closed=self._asked_all)
        else:
            self._transport.close()

    def cut(self) -> None:
        """End the connection now, whatever is under way.

        The socket is shut down rather than the transport aborted: a `sendfile` under way waits
        for the socket, and would wait for ever on one that the loop has forgotten.
        """
        sock = self.socket()
        with contextlib.suppress(OSError):  # the client was faster
            if sock is not None:
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET_ON_CLOSE)
                sock.shutdown(socket.SHUT_RDWR)
        if not self.busy:
            self.abandon()

    def reset(self) -> None:
        """End the connection in a reset, by which the client knows that it did not get all."""
        sock = self.socket()
        with contextlib.suppress(OSError):
            if sock is not None:
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET_ON_CLOSE)
        self.abandon()

    def abandon(self) -> None:
        """Let go of a connection; what the kernel has taken still goes to the client."""
        self._ended = True
        self._transport.abort()
