"""Walk the image of an optical disc: ISO 9660 (ECMA-119), UDF (ECMA-167), or both in one.

Neither has a digest of its content: what is told is whether all of what the image says it has is
in the file. A file may be longer: images that also start from a stick are padded, and where both
formats lie in one image the ISO 9660 part may cover little of it.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, BinaryIO

from depotserve.tree.structure.outcome import BrokenError, UnwalkedError
from depotserve.tree.structure.reading import read_at

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["DESCRIPTORS", "is_disc", "walk_disc"]

_SECTOR = 2048
DESCRIPTORS = 16 * _SECTOR  # ECMA-119 section 6.2.1: a system area of 16 sectors comes first
_MOST_DESCRIPTORS = 64  # a boot record, a primary one, a few in other character sets, UDF's three
_PRIMARY, _LAST = 1, 255  # ECMA-119 section 8.1.1
_ISO, _UDF = b"CD001", (b"NSR02", b"NSR03")  # ECMA-167 part 3, section 9.1
_RECOGNISED = (_ISO, *_UDF, b"BEA01", b"TEA01", b"BOOT2", b"CDW02")
_ANCHOR = 256  # the sector where UDF begins to be read: ECMA-167 part 3, section 8.4.2.1
_PARTITION, _TERMINATOR = 5, 8  # tags of ECMA-167 part 3, section 7.2.1


def is_disc(head: bytes) -> bool:
    """Tell whether a file whose sector 16 is `head` is the image of an optical disc."""
    return head[1:6] in (_ISO, *_UDF, b"BEA01")


def walk_disc(stream: BinaryIO, size: int) -> str:
    """Check that all that the image says it has lies within the file; give the kind.

    Raises BrokenError, UnwalkedError, and OSError of reading.
    """
    has_udf, primary = False, b""
    for sector in _descriptors(stream):
        has_udf |= sector[1:6] in _UDF
        if sector[1:6] == _ISO and sector[0] == _PRIMARY:
            primary = primary or sector
    if primary:
        _check_volume(stream, size, primary)
    if has_udf:
        _check_partitions(stream, size)
    if not primary and not has_udf:
        raise BrokenError("it has no descriptor of its volume")
    return "iso9660" if primary else "udf"


def _descriptors(stream: BinaryIO) -> Iterator[bytes]:
    """Yield the recognition sequence: ISO 9660's descriptors, then UDF's."""
    has_iso = ended = False
    for number in range(16, 16 + _MOST_DESCRIPTORS):
        where = "the descriptors of its volume"
        sector = read_at(stream, number * _SECTOR, _SECTOR, where)
        if sector[1:6] not in _RECOGNISED:
            break
        has_iso |= sector[1:6] == _ISO
        ended |= sector[1:6] == _ISO and sector[0] == _LAST
        yield sector
    if has_iso and not ended:
        raise BrokenError("the descriptors of its volume have no end")


def _check_volume(stream: BinaryIO, size: int, primary: bytes) -> None:
    """Check the primary descriptor: ECMA-119 section 8.4, positions counted from 0 here."""
    block = _both_16(primary, 128, "size of a block")
    blocks = _both_32(primary, 80, "number of blocks")
    if block < 512 or block > _SECTOR or block & (block - 1):
        raise BrokenError("the descriptor of its volume is damaged: the size of a block")
    _within(size, blocks * block, "the image")
    table = _both_32(primary, 132, "size of the path table")
    (at,) = struct.unpack_from("<I", primary, 140)
    _within(size, at * block + table, "its path table")
    _check_root(stream, size, primary[156:190], block)


def _check_root(stream: BinaryIO, size: int, root: bytes, block: int) -> None:
    """Check that the root folder is there and names itself first: section 6.8.2.2."""
    at, length = _both_32(root, 2, "root folder"), _both_32(root, 10, "root folder")
    _within(size, at * block + length, "its root folder")
    # An extended attribute record may come before a folder's own.
    itself = read_at(stream, (at + root[1]) * block, 34, "its root folder")
    if itself[32:34] != b"\1\0" or _both_32(itself, 2, "root folder") != at:
        raise BrokenError("its root folder is damaged")


def _check_partitions(stream: BinaryIO, size: int) -> None:
    """Check that UDF's partitions lie within the file: ECMA-167 part 3, section 10.5."""
    anchor = read_at(stream, _ANCHOR * _SECTOR, 512, "its UDF part")
    if _tag(anchor) != 2:
        # There may be others at its end, which those who know how to write on discs leave.
        raise UnwalkedError("its UDF part does not begin where it mostly does: not walked")
    length, first = struct.unpack_from("<2I", anchor, 16)
    for number in range(first, first + min(length // _SECTOR, _MOST_DESCRIPTORS)):
        sector = read_at(stream, number * _SECTOR, 512, "its UDF part")
        if _tag(sector) == _PARTITION:
            start, count = struct.unpack_from("<2I", sector, 188)
            _within(size, (start + count) * _SECTOR, "its UDF part")
        if _tag(sector) == _TERMINATOR:
            return


def _tag(sector: bytes) -> int:
    """Give the number of a descriptor's tag, 0 if its sum is wrong: part 3, section 7.2."""
    if sum(sector[:4]) + sum(sector[5:16]) & 0xFF != sector[4]:
        return 0
    return int.from_bytes(sector[:2], "little")


def _within(size: int, end: int, what: str) -> None:
    if end > size:
        raise BrokenError(f"{what} ends at byte {end} and the file at {size}: it is cut short")


def _both_32(data: bytes, at: int, what: str) -> int:
    return _same(data[at : at + 4], data[at + 4 : at + 8], what)


def _both_16(data: bytes, at: int, what: str) -> int:
    return _same(data[at : at + 2], data[at + 2 : at + 4], what)


def _same(little: bytes, big: bytes, what: str) -> int:
    """Take a number that is written in both byte orders: ECMA-119 section 7.2.3."""
    if little != big[::-1]:
        raise BrokenError(f"the descriptor of its volume is damaged: the {what}")
    return int.from_bytes(little, "little")
