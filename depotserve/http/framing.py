"""What must be true of every request's head before anything else is looked at (RFC 9112)."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from multidict import istr

from .refusal import (
    ALLOW,
    LARGE_FIELDS,
    LONG_TARGET,
    METHODS,
    OTHER_METHOD,
    OTHER_VERSION,
    Refusal,
)
from .target import valid_host

if TYPE_CHECKING:
    from depotserve.config import Limits

    from .exchange import Exchange

__all__ = ["check_head"]

_HOST, _TRANSFER_ENCODING = istr("Host"), istr("Transfer-Encoding")
_ONCE = (_HOST, istr("Content-Length"), _TRANSFER_ENCODING, istr("Authorization"))


def check_head(exchange: Exchange, limits: Limits) -> None:
    """Refuse a head that the standard says is to be refused.

    Raises `Refusal`: 505 for a version other than 1.0 and 1.1; 400 for no Host on 1.1, more
    than one Host, an invalid one, or a framing field that is empty or comes twice; 414 for a
    target and 431 for fields past their limit; 405 for a method that a depot does not answer.
    All of them end the connection.
    """
    if exchange.version not in ((1, 0), (1, 1)):
        status = 505 if exchange.version > (1, 1) else 400
        raise Refusal(status, OTHER_VERSION, close=True)
    if len(exchange.raw_target) > limits.target_bytes:
        raise Refusal(414, LONG_TARGET, close=True)
    if exchange.head_size > limits.header_bytes < _size(exchange.raw_headers):
        raise Refusal(431, LARGE_FIELDS, close=True)
    _check_fields(exchange)
    if exchange.method not in METHODS:
        raise Refusal(405, OTHER_METHOD, headers=(ALLOW,), close=True)


def _size(fields: tuple[tuple[bytes, bytes], ...]) -> int:
    """Give the bytes of all fields, each with its colon, a blank and the line's end."""
    return sum(len(name) + len(value) + 4 for name, value in fields)


@lru_cache(maxsize=64)  # up to 32 KiB each
def _is_host(value: str) -> bool:
    return valid_host(value.encode("utf-8", "surrogateescape"))


def _check_fields(exchange: Exchange) -> None:
    headers = exchange.headers
    for name in _ONCE:
        if name in headers and len(headers.getall(name)) > 1:
            raise Refusal(400, f"The request has more than one {name} field.", close=True)
    host = headers.get(_HOST)
    # RFC 9112 §3.2: an empty Host is right only where the target has no authority.
    if (host is None and exchange.version >= (1, 1)) or (host is not None and not _is_host(host)):
        raise Refusal(400, "The request has no valid Host field.", close=True)
    if headers.get(_TRANSFER_ENCODING) == "":
        raise Refusal(400, "The request has an empty Transfer-Encoding field.", close=True)
