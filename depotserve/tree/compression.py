"""Compressed streams, read in pieces that stay small whatever was compressed.

gzip (RFC 1952), bzip2, xz, and Zstandard (RFC 8878), each told by its magic number.
"""

from __future__ import annotations

import bz2
import io
import lzma
import sys
import zlib
from typing import TYPE_CHECKING, Any, BinaryIO, Callable, cast

if sys.version_info >= (3, 14):
    from compression import zstd
else:
    from backports import zstd

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = [
    "CutShortError",
    "DamagedError",
    "TooLargeError",
    "compression",
    "decompressed",
    "opened",
]

PIECE = 256 * 1024
# What the strongest preset of xz needs is 65 MiB; RFC 8878 section 3.1.1.1.2 recommends windows of
# 8 MiB, and package tools use up to 128. A stream that asks for more is refused, not obeyed.
_MOST_MEMORY = 256 * 1024 * 1024
_WINDOW_LOG = 27


class DamagedError(Exception):
    """A compressed stream that breaks its format; the text says how."""


class CutShortError(DamagedError):
    """A compressed stream that ends too early."""


class TooLargeError(Exception):
    """More came out than the caller takes, or more memory is needed; the text says what."""


class _Gzip:
    """One member of a gzip file, in the way of the other modules' decompressors."""

    def __init__(self) -> None:
        self._stream = zlib.decompressobj(wbits=31)

    @property
    def eof(self) -> bool:
        return self._stream.eof

    @property
    def unused_data(self) -> bytes:
        return self._stream.unused_data

    @property
    def needs_input(self) -> bool:
        return not self._stream.unconsumed_tail

    def decompress(self, data: bytes, max_length: int) -> bytes:
        return self._stream.decompress(self._stream.unconsumed_tail + data, max_length)


def _zstd() -> Any:  # noqa: ANN401  # the module is another one on older Pythons
    parameter = zstd.DecompressionParameter.window_log_max
    return zstd.ZstdDecompressor(options={parameter: _WINDOW_LOG})


_NEW: dict[str, Callable[[], Any]] = {
    "gzip": _Gzip,
    "bzip2": bz2.BZ2Decompressor,
    "xz": lambda: lzma.LZMADecompressor(lzma.FORMAT_XZ, memlimit=_MOST_MEMORY),
    "zstd": _zstd,
}
_MAGIC = {
    b"\x1f\x8b\x08": "gzip",
    b"BZh": "bzip2",
    b"\xfd7zXZ\0": "xz",
    b"\x28\xb5\x2f\xfd": "zstd",
}
# Zstandard: a frame of something else, which its readers skip; the first byte is 0x50 to 0x5F
# (RFC 8878 section 3.1.2).
_SKIPPABLE = b"\x2a\x4d\x18"
# What both libraries say of a stream that needs more memory than it gets.
_TOO_MUCH = ("Memory usage limit exceeded", "too much memory")
# What may follow a stream: another one, or padding (xz: section 2.2 of its format, in fours; tape
# blocks of zeros after gzip are common practice).
_PADDED = ("xz", "gzip")


def compression(head: bytes) -> str | None:
    """Name the compression that a file beginning with `head` has; None if it has none."""
    if head[1:4] == _SKIPPABLE and head[0] >> 4 == 5:
        return "zstd"
    return next((name for magic, name in _MAGIC.items() if head.startswith(magic)), None)


def decompressed(stream: BinaryIO, name: str) -> Iterator[bytes]:
    """Yield the content of a compressed stream in pieces of at most PIECE bytes, to its very end.

    Streams that follow each other count as one. Raises CutShortError, DamagedError, TooLargeError
    for a stream that needs too much memory, and OSError of reading.
    """
    left = stream.read(PIECE)
    while left:
        decompressor = _NEW[name]()
        yield from _one(decompressor, left, stream)
        left = decompressor.unused_data or stream.read(PIECE)
        while name in _PADDED and left and not left.strip(b"\0"):
            left = stream.read(PIECE)
        left = left.lstrip(b"\0") if name in _PADDED else left
        if left and len(left) < 6:
            left += stream.read(PIECE)
        if left and compression(left) != name:
            raise DamagedError(f"something else follows the {name} stream")


def _one(decompressor: Any, data: bytes, stream: BinaryIO) -> Iterator[bytes]:  # noqa: ANN401
    while True:
        try:
            piece = decompressor.decompress(data, PIECE)
        except (zlib.error, lzma.LZMAError, zstd.ZstdError, OSError, ValueError, EOFError) as error:
            text = str(error) or type(error).__name__
            if any(phrase in text for phrase in _TOO_MUCH):
                raise TooLargeError("needs more memory to unpack than is given") from error
            raise DamagedError(text) from error
        if piece:
            yield piece
        if decompressor.eof:
            return
        data = stream.read(PIECE) if decompressor.needs_input else b""
        if not data and not piece and decompressor.needs_input:
            raise CutShortError("the compressed stream ends too early")


def opened(stream: BinaryIO, *, most: int) -> BinaryIO:
    """Give the content of a file, decompressed if it is compressed, as a stream to read lines from.

    Reading past `most` bytes raises TooLargeError, a broken stream DamagedError.
    """
    head = stream.read(6)
    name = compression(head)
    whole = _Joined(head, stream)
    pieces = (
        decompressed(cast("BinaryIO", whole), name)
        if name
        else iter(lambda: whole.read(PIECE), b"")
    )
    return io.BufferedReader(_Pieces(pieces, most), PIECE)


class _Joined(io.BufferedIOBase):
    """A stream with what was read of it put back before it."""

    def __init__(self, head: bytes, rest: BinaryIO) -> None:
        self._head, self._rest = head, rest

    def read(self, size: int | None = -1) -> bytes:
        head, self._head = self._head, b""
        return head + self._rest.read(-1 if size is None else size)


class _Pieces(io.RawIOBase):
    """A raw stream of what an iterator yields, up to a bound."""

    def __init__(self, pieces: Iterator[bytes], most: int) -> None:
        self._pieces, self._left, self._most = pieces, b"", most
        self._room = most

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:  # noqa: ANN401  # any writable buffer
        if not self._left:
            self._left = next(self._pieces, b"")
            self._room -= len(self._left)
            if self._room < 0:
                raise TooLargeError(f"holds more than {self._most} bytes")
        count = min(len(buffer), len(self._left))
        buffer[:count], self._left = self._left[:count], self._left[count:]
        return count
