"""Walk a zip archive: its directory is whole, each member is where that says, and its CRC is right.

APPNOTE.TXT of the .ZIP file format (ISO/IEC 21320-1 is a profile of it); section numbers are its.
Content is unpacked where it is stored or deflated, which is nearly all there is: where no list
vouches for an archive, the CRC is all that tells of a changed byte.
"""

from __future__ import annotations

import struct
import zlib
from typing import TYPE_CHECKING, BinaryIO, NamedTuple, cast

from depotserve.tree.structure.outcome import BrokenError, UnwalkedError, printable
from depotserve.tree.structure.reading import PIECE, most_unpacked, part, pieces, read_at
from depotserve.tree.structure.zip_directory import Directory, directory_of, entries

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.tree.structure.zip_directory import Entry

__all__ = ["is_zip_behind_a_program", "walk_zip"]

_LOCAL = struct.Struct("<4s22xHH")  # 4.3.7: the signature, the lengths of name and extra field
_ENCRYPTED = 0x2041  # 4.4.4: bits 0 and 6 for content, 13 for the directory
_STORED, _DEFLATED = 0, 8  # 4.4.5


class _Tally(NamedTuple):
    """What is left of what the members may take up together."""

    packed: int  # bytes of the file: members that lie over each other take up more than it has
    unpacked: int

    def less(self, entry: Entry) -> _Tally:
        return _Tally(self.packed - entry.packed, self.unpacked - entry.size)


def is_zip_behind_a_program(stream: BinaryIO, size: int) -> bool:
    """Tell whether a file that begins with something else is a zip archive by its end."""
    try:
        directory = directory_of(stream, size)
        return directory.total == 0 or next(entries(stream, directory), None) is not None
    except (BrokenError, UnwalkedError):
        return False


def walk_zip(stream: BinaryIO, size: int) -> str:
    """Walk the directory and every member; give the kind.

    Raises BrokenError, UnwalkedError if a member could not be unpacked but nothing is wrong, and
    OSError of reading.
    """
    directory = directory_of(stream, size)
    if directory.prefix and read_at(stream, 0, 4, "its beginning") == b"PK\3\4":
        # What is at its end is the directory of an archive within it.
        raise BrokenError("the directory of its files is missing: it is cut short")
    tally = _Tally(directory.start, most_unpacked(size))
    unwalked = ""
    for entry in entries(stream, directory):
        tally = tally.less(entry)
        if tally.packed < 0:
            raise BrokenError("its members lie over each other")
        unwalked = _walk_member(stream, directory, entry, tally) or unwalked
    if unwalked:
        raise UnwalkedError(unwalked)
    return "zip"


def _walk_member(stream: BinaryIO, directory: Directory, entry: Entry, tally: _Tally) -> str:
    """Check one member; give what of it could not be checked."""
    where = f"the member {printable(entry.name)}"
    offset = directory.prefix + entry.offset
    if offset > directory.start:
        raise BrokenError(f"{where} is not where its directory says")
    start = _pass_header(stream, offset, entry, where)
    if start + entry.packed > directory.start:
        raise BrokenError(f"{where} reaches into its directory")
    if entry.flags & _ENCRYPTED:
        return "members are encrypted: their content was not checked"
    if entry.method not in (_STORED, _DEFLATED):
        return f"members are packed by method {entry.method}: their content was not checked"
    if tally.unpacked < 0:
        return "it holds more than is unpacked: not walked to its end"
    if entry.packed or entry.size:
        _check_content(part(stream, start, entry.packed), entry, where)
    return ""


def _pass_header(stream: BinaryIO, offset: int, entry: Entry, where: str) -> int:
    """Check the header before a member and give where its content begins."""
    header = read_at(stream, offset, _LOCAL.size + len(entry.name), where)
    signature, name, extra = cast("tuple[bytes, int, int]", _LOCAL.unpack_from(header))
    if signature != b"PK\3\4":
        raise BrokenError(f"{where} is not where its directory says")
    # An encrypted directory leaves other names in the headers: 4.3.7.
    if not entry.flags & _ENCRYPTED and header[_LOCAL.size :] != entry.name[:name]:
        raise BrokenError(f"{where} has another name in its directory")
    return offset + _LOCAL.size + name + extra


def _check_content(packed: BinaryIO, entry: Entry, where: str) -> None:
    crc = size = 0
    content = _inflated if entry.method == _DEFLATED else _stored
    try:
        for piece in content(packed, entry.packed, where):
            crc, size = zlib.crc32(piece, crc), size + len(piece)
            # What says that it is small is not unpacked any further.
            if size > entry.size:
                break
    except zlib.error as error:
        raise BrokenError(f"{where} is damaged: {error}") from error
    if size != entry.size:
        raise BrokenError(f"{where} unpacks to another size than its directory says")
    if crc != entry.crc:
        raise BrokenError(f"{where} is damaged: its CRC is wrong")


def _stored(packed: BinaryIO, count: int, where: str) -> Iterator[bytes]:
    return pieces(packed, count, where)


def _inflated(packed: BinaryIO, _count: int, where: str) -> Iterator[bytes]:
    inflater = zlib.decompressobj(-zlib.MAX_WBITS)
    while not inflater.eof:
        data = inflater.unconsumed_tail or packed.read(PIECE)
        piece = inflater.decompress(data, PIECE)
        if not data and not piece:
            raise BrokenError(f"{where} is damaged: its content ends too early")
        yield piece
