"""Where aiohttp's parsers and its releases differ, made the same.

A box that has no compiler and no wheel for its processor runs the parser in pure Python; Python
3.9 runs aiohttp 3.13. All are to give the same answers.
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Callable

from aiohttp.http_exceptions import BadHttpMessage, BadHttpMethod
from aiohttp.http_parser import HttpRequestParserPy, RawRequestMessage
from aiohttp.web import BaseRequest
from yarl import URL

if TYPE_CHECKING:
    from aiohttp.abc import AbstractStreamWriter
    from aiohttp.streams import StreamReader
    from aiohttp.web import RequestHandler

__all__ = ["make_request", "parse_exactly"]

# aiohttp 3.13 names its parser otherwise than 3.14.
_NAMES = ("_parser", "_request_parser")
_LENGTH_DIGITS = 20  # of 2^64 - 1, where the compiled parser stops

_ParseMessage = Callable[[list[bytes]], RawRequestMessage]


def make_request(
    message: RawRequestMessage,
    payload: StreamReader,
    protocol: RequestHandler,
    writer: AbstractStreamWriter,
    task: asyncio.Task[None],
) -> BaseRequest:
    """Make a request of any target; ours is taken apart by `parse_target`.

    What aiohttp 3.13 does with the authority of CONNECT raises ValueError where nobody sees it.
    """
    loop = asyncio.get_running_loop()
    try:
        return BaseRequest(message, payload, protocol, writer, task, loop)
    except ValueError:
        return BaseRequest(message._replace(url=URL("/")), payload, protocol, writer, task, loop)


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
