"""The lines of a list, read within bounds, whatever its encoding and its line ends."""

from __future__ import annotations

import codecs
from typing import TYPE_CHECKING, BinaryIO, Callable, Optional

from depotserve.tree.expectations.listed import LONGEST_LINE, UnusableError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

__all__ = ["Line", "head_of", "pieces_of", "plain", "split", "transcoded", "universal"]

Line = tuple[int, Optional[bytes]]  # its number, and its text; None: longer than LONGEST_LINE

_PIECE = 64 * 1024
# Unicode section 23.8: the byte order marks. UTF-32 is told before UTF-16, which its mark begins.
_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


def pieces_of(stream: BinaryIO) -> Iterator[bytes]:
    """Yield what a stream holds in pieces of at most 64 KiB."""
    return iter(lambda: stream.read(_PIECE), b"")


def head_of(pieces: Iterator[bytes], size: int) -> bytes:
    """Take pieces until they are `size` bytes or more together, or the end; give them joined."""
    head = b""
    for piece in pieces:
        head += piece
        if len(head) >= size:
            break
    return head


def plain(pieces: Iterator[bytes]) -> Iterator[bytes]:
    """Take off a byte order mark; what follows one of UTF-16 or UTF-32 is given as UTF-8.

    Without a mark bytes stay as they are. Raises UnusableError where an encoding that is claimed
    does not hold.
    """
    head = head_of(pieces, 4)
    mark, encoding = next((one for one in _MARKS if head.startswith(one[0])), (b"", "utf-8"))
    head = head[len(mark) :]
    if encoding != "utf-8":
        yield from transcoded(_joined(head, pieces), encoding)
        return
    if head:
        yield head
    yield from pieces


def transcoded(pieces: Iterable[bytes], encoding: str) -> Iterator[bytes]:
    """Give text of another encoding as UTF-8. Raises UnusableError where it is none."""
    decode = codecs.getincrementaldecoder(encoding)().decode
    for piece in pieces:
        yield _decoded(decode, piece, encoding)
    yield _decoded(lambda data: decode(data, True), b"", encoding)  # noqa: FBT003  # the last


def _decoded(decode: Callable[[bytes], str], piece: bytes, encoding: str) -> bytes:
    try:
        return decode(piece).encode("utf-8")
    except UnicodeError as error:
        raise UnusableError(f"is not the {encoding.upper()} text that it says it is") from error


def _joined(head: bytes, pieces: Iterator[bytes]) -> Iterator[bytes]:
    yield head
    yield from pieces


def universal(pieces: Iterable[bytes]) -> Iterator[bytes]:
    """Make every CR LF, and every CR alone, a LF."""
    held = b""  # a CR at the end of a piece, until it is known whether a LF follows
    for piece in pieces:
        text = held + piece
        held = b"\r" if text.endswith(b"\r") else b""
        yield text[: len(text) - len(held)].replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if held:
        yield b"\n"


def split(pieces: Iterable[bytes], end: bytes) -> Iterator[Line]:
    """Yield each record, without its `end`, behind its number; None for one over LONGEST_LINE."""
    number, left, is_long = 1, b"", False
    for piece in pieces:
        *whole, left = (left + piece).split(end)
        for record in whole:
            yield number, None if is_long or len(record) > LONGEST_LINE else record
            number, is_long = number + 1, False
        if len(left) > LONGEST_LINE:
            left, is_long = b"", True
    if left or is_long:
        yield number, None if is_long else left
