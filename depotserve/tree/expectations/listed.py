"""What a list says of files: its entries, and the lines that could not be read."""

from __future__ import annotations

import posixpath
import re
from typing import TYPE_CHECKING, BinaryIO, Callable, NamedTuple, Union

import attrs

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = [
    "BESIDE_MOST",
    "LONGEST_LINE",
    "Dialect",
    "Item",
    "Listed",
    "NotAListError",
    "Place",
    "Reader",
    "Unreadable",
    "UnusableError",
    "resolve",
]

# The common path, told without taking it apart: no component is empty or begins with a dot.
_PLAIN = re.compile(rb"(?:[^./\0][^/\0]*/)*[^./\0][^/\0]*\Z")
LONGEST_LINE = 65536  # bytes; a path has at most 4096 (PATH_MAX), four times that in escapes
BESIDE_MOST = 4 * 1024 * 1024  # bytes; what registries commonly take as an image's manifest at most


class Listed(NamedTuple):
    """What one entry of a list says of one file."""

    path: bytes  # as the list names it, `/` between names; see `resolve`
    line: int  # from 1 on; the number of the entry in a format without lines
    size: int | None = None
    digests: tuple[tuple[str, bytes], ...] = ()  # (Algorithm.name, value)
    group: bytes = b""  # of entries that share one, a single one that is there suffices


class Unreadable(NamedTuple):
    """A line, or an entry, that says nothing that could be checked."""

    line: int
    why: str


Item = Union[Listed, Unreadable]


class UnusableError(Exception):
    """The list as a whole cannot be used; its text says why, in a few words."""


class NotAListError(UnusableError):
    """What was taken for a list by its name is none, or none that is in force.

    Raised before anything was yielded. In a tree it is no finding at all, and the file is one like
    any other; of a list that a person named it is as bad as any UnusableError.
    """


@attrs.frozen
class Place:
    """Where a list lies, and a way to look at what lies beside it."""

    path: bytes  # relative to the root; a list from elsewhere: its file name alone
    # Reads a file by its path relative to the list's folder, without `..`: its first BESIDE_MOST
    # bytes as they lie there; None if there is no such file.
    beside: Callable[[bytes], bytes | None] = lambda _: None
    # Takes one line for a person on how the list is read, where that is not plain from its kind.
    say: Callable[[str], None] = lambda _: None
    base: str = "folder"  # of `bases.BASES`, what the paths of the list are held to be relative to

    @property
    def folder(self) -> bytes:
        """Give the list's folder, `b""` for the root."""
        return posixpath.dirname(self.path)

    @property
    def name(self) -> bytes:
        """Give the list's own file name."""
        return posixpath.basename(self.path)

    def neighbour(self, name: bytes) -> bytes:
        """Give the path, as the list would have it, of a file in the list's own folder."""
        return posixpath.join(self.folder, name) if self.base == "root" else name


# A reader gets the list's decompressed bytes and yields as it reads; memory does not grow with the
# list. It raises UnusableError, and whatever the stream raises; nothing else, whatever it is fed.
Reader = Callable[[BinaryIO, Place], "Iterator[Item]"]


@attrs.frozen
class Dialect:
    """A kind of list."""

    name: str  # for a person: "checksum list", "Debian package index"
    read: Reader
    # What its paths may be relative to, likeliest first: names of `bases.BASES`.
    bases: tuple[str, ...] = ("folder", "root")
    guessed: bool = False  # whether reading it is a heuristic


def resolve(base: bytes, path: bytes) -> bytes | None:
    """Join a listed path to the folder `base`; both and the result are relative to the root.

    `.` and doubled slashes go, `..` is followed by its letter. None for a path that is absolute or
    empty, names a folder, holds a NUL, or leads out of the root.
    """
    if _PLAIN.match(path):
        return base + b"/" + path if base else path
    if not path or path.startswith(b"/") or path.endswith(b"/") or b"\0" in path:
        return None
    if path.endswith((b"/.", b"/..")) or path in (b".", b".."):
        return None
    joined = posixpath.normpath(base + b"/" + path if base else path)
    return None if joined.startswith(b"../") or joined in (b".", b"..") else joined
