"""One client's connection: what aiohttp's protocol does not bound, bounded."""

from __future__ import annotations

import asyncio
import re
import socket
import struct
import time
from typing import TYPE_CHECKING, Any, BinaryIO, Callable, cast

import attrs
from aiohttp.http_exceptions import (
    BadHttpMessage,
    BadHttpMethod,
    BadStatusLine,
    InvalidURLError,
    LineTooLong,
)
from aiohttp.streams import EMPTY_PAYLOAD
from aiohttp.web import BaseRequest, RequestHandler, Server, StreamResponse
from aiohttp.web_protocol import _ErrInfo

from .arrival import bytes_acknowledged, bytes_handed_over, can_still_send
from .parsing import parse_exactly
from .refusal import (
    ALLOW,
    LARGE_FIELDS,
    LONG_TARGET,
    METHODS,
    OTHER_METHOD,
    OTHER_VERSION,
    Refusal,
)

if TYPE_CHECKING:
    from collections.abc import Awaitable

    from depotserve.config import Limits, Listener

    from .bandwidth import Pace

__all__ = ["Connection", "ConnectionSettings", "Done", "explain_unreadable"]

# A method token, a target and, as far as it is remembered, a version: enough to tell an unknown
# method from noise.
_REQUEST_LINE = re.compile(rb"([!#$%&'*+.^_`|~0-9A-Za-z-]{1,64}) \S+(?: HTTP/1\.[01]\r?\n|\Z)")
_OTHER_VERSION = re.compile(
    rb"[!#$%&'*+.^_`|~0-9A-Za-z-]{1,64} \S{1,128} HTTP/(?!1\.[01]\b)[0-9]\.[0-9]\r\n"
)
_TOO_MANY_FIELDS = "Too many headers received"  # what tells this fault of aiohttp's from others
_AROUND_TARGET = 32  # bytes of a request line that are not its target: a method and a version
_REMEMBERED = 256  # bytes of a head's beginning, kept for what an error says

_RESET_ON_CLOSE = struct.pack("ii", 1, 0)  # struct linger: on, 0 seconds

# A request's own body is never used; what comes of it is read away for this long (seconds) so
# that the answer is not lost to a reset, then the connection closes (RFC 9112 §9.6).
_LINGERING = 2.0
# Looks for what a client has confirmed; then seconds between two, at first and at most.
_QUICK_LOOKS, _PAUSE, _LONGEST_PAUSE = 20, 0.002, 0.05
# What a client may send ahead of its answers: bytes while one is under way, and whole requests.
# aiohttp 3.13 has no bound of its own, and a request of 70 bytes takes 6 KiB once it is parsed.
_MOST_AHEAD, _MOST_WAITING = 65536, 16
_NEVER = 365 * 86400.0  # seconds


class Done:
    """What aiohttp's protocol asks of a response, for one that has been sent already."""

    __slots__ = ("keep_alive",)

    def __init__(self, *, keep_alive: bool) -> None:
        self.keep_alive = keep_alive

    async def prepare(self, _request: BaseRequest) -> None:
        """Do nothing: the head has been sent."""

    async def write_eof(self) -> None:
        """Do nothing: the body has been sent."""


@attrs.frozen(slots=True, eq=False)
class ConnectionSettings:
    """What every connection of a listener shares."""

    listener: Listener
    limits: Limits
    unreadable: Callable[[BaseRequest, Refusal], Awaitable[Done]]  # answers what can't be parsed
    surplus: bool = False  # its address has more than it may


class Connection(RequestHandler):
    """A server's side of one connection.

    `busy` while a request is answered; `sending` while bytes of a body are under way. The
    overridden hooks of aiohttp are those that it names for a subclass and the two that decide
    about bytes it can't parse; tests hold them to their effect.
    """

    __slots__ = (
        "_acknowledged",
        "_ahead",
        "_answered",
        "_asked_all",
        "_head",
        "_head_bytes",
        "_held",
        "_made_with",
        "_moved",
        "_shared",
        "_since",
        "busy",
        "pace",
        "sending",
    )

    def __init__(self, server: Server, shared: ConnectionSettings) -> None:
        super().__init__(
            server,
            loop=asyncio.get_running_loop(),
            keepalive_timeout=_NEVER,  # our own deadlines count, see `overdue`
            access_log=None,  # type: ignore[arg-type]  # aiohttp takes None for "no log"
            # Two different numbers tell a long target from a long field in aiohttp's error. Its
            # parser in Python counts the whole line; `check_head` counts the target alone.
            max_line_size=shared.limits.target_bytes + _AROUND_TARGET,
            max_field_size=shared.limits.header_bytes + 2,
            lingering_time=_LINGERING,
            auto_decompress=False,
        )
        parse_exactly(self)
        self._shared = shared
        self._since = time.monotonic()  # when the head that is waited for began, or the waiting
        self._head = b""
        self._head_bytes = 0
        self._made_with: asyncio.Transport | None = None
        self._acknowledged = -1
        self._answered = 0  # requests, those that can't be read among them
        self._ahead = 0  # bytes that came while an answer was under way
        self._held = False  # nothing is read until there are answers
        self._asked_all = False  # the client has ended its side
        self._moved = 0.0
        self.busy = False
        self.sending = False
        self.pace: Pace | None = None  # of the last transfer under a cap

    @property
    def is_surplus(self) -> bool:
        """Whether its address has too many connections, with this one."""
        return self._shared.surplus

    @property
    def listener(self) -> Listener:
        """The listener that this connection came in by."""
        return self._shared.listener

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Begin, with a write buffer that says "drained" only when it is empty."""
        self._made_with = cast("asyncio.Transport", transport)
        self._made_with.set_write_buffer_limits(high=0)
        super().connection_made(transport)

    def data_received(self, data: bytes) -> None:
        """Take bytes in, as long as the head that they belong to stays within its limits."""
        before = self._request_count
        if not self.busy and self._head_bytes == 0 and before:
            self._since = time.monotonic()
        if len(self._head) < _REMEMBERED:
            self._head += data[: _REMEMBERED - len(self._head)]
        self._head_bytes += len(data)
        try:
            super().data_received(data)
        except ValueError:  # a target that yarl can't take, in aiohttp 3.13
            self._refuse_head(BadHttpMessage("unreadable"))
        if self._request_count != before or self.busy:
            self._head_bytes = 0
        elif self._head_bytes > self._shared.limits.header_bytes + self._shared.limits.target_bytes:
            self._refuse_head(LineTooLong(b"", self._shared.limits.header_bytes))
        self._maybe_hold(len(data))

    def _maybe_hold(self, count: int) -> None:
        """Read nothing more from a client that sends on and on before it has its answers."""
        self._ahead += count if self.busy else 0
        waiting = self._request_count - self._answered
        if (self._ahead > _MOST_AHEAD or waiting > _MOST_WAITING) and self.transport is not None:
            self._held = True
            self.transport.pause_reading()

    def _maybe_release(self) -> None:
        self._ahead = 0
        waiting = self._request_count - self._answered
        if self._held and waiting <= _MOST_WAITING // 2 and self.transport is not None:
            self._held = False
            self.transport.resume_reading()

    def eof_received(self) -> bool:  # type: ignore[override]  # asyncio takes a truth value
        """Keep a connection whose client has ended its side until it has its answers."""
        self._asked_all = self.owes_an_answer()
        return self._asked_all

    def owes_an_answer(self) -> bool:
        """Tell whether a request has come whose answer has not ended, begun or not."""
        is_open = self.transport is not None and not self.transport.is_closing()
        return is_open and self._answered < self._request_count

    def asks_for_head(self) -> bool:
        """Tell whether a head that can't be parsed began as one of HEAD, whose answer is bare."""
        return self._head.startswith(b"HEAD ")

    def begin(self) -> None:
        """Note that a request is being answered."""
        self.busy = True
        self._head = b""

    def end(self) -> None:
        """Note that it has been answered, and that the next is waited for."""
        self.busy = self.sending = False
        self._since = time.monotonic()
        self._answered += 1
        self._maybe_release()
        if self._asked_all and self._answered >= self._request_count:
            self.close()

    async def drained(self) -> None:
        """Wait until all that was written has left; raises `ConnectionError` when it can't."""
        await self._drain_helper()
        if self.transport is None or self.transport.is_closing():
            raise ConnectionResetError
        self._moved = time.monotonic()

    def write(self, data: bytes) -> None:
        """Hand bytes to the transport; raises `ConnectionError` when it is gone."""
        if self.transport is None or self.transport.is_closing():
            raise ConnectionResetError
        self.transport.write(data)

    def takes_files(self) -> bool:
        """Tell whether the kernel can move bytes from a file, and says when they have arrived."""
        plain = self.transport is not None and not self.transport.get_extra_info("sslcontext")
        return plain and bytes_acknowledged(self.socket()) >= 0

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
        transport = self.transport
        if transport is None or transport.is_closing():
            raise ConnectionResetError
        try:
            sent = await self._loop.sendfile(transport, file, start, length, fallback=True)
        except RuntimeError as error:  # the loop's word for a transport that began to close
            raise ConnectionResetError from error
        self._moved = time.monotonic()
        return sent

    def overdue(self, now: float) -> bool:
        """Tell whether the client has let a limit pass; `now` in monotonic seconds."""
        limits = self._shared.limits
        if self.busy:
            return self.sending and self._stalled(now, limits.stalled_seconds)
        waiting_for_head = self._head_bytes > 0 or self._request_count == 0
        return now - self._since > (
            limits.header_seconds if waiting_for_head else limits.idle_seconds
        )

    def _stalled(self, now: float, seconds: float) -> bool:
        acknowledged = bytes_acknowledged(self.socket())
        if acknowledged != self._acknowledged:
            self._acknowledged, self._moved = acknowledged, max(self._moved, now)
        return now - self._moved > seconds

    def excuse(self, seconds: float) -> None:
        """Let so much time pass without taking it for the client's: a cap of ours holds it up."""
        self._moved = time.monotonic() + seconds

    def start_sending(self) -> None:
        """Begin to watch whether the client takes what it asked for."""
        self.sending = True
        self._acknowledged, self._moved = -1, time.monotonic()

    def socket(self) -> socket.socket | None:
        """Give the socket beneath, while there is one."""
        return None if self.transport is None else self.transport.get_extra_info("socket")

    def expire(self) -> None:
        """End a connection that is overdue."""
        if self.busy:
            self.cut()
        else:
            self.force_close()

    def cut(self) -> None:
        """End the connection now, whatever is under way.

        The socket is shut down rather than the transport aborted: a `sendfile` under way waits
        for the socket, and would wait for ever on one that the loop has forgotten.
        """
        sock = None if self._made_with is None else self._made_with.get_extra_info("socket")
        try:
            if sock is not None:
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET_ON_CLOSE)
                sock.shutdown(socket.SHUT_RDWR)
        except OSError:
            pass  # the client was faster
        if not self.busy:
            self.abandon()

    def abandon(self) -> None:
        """Let go of a connection; what the kernel has taken still goes to the client."""
        if self._made_with is not None:
            self._made_with.abort()

    def finish(self) -> None:
        """Take no further request: close now if idle, else after the answer that is due."""
        if self.owes_an_answer():
            self.close()
        else:
            self.force_close()

    def _refuse_head(self, error: BadHttpMessage) -> None:
        """Answer through the same way as any head that aiohttp finds it can't parse."""
        self._request_count += 1
        self._messages.append((_ErrInfo(status=400, exc=error, message=""), EMPTY_PAYLOAD))
        if self._waiter is not None and not self._waiter.done():
            self._waiter.set_result(None)

    def _make_error_handler(
        self,
        err_info: Any,  # noqa: ANN401 - aiohttp's own type is private
    ) -> Callable[[BaseRequest], Awaitable[StreamResponse]]:
        """Answer bytes that aiohttp can't parse (its hook for that)."""
        refusal = explain_unreadable(err_info.exc, self._head, self._shared.limits)

        async def handler(request: BaseRequest) -> StreamResponse:
            return cast("StreamResponse", await self._shared.unreadable(request, refusal))

        return handler


def explain_unreadable(error: BaseException, head: bytes, limits: Limits) -> Refusal:
    """Give the status that the standard has for a head that can't be parsed.

    `head` is how it began. 414: RFC 9110 §15.5.15; 431: RFC 6585 §5; 505: §15.6.6; the rest 400.
    """
    if isinstance(error, LineTooLong):
        is_target = str(error.args[1]) == str(limits.target_bytes + _AROUND_TARGET)
        # The same parser counts the end of a field that has not come whole as it does a target.
        if is_target and b"\n" not in head.lstrip(b"\r\n"):
            return Refusal(414, LONG_TARGET, close=True)
        return Refusal(431, LARGE_FIELDS, close=True)
    if isinstance(error, BadHttpMessage) and error.message == _TOO_MANY_FIELDS:
        return Refusal(431, LARGE_FIELDS, close=True)
    if isinstance(error, (BadHttpMethod, InvalidURLError)) and _names_another_method(head):
        return Refusal(405, OTHER_METHOD, headers=(ALLOW,), close=True)
    if isinstance(error, BadStatusLine) and _OTHER_VERSION.match(head):
        return Refusal(505, OTHER_VERSION, close=True)
    return Refusal(400, "This is not a request that can be read.", close=True)


def _names_another_method(head: bytes) -> bool:
    # One of ours means that the fault lies in what follows on the same connection.
    match = _REQUEST_LINE.match(head)
    return match is not None and match[1].decode() not in METHODS
