"""Walk an ar archive, and the package of a Debian system that is one: deb(5).

The common archive format: a magic of 8 bytes, then members behind headers of 60 bytes, padded to
an even place.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, BinaryIO, NamedTuple

from depotserve.tree.structure.outcome import BrokenError, UnwalkedError, printable
from depotserve.tree.structure.packed import walk_packed
from depotserve.tree.structure.reading import most_unpacked, part, read_at

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["MAGIC", "walk_ar"]

MAGIC = b"!<arch>\n"
_HEADER = 60
# deb(5) also has .lzma, a format without a magic, which was given up for xz.
_PACKED = re.compile(rb"(?:control|data)\.tar(?:\.(?:gz|xz|zst|bz2))?")
_SIZE = re.compile(rb"([0-9]{1,10}) *")


class _Member(NamedTuple):
    name: bytes
    offset: int
    size: int


def walk_ar(stream: BinaryIO, size: int) -> str:
    """Walk the members; those of a package are unpacked to their end. Give the kind.

    Raises BrokenError, UnwalkedError, and OSError of reading.
    """
    members = _members(stream, size)
    first = next(members, None)
    if first is None or first.name != b"debian-binary":
        for _ in members:
            pass
        return "ar"
    _walk_package(stream, size, members)
    return "deb"


def _walk_package(stream: BinaryIO, size: int, members: Iterator[_Member]) -> None:
    lacking = [b"control.tar", b"data.tar"]
    unwalked = ""
    for member in members:
        if lacking and member.name.startswith(lacking[0]):
            del lacking[0]
            try:
                _unpack(stream, member, most_unpacked(size))
            except UnwalkedError as error:
                unwalked = str(error)
    if lacking:
        raise BrokenError(f"{lacking[0].decode()} is missing: it is cut short")
    if unwalked:
        raise UnwalkedError(unwalked)


def _unpack(stream: BinaryIO, member: _Member, most: int) -> None:
    name = printable(member.name)
    if not _PACKED.fullmatch(member.name):
        raise UnwalkedError(f"{name} in it is not unpacked")
    try:
        walk_packed(part(stream, member.offset, member.size), most)
    except BrokenError as error:
        raise BrokenError(f"{name}: {error}") from error


def _members(stream: BinaryIO, size: int) -> Iterator[_Member]:
    at = len(MAGIC)
    while at < size:
        header = read_at(stream, at, _HEADER, "the header of a member")
        stated = _SIZE.fullmatch(header[48:58])
        if header[58:] != b"`\n" or not stated:
            raise BrokenError(f"the header at byte {at} is damaged")
        # System V and GNU end a short name with a slash.
        member = _Member(header[:16].rstrip(b" ").rstrip(b"/"), at + _HEADER, int(stated[1]))
        at = member.offset + member.size
        if at > size:
            raise BrokenError(f"it is cut short in the member {printable(member.name)}")
        yield member
        at += at & 1
