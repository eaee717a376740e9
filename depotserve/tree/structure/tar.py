"""Walk a tar archive: every header's checksum, every member inside, the end mark.

POSIX.1-2024 `pax` (ustar and pax interchange formats); the GNU tar manual, "Basic Tar Format"
(long names, sparse members). Before both there was the same header without a magic ("v7").
A tar has no digest of its content: a changed byte in a member cannot be told.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Callable, NamedTuple

from depotserve.tree.structure.outcome import BrokenError, UnwalkedError, printable
from depotserve.tree.structure.reading import PIECE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.tree.structure.reading import Forward

__all__ = ["BLOCK", "Member", "is_tar", "walk_tar", "walk_tar_file"]

BLOCK = 512
_ZEROS = bytes(BLOCK)
# Links, devices, folders and FIFOs have no content, whatever their size says.
_WITHOUT_CONTENT = b"123456"
_LONGEST_PAX = 1024 * 1024  # bytes of extended records of a member; a path and a few attributes
_DECIMAL = re.compile(rb"[0-9]{1,19}")
# Archives are padded to whole records: 10 KiB if nothing else was asked for, 1 MiB for some tapes.
_MOST_PADDING = 4 * 1024 * 1024


class Member(NamedTuple):
    """A member with content: its name as the header has it, where its bytes lie, how many."""

    name: bytes
    offset: int
    size: int


def is_tar(head: bytes) -> bool:
    """Tell whether a file that begins with `head` is a tar archive that is not empty."""
    block = head[:BLOCK]
    return len(block) == BLOCK and (block[257:262] == b"ustar" or _sums_up(block))


def walk_tar_file(source: Forward, visit: Callable[[Member], None]) -> None:
    """Walk an archive that is a file of its own; it must have its end mark. Raises as `walk_tar`.

    After the mark there may be padding, or another archive.
    """
    if not walk_tar(source, visit):
        raise BrokenError("its end mark is missing: it is cut short")
    end = source.position
    while True:
        piece = source.read(PIECE)
        if not piece:
            break
        if piece.strip(b"\0"):
            return
    beyond = source.position - end
    if beyond > _MOST_PADDING:
        raise BrokenError(f"from byte {end} on it is zeros to its end, {beyond} bytes")


def walk_tar(source: Forward, visit: Callable[[Member], None]) -> bool:
    """Walk to the end mark and tell whether it is there; `visit` is called for each member.

    Raises BrokenError where a header is damaged or the archive ends within a member or within its
    mark, UnwalkedError for what is too large to look at.
    """
    size_ahead = None
    while True:
        block = source.read(BLOCK)
        if not block:
            return False
        block += source.take(BLOCK - len(block), "the header of a member")
        if block == _ZEROS:
            return _ends(source)
        if not _sums_up(block):
            raise BrokenError(f"the header at byte {source.position - BLOCK} is damaged")
        size_ahead = _one_member(source, block, size_ahead, visit)


def _ends(source: Forward) -> bool:
    """Read the second block of the end mark; two blocks of zeros, says POSIX."""
    if source.take(BLOCK, "its end mark") != _ZEROS:
        raise BrokenError(f"zeros stand at byte {source.position - 2 * BLOCK} instead of a header")
    return True


def _one_member(
    source: Forward, block: bytes, size_ahead: int | None, visit: Callable[[Member], None]
) -> int | None:
    """Pass over one member; give the size that its extended header says the next one has."""
    kind = block[156:157]
    size = _number(block[124:136]) if size_ahead is None else size_ahead
    name = _name(block)
    where = f"the member {printable(name)}"
    if size is None:
        raise BrokenError(f"the header at byte {source.position - BLOCK} has no size")
    if kind in b"xX":
        return _extended(source, size, where)
    if kind == b"S":
        _pass_sparse_map(source, block)
    if kind not in _WITHOUT_CONTENT:
        visit(Member(name, source.position, size))
        source.skip(_whole_blocks(size), where)
    # A long name or a global header stands between an extended header and its member.
    return size_ahead if kind in b"LKg" else None


def _name(block: bytes) -> bytes:
    name, prefix = block[:100].split(b"\0")[0], block[345:500].split(b"\0")[0]
    # GNU's older format has no prefix there; it ends its magic with a blank.
    return prefix + b"/" + name if prefix and block[257:263] == b"ustar\0" else name


def _extended(source: Forward, size: int, where: str) -> int | None:
    if size > _LONGEST_PAX:
        raise UnwalkedError(f"an extended header of more than {_LONGEST_PAX} bytes")
    records = source.take(_whole_blocks(size), where)[:size]
    size_ahead = None
    for key, value in _records(records):
        if key == b"size" and _DECIMAL.fullmatch(value):
            size_ahead = int(value)
    return size_ahead


def _records(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Yield keys and values of extended records: `LENGTH KEY=VALUE`, LENGTH of the whole line."""
    while data:
        length = data.split(b" ", 1)[0]
        if not _DECIMAL.fullmatch(length) or not int(length):
            return
        key, _, value = data[len(length) + 1 : int(length) - 1].partition(b"=")
        yield key, value
        data = data[int(length) :]


def _pass_sparse_map(source: Forward, block: bytes) -> None:
    """Pass over the blocks that carry on the map of an old GNU sparse member."""
    more = block[482]
    while more:
        more = source.take(BLOCK, "the map of a sparse member")[504]


def _whole_blocks(size: int) -> int:
    return -(-size // BLOCK) * BLOCK


def _sums_up(block: bytes) -> bool:
    stated = _number(block[148:156])
    plain = block[:148] + b" " * 8 + block[156:]
    # Some old writers added signed characters.
    return stated is not None and stated in (
        sum(plain),
        sum(plain) - 256 * sum(1 for byte in plain if byte > 127),
    )


def _number(field: bytes) -> int | None:
    """Read octal digits, or GNU's binary form for what they cannot hold."""
    if field[0] == 0x80:
        return int.from_bytes(field[1:], "big")
    digits = field.split(b"\0")[0].strip(b" ")
    if not digits:
        return 0
    return int(digits, 8) if re.fullmatch(b"[0-7]+", digits) else None
