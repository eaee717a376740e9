"""What aiohttp's parser in pure Python lets through and its compiled one refuses.

A box that has no compiler and no wheel for its processor runs the former; both are to give the
same answers.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Callable

from aiohttp.http_exceptions import BadHttpMessage, BadHttpMethod
from aiohttp.http_parser import HttpRequestParserPy, RawRequestMessage

if TYPE_CHECKING:
    from aiohttp.web import RequestHandler

__all__ = ["parse_exactly"]

# aiohttp 3.13 names its parser otherwise than 3.14.
_NAMES = ("_parser", "_request_parser")
_LENGTH_DIGITS = 20  # of 2^64 - 1, where the compiled parser stops

_ParseMessage = Callable[[list[bytes]], RawRequestMessage]


def parse_exactly(handler: RequestHandler) -> None:
    """Make `handler` refuse what the compiled parser would; does nothing where it has that one."""
    found = (getattr(handler, name, None) for name in _NAMES)
    parser = next(filter(None, found), None)
    if isinstance(parser, HttpRequestParserPy):
        parser.parse_message = _exact(parser.parse_message)  # type: ignore[assignment, method-assign]


def _exact(parse_message: _ParseMessage) -> _ParseMessage:
    def parse(lines: list[bytes]) -> RawRequestMessage:
        method = lines[0].partition(b" ")[0]
        # Methods are case-sensitive (RFC 9110 §9.1); this parser puts them into capitals.
        if method != method.upper():
            raise BadHttpMethod(method.decode("latin-1"))
        message = parse_message(lines)
        # More digits raise ValueError from int, past all that catches a bad message.
        if len(message.headers.get("Content-Length", "")) > _LENGTH_DIGITS:
            raise BadHttpMessage("the length is past any size")
        return message

    return parse
