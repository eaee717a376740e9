"""What is said to bytes that are no request: from the parser's error to the standard's status."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from aiohttp.http_exceptions import (
    BadHttpMessage,
    BadHttpMethod,
    BadStatusLine,
    InvalidURLError,
    LineTooLong,
)

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
    from depotserve.config import Limits

__all__ = ["AROUND_TARGET", "explain_unreadable"]

# A method token, a target and, as far as it has come, a version: enough to tell an unknown
# method from noise.
_REQUEST_LINE = re.compile(rb"([!#$%&'*+.^_`|~0-9A-Za-z-]{1,64}) \S+(?: HTTP/1\.[01]\r?\n|\Z)")
_OTHER_VERSION = re.compile(
    rb"[!#$%&'*+.^_`|~0-9A-Za-z-]{1,64} \S{1,128} HTTP/(?!1\.[01]\b)[0-9]\.[0-9]\r\n"
)
_TOO_MANY_FIELDS = "Too many headers received"  # what tells this fault of aiohttp's from others
AROUND_TARGET = 32  # bytes of a request line that are not its target: a method and a version


def explain_unreadable(error: BaseException, head: bytes, limits: Limits) -> Refusal:
    """Give the status that the standard has for a head that can't be parsed.

    `head` is what has come of it. 414: RFC 9110 §15.5.15; 431: RFC 6585 §5; 505: §15.6.6; the
    rest 400.
    """
    if isinstance(error, LineTooLong):
        end = head.find(b"\n")
        if not 0 <= end <= limits.target_bytes + AROUND_TARGET:
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
