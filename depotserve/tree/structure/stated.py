"""Formats that state at their beginning how long they are, and no more of them is looked at.

7z (its 7zFormat.txt), cabinet files ([MS-CAB] section 2.1), SquashFS 4 (its superblock in the
Linux kernel's Documentation/filesystems/squashfs.rst).
"""

from __future__ import annotations

import struct
import zlib
from typing import BinaryIO

from depotserve.tree.structure.outcome import BrokenError, UnwalkedError
from depotserve.tree.structure.reading import pieces, read_at

__all__ = ["walk_7z", "walk_cabinet", "walk_squashfs"]

_START_7Z = struct.Struct("<8xI20s")
_NEXT_7Z = struct.Struct("<QQI")
_UNCHECKED = "its files are not unpacked: their content was not checked"


def walk_7z(stream: BinaryIO, size: int) -> str:
    """Check both headers of a 7z archive by their CRCs: the second stands at its end.

    Always raises: BrokenError, or UnwalkedError since the content was not checked.
    """
    crc, start = _START_7Z.unpack(read_at(stream, 0, _START_7Z.size, "its first header"))
    if zlib.crc32(start) != crc:
        raise BrokenError("its first header is damaged")
    offset, length, crc = _NEXT_7Z.unpack(start)
    _within(size, _START_7Z.size + offset + length)
    stream.seek(_START_7Z.size + offset)
    found = 0
    for piece in pieces(stream, length, "its last header"):
        found = zlib.crc32(piece, found)
    if found != crc:
        raise BrokenError("its last header is damaged")
    raise UnwalkedError(_UNCHECKED)


def walk_cabinet(stream: BinaryIO, size: int) -> str:
    """Check that a cabinet file is as long as it says; a signature may follow. Always raises."""
    (stated,) = struct.unpack("<8xI", read_at(stream, 0, 12, "its header"))
    _within(size, stated)
    raise UnwalkedError(_UNCHECKED)


def walk_squashfs(stream: BinaryIO, size: int) -> str:
    """Check that a file system image is as long as it says; padding may follow. Always raises."""
    version, used = struct.unpack("<28xH10xQ", read_at(stream, 0, 48, "its superblock"))
    if version != 4:
        raise UnwalkedError(f"version {version} of its format is not walked")
    _within(size, used)
    raise UnwalkedError(_UNCHECKED)


def _within(size: int, end: int) -> None:
    if end > size:
        raise BrokenError(f"it ends at byte {end} and the file at {size}: it is cut short")
