"""An answer's head: the status line and the fields, framing and connection options among them."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from .dates import format_date
from .exchange import Stream
from .refusal import REASONS

if TYPE_CHECKING:
    from .exchange import Answer, Exchange

__all__ = ["BODILESS", "head_bytes"]

BODILESS = (204, 304)  # statuses (RFC 9110 §15.3.5, §15.4.5)


def head_bytes(exchange: Exchange, answer: Answer, idle_seconds: float) -> bytes:
    """Write the head of `answer`; a connection that is kept may rest for `idle_seconds`."""
    fields = "".join([f"{name}: {value}\r\n" for name, value in answer.headers])
    return (
        f"HTTP/1.1 {answer.status} {REASONS[answer.status]}\r\n"
        f"Date: {format_date(int(time.time()))}\r\n"
        f"{fields}{_framing(exchange, answer)}{_persistence(answer, idle_seconds)}\r\n"
    ).encode("latin-1")


def _persistence(answer: Answer, idle_seconds: float) -> str:
    """Say whether the connection is kept (RFC 9112 §9.3), and for how long it may rest.

    A client of HTTP/1.0 keeps it only when it is told. The time is the Keep-Alive field of
    RFC 2068 §19.7.1, which clients read so as not to send on a connection that is about to end.
    """
    if answer.close:
        return "Connection: close\r\n"
    return f"Connection: keep-alive\r\nKeep-Alive: timeout={int(idle_seconds)}\r\n"


def _framing(exchange: Exchange, answer: Answer) -> str:
    """Give the field that tells where the body ends (RFC 9112 §6)."""
    if answer.status in BODILESS:
        return ""
    body = answer.body
    if isinstance(body, Stream):
        return "Transfer-Encoding: chunked\r\n" if exchange.version >= (1, 1) else ""
    return f"Content-Length: {len(body) if isinstance(body, bytes) else body.length}\r\n"
