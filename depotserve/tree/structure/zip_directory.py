"""Read the directory at the end of a zip archive, entry by entry (APPNOTE.TXT 4.3.12 to 4.3.16)."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, BinaryIO, NamedTuple

from depotserve.tree.structure.outcome import BrokenError, UnwalkedError, printable
from depotserve.tree.structure.reading import exactly, part, read_at

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["Directory", "Entry", "directory_of", "entries"]

_END = struct.Struct("<4s4H2IH")  # 4.3.16
_END_64 = struct.Struct("<4sQ2H2I4Q")  # 4.3.14
_LOCATOR_64 = struct.Struct("<4sIQI")  # 4.3.15
_ENTRY = struct.Struct("<4s4x2H4x3I3H8xI")  # 4.3.12
_LONGEST_COMMENT = 65535
_FULL_16, _FULL_32 = 0xFFFF, 0xFFFFFFFF  # 4.4.1.4: the value stands in a Zip64 record
_SEVERAL = "it is one volume of several: not walked"


class Directory(NamedTuple):
    """Where the directory lies in the file, and how many entries it says it has."""

    start: int
    size: int
    total: int  # of entries
    prefix: int  # bytes before the archive, a program that unpacks it
    wide: bool  # whether the count is of 64 bits; one of 16 may have run over


class Entry(NamedTuple):
    """What the directory says of one member; `offset` counts from the archive's beginning."""

    name: bytes
    flags: int
    method: int
    crc: int
    packed: int
    size: int
    offset: int


def directory_of(stream: BinaryIO, size: int) -> Directory:
    """Find the directory by the record at the end; raises BrokenError and UnwalkedError."""
    end, record = _end_record(stream, size)
    _, disk, first_disk, _, count, length, offset, comment = record
    if end + _END.size + comment > size:
        raise BrokenError("it is cut short in the comment at its end")
    wide = _end_record_64(stream, end)
    if wide:
        end, (_, _, _, _, disk, first_disk, _, count, length, offset) = wide
    if (disk or first_disk) and disk not in (_FULL_16, _FULL_32):
        raise UnwalkedError(_SEVERAL)
    prefix = end - length - offset
    if prefix < 0:
        raise BrokenError("the directory of its files does not fit: a part of it is missing")
    return Directory(end - length, length, count, prefix, bool(wide))


def _end_record(stream: BinaryIO, size: int) -> tuple[int, tuple[int, ...]]:
    """Find the record whose comment reaches the end, else the last that there is."""
    begin = max(0, size - _END.size - _LONGEST_COMMENT)
    tail = read_at(stream, begin, size - begin, "its end")
    at = last = tail.rfind(b"PK\5\6", 0, max(0, len(tail) - _END.size + 4))
    while at >= 0 and at + _END.size + _comment(tail, at) != len(tail):
        at = tail.rfind(b"PK\5\6", 0, at + 3)
    at = last if at < 0 else at
    if at < 0:
        stream.seek(0)
        if stream.read(4) == b"PK\7\x08":  # 8.5.4: the first volume of several begins so
            raise UnwalkedError(_SEVERAL)
        raise BrokenError("the directory of its files is missing: it is cut short")
    return begin + at, _END.unpack_from(tail, at)


def _comment(tail: bytes, at: int) -> int:
    return int.from_bytes(tail[at + 20 : at + 22], "little")


def _end_record_64(stream: BinaryIO, end: int) -> tuple[int, tuple[int, ...]] | None:
    """Read the wide record that stands before the end record, if there is one."""
    if end < _LOCATOR_64.size + _END_64.size:
        return None
    locator = read_at(stream, end - _LOCATOR_64.size, _LOCATOR_64.size, "its end")
    signature, _, stated, _ = _LOCATOR_64.unpack(locator)
    if signature != b"PK\6\7":
        return None
    # Behind a program the stated place is too low; records without extensions end at the locator.
    for at in (stated, end - _LOCATOR_64.size - _END_64.size):
        if at > end - _LOCATOR_64.size - _END_64.size:
            continue
        record = _END_64.unpack(read_at(stream, at, _END_64.size, "its end"))
        if record[0] == b"PK\6\6":
            return at, record
    raise BrokenError("the Zip64 record of its directory is missing: it is damaged")


def entries(stream: BinaryIO, directory: Directory) -> Iterator[Entry]:
    """Yield the entries, as many as the directory says; raises BrokenError.

    Other reads of the stream may come in between. Memory does not grow with the directory.
    """
    count = 0
    for entry in _all_entries(stream, directory):
        yield entry
        count += 1
    wrong = count - directory.total
    if wrong if directory.wide else wrong % (_FULL_16 + 1):
        raise BrokenError(f"its directory has {count} entries and says {directory.total}")


def _all_entries(stream: BinaryIO, directory: Directory) -> Iterator[Entry]:
    where = "the directory of its files"
    source = part(stream, directory.start, directory.size)
    while True:
        head = source.read(_ENTRY.size)
        if not head or head.startswith(b"PK\5\5"):  # 4.3.13: a signature may follow
            return
        if len(head) < _ENTRY.size or not head.startswith(b"PK\1\2"):
            raise BrokenError("the directory of its files is damaged")
        _, flags, method, crc, packed, size, name, extra, comment, offset = _ENTRY.unpack(head)
        title = exactly(source, name, where)
        wide = _wide(exactly(source, extra, where), (size, packed, offset), title)
        exactly(source, comment, where)
        yield Entry(title, flags, method, crc, wide[1], wide[0], wide[2])


def _wide(extra: bytes, narrow: tuple[int, int, int], name: bytes) -> tuple[int, int, int]:
    """Take what does not fit 32 bits from the Zip64 field (4.5.3): size, packed size, offset."""
    if _FULL_32 not in narrow:
        return narrow
    field = _field(extra, 1)
    values = iter(struct.unpack(f"<{len(field) // 8}Q", field[: len(field) // 8 * 8]))
    size, packed, offset = (next(values, -1) if value == _FULL_32 else value for value in narrow)
    if -1 in (size, packed, offset):
        raise BrokenError(f"the directory is damaged at {printable(name)}")
    return size, packed, offset


def _field(extra: bytes, wanted: int) -> bytes:
    at = 0
    while at + 4 <= len(extra):
        kind, length = struct.unpack_from("<2H", extra, at)
        if kind == wanted:
            return extra[at + 4 : at + 4 + length]
        at += 4 + length
    return b""
