"""Exact reads: so many bytes or a phrase that says where the file ends too early."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any, BinaryIO, Protocol, cast

from depotserve.tree.structure.outcome import BrokenError

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["PIECE", "Forward", "Readable", "exactly", "most_unpacked", "part", "pieces", "read_at"]

PIECE = 256 * 1024
_LEAST_ROOM = 1024**3
_RATIO = 100
# A thousand bombs of 2 KiB that may each become a GiB would take hours.
_SMALL_ROOM, _SMALL_RATIO = 64 * 1024 * 1024, 10_000


class Readable(Protocol):
    """What can be read forward."""

    def read(self, count: int, /) -> bytes:
        """Read up to `count` bytes; none at the end."""


def most_unpacked(size: int) -> int:
    """Give how many bytes a file of `size` bytes may unpack to and still be walked to its end.

    A hundredfold is what an image of a disk that is nearly empty comes to; DEFLATE alone reaches
    1032, xz and Zstandard 10,000 and more, which only zeros do. The GiB lets small files be
    anything: it takes a few seconds.
    """
    return min(_LEAST_ROOM, _SMALL_ROOM + _SMALL_RATIO * size) + _RATIO * size


def exactly(stream: Readable, count: int, what: str) -> bytes:
    """Read `count` bytes; raises BrokenError if the stream ends before, naming `what` it is in."""
    data = stream.read(count)
    while len(data) < count:
        more = stream.read(count - len(data))
        if not more:
            raise BrokenError(f"it is cut short in {what}")
        data += more
    return data


def read_at(stream: BinaryIO, offset: int, count: int, what: str) -> bytes:
    """Read `count` bytes at `offset`, as `exactly` does."""
    stream.seek(offset)
    return exactly(stream, count, what)


def pieces(stream: Readable, count: int, what: str) -> Iterator[bytes]:
    """Yield the next `count` bytes in pieces; raises BrokenError if the stream ends before."""
    while count:
        data = stream.read(min(PIECE, count))
        if not data:
            raise BrokenError(f"it is cut short in {what}")
        count -= len(data)
        yield data


def part(stream: BinaryIO, start: int, size: int) -> BinaryIO:
    """Give a part of a seekable stream as a stream; other reads may come in between."""
    return io.BufferedReader(_Part(stream, start, size), min(PIECE, size or 1))


class _Part(io.RawIOBase):
    def __init__(self, stream: BinaryIO, start: int, size: int) -> None:
        self._stream, self._at, self._left = stream, start, size

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:  # noqa: ANN401  # any writable buffer
        self._stream.seek(self._at)
        data = self._stream.read(min(len(buffer), self._left))
        buffer[: len(data)] = data
        self._at, self._left = self._at + len(data), self._left - len(data)
        return len(data)


class Forward:
    """A stream that is read forward; what is skipped is not read where its size is known."""

    def __init__(self, stream: Readable, size: int | None = None) -> None:
        """Begin at the stream's start; with its size, `stream` is one that can be sought."""
        self._stream, self._size = stream, size
        self._ahead = b""
        self.position = 0

    def peek(self, count: int) -> bytes:
        """Look at the next `count` bytes, or what there is, without passing over them."""
        self._ahead = self._stream.read(count)
        return self._ahead

    def read(self, count: int) -> bytes:
        """Read up to `count` bytes; none at the end."""
        data, self._ahead = self._ahead[:count], self._ahead[count:]
        data = data or self._stream.read(count)
        self.position += len(data)
        return data

    def take(self, count: int, what: str) -> bytes:
        """Read exactly `count` bytes; raises BrokenError."""
        return exactly(self, count, what)

    def skip(self, count: int, what: str) -> None:
        """Pass over `count` bytes; raises BrokenError if there are fewer."""
        if self._size is None:
            for _ in pieces(self, count, what):
                pass
            return
        self.position += count
        if self.position > self._size:
            raise BrokenError(f"it is cut short in {what}")
        cast("BinaryIO", self._stream).seek(self.position)
