"""What lies at one path of a tree."""

from __future__ import annotations

import stat
from enum import IntEnum
from typing import NamedTuple

__all__ = ["KINDS_BY_MODE", "Entry", "Kind", "entry_of_state", "folded", "kind_of_mode", "shown"]

_MOST = 2**63 - 1  # what an integer of SQLite holds


class Kind(IntEnum):
    """What an entry is."""

    FILE = 1
    FOLDER = 2
    LINK = 3
    SPECIAL = 4  # a FIFO, a socket, a device


class Entry(NamedTuple):
    """One entry, never through a link; its path is relative to the root, `/` between names."""

    path: bytes
    kind: Kind
    size: int = 0
    mtime: int = 0  # nanoseconds, as ctime
    ctime: int = 0
    inode: int = 0
    device: int = 0


def folded(mtime: int, ctime: int, inode: int) -> tuple[int, int, int]:
    """Give what the system says of a file in numbers that a database takes.

    Inodes of 64 bits without a sign (of some network file systems) and times out of the years 1678
    to 2261 are folded into 64 bits with a sign; they tell files apart as before.
    """
    if inode > _MOST or not -_MOST < mtime < _MOST or not -_MOST < ctime < _MOST:
        return _folded(mtime), _folded(ctime), _folded(inode)
    return mtime, ctime, inode


def entry_of_state(  # noqa: PLR0913, PLR0917  # as Entry has them
    path: bytes, kind: Kind, size: int, mtime: int, ctime: int, inode: int, device: int
) -> Entry:
    """Give an entry of what the system says, `folded`."""
    return Entry(path, kind, size, *folded(mtime, ctime, inode), device)


def _folded(number: int) -> int:
    return (number + _MOST + 1) % 2**64 - _MOST - 1


def kind_of_mode(mode: int) -> Kind:
    """Tell the kind by the mode of `os.stat`."""
    return Kind(KINDS_BY_MODE.get(mode & 0o170000, _SPECIAL))  # stat.S_IFMT, without a call


# Plain integers, which are quicker to make and to keep, by the file type bits of a mode.
KINDS_BY_MODE = {
    stat.S_IFREG: int(Kind.FILE),
    stat.S_IFDIR: int(Kind.FOLDER),
    stat.S_IFLNK: int(Kind.LINK),
}
_SPECIAL = int(Kind.SPECIAL)


def shown(path: bytes) -> str:
    """Give a path as text; bytes that are no UTF-8 become surrogates, to be printed escaped."""
    return path.decode("utf-8", "surrogateescape")
