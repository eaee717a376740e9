"""The bytes of one connection as an HTTP reader wants them: lines, and pieces of a body."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from depotserve.probe.message import BadMessageError, Framing

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.probe.channel import Channel

__all__ = ["CutShortError", "Source"]

_LONGEST_HEAD = 1 << 16  # bytes, all lines together
_LONGEST_CHUNK_LINE = 256
_CHUNK_SIZE = re.compile(rb"[0-9A-Fa-f]{1,15}")
_MOST_TRAILERS = 100


class CutShortError(Exception):
    """The connection ended before the answer did."""


class Source:
    """What a server sends; raises TimeoutError and OSError as its channel does."""

    def __init__(self, channel: Channel) -> None:
        self._channel = channel
        self._buffer = bytearray()
        self.has_given = False  # whether anything came since the last request
        self.first = b""  # how all that came begins

    @property
    def left(self) -> bytes:
        """Give what came and was not asked for."""
        return bytes(self._buffer)

    def head(self) -> list[bytes]:
        """Give the lines up to the blank one; raise BadMessageError or CutShortError."""
        lines, rest = [self._line(_LONGEST_HEAD)], _LONGEST_HEAD
        while lines[-1]:
            rest -= len(lines[-1]) + 1
            lines.append(self._line(rest))
        return lines[:-1] or [b""]

    def body(self, framing: Framing, length: int | None) -> Iterator[bytes]:
        """Give a body's pieces; raise CutShortError if it ends too early."""
        if framing is Framing.LENGTH:
            yield from self._exactly(length or 0)
        elif framing is Framing.CHUNKS:
            yield from self._chunks()
        elif framing is Framing.CLOSE:
            while piece := self._some(1 << 20):
                yield piece

    def _chunks(self) -> Iterator[bytes]:
        """Give the data of RFC 9112 §7.1; trailers are read and forgotten."""
        while size := self._chunk_size():
            yield from self._exactly(size)
            if self._line(2):
                raise BadMessageError("a chunk is longer than it says")
        for _ in range(_MOST_TRAILERS):
            if not self._line(_LONGEST_HEAD):
                return
        raise BadMessageError("it has too many trailers")

    def _chunk_size(self) -> int:
        digits = self._line(_LONGEST_CHUNK_LINE).partition(b";")[0].strip()
        if not _CHUNK_SIZE.fullmatch(digits):
            raise BadMessageError("a chunk's size is no number")
        return int(digits, 16)

    def _exactly(self, count: int) -> Iterator[bytes]:
        while count:
            piece = self._some(count)
            if not piece:
                raise CutShortError
            count -= len(piece)
            yield piece

    def _some(self, most: int) -> bytes:
        """Give up to `most` bytes, at least one; nothing at the end."""
        if not self._buffer:
            self._fill()
        piece = bytes(self._buffer[:most])
        del self._buffer[:most]
        return piece

    def _line(self, longest: int) -> bytes:
        """Give a line without its end, LF or CR LF."""
        start = 0
        while (end := self._buffer.find(b"\n", start)) < 0:
            start = len(self._buffer)
            if start > longest:
                raise BadMessageError("it has a line or a head that is too long")
            if not self._fill():
                raise CutShortError
        if end > longest:
            raise BadMessageError("it has a line or a head that is too long")
        line = bytes(self._buffer[:end])
        del self._buffer[: end + 1]
        return line[:-1] if line.endswith(b"\r") else line

    def _fill(self) -> bool:
        data = self._channel.receive()
        self._buffer += data
        self.first = self.first or data[:16]
        self.has_given = self.has_given or bool(data)
        return bool(data)
