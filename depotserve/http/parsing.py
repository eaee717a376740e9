"""One connection's requests, out of bytes that come in any pieces.

aiohttp's parser is given one head at a time: what follows it waits here, unparsed, so that a
client which sends on costs its bytes and nothing more, and a fault is found in its turn.

A box that has no compiler and no wheel for its processor runs the parser in pure Python; Python
3.9 runs aiohttp 3.13. All are to give the same answers.
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Callable, NamedTuple, cast

from aiohttp.http_exceptions import BadHttpMessage, BadHttpMethod, HttpProcessingError, LineTooLong
from aiohttp.http_parser import HttpRequestParser, HttpRequestParserPy, RawRequestMessage
from aiohttp.streams import EMPTY_PAYLOAD

from .unreadable import AROUND_TARGET, explain_unreadable

if TYPE_CHECKING:
    from aiohttp.base_protocol import BaseProtocol

    from depotserve.config import Limits

__all__ = ["Head", "HeadReader"]

_SEAM = 2  # bytes of an end that may have come before
_NEVER = 1 << 62
_LINE_ENDS = 4  # bytes: of the request line and of the head
_BODY_LIMIT = 65536  # bytes; of no effect, since no body is ever given to the parser
_LENGTH_DIGITS = 20  # of 2^64 - 1, where the compiled parser stops

_ParseMessage = Callable[[list[bytes]], RawRequestMessage]


class _NoFlow:
    """What the parser takes for a connection that it may hold up for the sake of a body."""

    _reading_paused = False  # aiohttp 3.13 looks at it

    def pause_reading(self, **_options: bool) -> None:
        """Do nothing: no body is read."""

    def resume_reading(self, **_options: bool) -> None:
        """Do nothing: no body is read."""


class Head(NamedTuple):
    """A request's head, whether a body follows it, and what it measures."""

    message: RawRequestMessage
    has_body: bool
    size: int  # bytes, from the request line to the empty line


class HeadReader:
    """Gives heads one by one; `begun` when bytes of the next one are there."""

    __slots__ = ("_ahead", "_limits", "_parser", "_read")

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._parser = _make_parser(limits)
        self._read = b""  # of the present head, given to the parser already
        self._ahead = b""  # not given to it yet

    @property
    def begun(self) -> bool:
        """Tell whether bytes have come that no head given so far holds."""
        return bool(self._ahead or self._read)

    @property
    def waiting(self) -> int:
        """Give the number of bytes that wait to be parsed."""
        return len(self._ahead)

    def asks_for_head(self) -> bool:
        """Tell whether the present head began as one of HEAD, whose answer is bare."""
        return self._read.startswith(b"HEAD ")

    def take(self, data: bytes) -> None:
        """Take in bytes as they came."""
        self._ahead = self._ahead + data if self._ahead else data

    def next(self) -> Head | None:
        """Give the next head that has come whole, None if there is none yet.

        Raises `Refusal` for bytes that are no request; nothing can be read after that, nor
        after a head whose body follows.
        """
        if not self._read:  # empty lines before a head are no part of it (RFC 9112 §2.2)
            self._ahead = self._ahead.lstrip(b"\r\n")
        head = None
        try:
            while head is None and self._ahead:
                head = self._parse(self._cut_off())
        except (HttpProcessingError, ValueError) as error:
            # ValueError: a target that yarl can't take, in aiohttp 3.13.
            self._ahead = b""
            raise explain_unreadable(error, self._read, self._limits) from error
        return head

    def _cut_off(self) -> bytes:
        """Take from the bytes ahead those that may belong to the present head."""
        seam = self._read[-_SEAM:]
        end = min(_end_of_head(seam + self._ahead) - len(seam), len(self._ahead))
        if end <= 0:
            raise BadHttpMessage("a bare LF, which the parser took for part of a line")
        piece, self._ahead = self._ahead[:end], self._ahead[end:]
        self._read += piece
        return piece

    def _parse(self, piece: bytes) -> Head | None:
        messages, upgraded, _ = self._parser.feed_data(piece)
        if not messages:
            self._check_length()
            return None
        size, self._read = len(self._read), b""
        if upgraded:  # nothing is changed to here, and the parser would read no more (§7.8)
            self._parser = _make_parser(self._limits)
        message, payload = messages[0]
        return Head(message, payload is not EMPTY_PAYLOAD or _names_body(message), size)

    def _check_length(self) -> None:
        """Bound a head that has not come whole."""
        most = self._limits.target_bytes + AROUND_TARGET + self._limits.header_bytes + _LINE_ENDS
        if len(self._read) > most:
            raise LineTooLong(b"", most)


def _names_body(message: RawRequestMessage) -> bool:
    """Tell whether the fields say that a body follows (RFC 9112 §6).

    aiohttp 3.13 forgets the body of a request that offers another protocol.
    """
    length = message.headers.get("Content-Length", "0")
    return length.strip("0") != "" or "Transfer-Encoding" in message.headers


def _end_of_head(data: bytes) -> int:
    """Give where the first head in `data` ends, or a number past any where none does.

    That its lines end in CRLF is for the parser to check.
    """
    proper = data.find(b"\n\r\n")
    bare = data.find(b"\n\n", 0, None if proper < 0 else proper)
    if bare >= 0:
        return bare + 2
    return proper + 3 if proper >= 0 else _NEVER


_NO_FLOW = _NoFlow()


def _make_parser(limits: Limits) -> HttpRequestParser:
    line, field = limits.target_bytes + AROUND_TARGET, limits.header_bytes + 2
    parser = HttpRequestParser(
        cast("BaseProtocol", _NO_FLOW),
        asyncio.get_running_loop(),
        _BODY_LIMIT,
        # The parser in Python holds what has come of any line against the first line's limit;
        # `check_head` looks at the target alone.
        max_line_size=line if HttpRequestParser is not HttpRequestParserPy else max(line, field),
        max_field_size=field,
        auto_decompress=False,
    )
    if isinstance(parser, HttpRequestParserPy):
        parser.parse_message = _exact(parser.parse_message)  # type: ignore[assignment, method-assign]
    return parser


def _exact(parse_message: _ParseMessage) -> _ParseMessage:
    """Make the parser in Python refuse what the compiled one does."""

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
