"""What a list says of one file, gathered fact by fact, each as it is written there."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import attrs

from depotserve.tree.digests import named, parse_hex
from depotserve.tree.expectations.listed import Item, Listed, Unreadable, UnusableError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

__all__ = ["Facts", "insist", "parse_size", "uncompressed"]

_LARGEST = 2**63 - 1  # bytes; what a file system can hold
_SIZE = re.compile("[0-9]{1,19}")  # int() of thousands is refused by Python
_COMPRESSED = re.compile(rb"\.(?:gz|xz|bz2|zst|lzma|lz4)\Z")


def parse_size(text: str) -> int | None:
    """Read a size in bytes as decimal digits; None for anything else, or more than a file has."""
    size = int(text) if _SIZE.fullmatch(text) else _LARGEST + 1
    return size if size <= _LARGEST else None


def uncompressed(path: bytes) -> bytes:
    """Take the extension of a compression off a path, if it has one."""
    return _COMPRESSED.sub(b"", path)


@attrs.define
class Facts:
    """The size and digests of one file; what cannot be read becomes a fault with its line."""

    line: int
    size: int | None = None
    digests: dict[str, bytes] = attrs.field(factory=dict)
    faults: list[Unreadable] = attrs.field(factory=list)
    _unknown: list[Unreadable] = attrs.field(factory=list)

    def take_size(self, text: str, line: int) -> None:
        """Take a size as it is written."""
        size = parse_size(text)
        if size is None:
            self.fault(line, "the size is no number of bytes")
        elif self.size not in (None, size):
            self.fault(line, "another size than before")
        else:
            self.size = size

    def take_digest(self, kind: str, text: str, line: int) -> None:
        """Take a digest in hexadecimal, of the algorithm that the list calls `kind`.

        An unknown algorithm is a fault only beside no known one: it then leaves nothing to check.
        """
        algorithm = named(kind)
        if algorithm is None:
            self._unknown.append(Unreadable(line, "a digest of an unknown kind"))
            return
        value = parse_hex(text, algorithm)
        if value is None:
            self.fault(line, f"the digest is not {2 * algorithm.size} hexadecimal digits")
        elif self.digests.setdefault(algorithm.name, value) != value:
            self.fault(line, f"another {algorithm.name} digest than before")

    def fault(self, line: int, why: str) -> None:
        """Note what cannot be read."""
        self.faults.append(Unreadable(line, why))

    def items(self, path: bytes, group: bytes = b"") -> Iterator[Item]:
        """Yield the faults, then what is listed if a size or a digest is left."""
        yield from self.faults
        if not self.digests:
            yield from self._unknown
        if self.size is not None or self.digests:
            yield Listed(path, self.line, self.size, tuple(self.digests.items()), group)
        elif not self.faults and not self._unknown:
            yield Unreadable(self.line, "neither a size nor a digest")


def insist(items: Iterable[Item]) -> Iterator[Item]:
    """Pass on what a reader yields; raise UnusableError at the end if none of it can be checked.

    A list that is empty is fine here: its reader knows whether it may be.
    """
    listed = faults = False
    for item in items:
        listed = listed or isinstance(item, Listed)
        faults = faults or isinstance(item, Unreadable)
        yield item
    if faults and not listed:
        raise UnusableError("nothing in it can be read")
