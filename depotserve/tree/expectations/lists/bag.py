"""Manifests, tag manifests and the fetch list of a bag (RFC 8493, and BagIt 0.97 before it)."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, BinaryIO, Callable

import attrs

from depotserve.tree.digests import Algorithm, named, parse_hex
from depotserve.tree.expectations.listed import (
    LONGEST_LINE,
    Dialect,
    Item,
    Listed,
    NotAListError,
    Place,
    Unreadable,
    UnusableError,
)
from depotserve.tree.expectations.lists import checksum_lines
from depotserve.tree.expectations.lists.records import (
    Line,
    pieces_of,
    plain,
    split,
    transcoded,
    universal,
)
from depotserve.tree.expectations.lists.seen import Seen

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["dialect_of", "read_fetch_list", "read_manifest"]

_DECLARATION = b"bagit.txt"
# Section 2.1.1: exactly two lines. Its examples write a small v; a blank before the colon is none.
_DECLARED = re.compile(
    rb"BagIt-[Vv]ersion: ([0-9]{1,9})\.([0-9]{1,9})[\r\n]+"
    rb"Tag-File-Character-Encoding: ([A-Za-z0-9._-]{1,40})[ \t\r\n]*"
)
# As declared, in lower case; Python's codecs would take many more for text than text is.
_ENCODINGS = {
    "utf-8": None,
    "us-ascii": None,
    "iso-8859-1": "iso-8859-1",
    "utf-16": "utf-16",
    "utf-16le": "utf-16-le",
    "utf-16be": "utf-16-be",
}
_MANIFEST = re.compile(rb"(?P<tag>tag)?manifest-(?P<algorithm>[A-Za-z0-9_-]{1,32})\.txt")
_FETCH = b"fetch.txt"
_NAMES = re.compile(rb"(?:tag)?manifest-[A-Za-z0-9_-]{1,32}\.txt|fetch\.txt")
_ENTRY = re.compile(rb"([0-9A-Fa-f]+)[ \t]+(.+)", re.DOTALL)
_FETCHED = re.compile(rb"[^ \t]+[ \t]+(-|[0-9]{1,18})[ \t]+(.+)", re.DOTALL)  # 18: below 2**63
_ENCODED = re.compile(rb"%(0[Aa]|0[Dd]|25)")
_BREAKS = re.compile(rb"%(0[Aa]|0[Dd])")
_PAYLOAD = b"data/"


class _LineError(Exception):
    """A line that breaks the format; the text says how."""


@attrs.frozen
class _Bag:
    """What bagit.txt declares."""

    version: tuple[int, int]
    encoding: str | None  # None: bytes are names as they are

    @property
    def is_final(self) -> bool:
        """Tell whether RFC 8493 holds for it, and no earlier draft."""
        return self.version >= (1, 0)

    def lines(self, stream: BinaryIO) -> Iterator[Line]:
        """Give the lines of a tag file: they end in LF, CR or both (section 2.1.1)."""
        pieces = pieces_of(stream)
        text = transcoded(pieces, self.encoding) if self.encoding else plain(pieces)
        return ((number, line) for number, line in split(universal(text), b"\n") if line != b"")

    def paths(self, written: bytes) -> list[bytes]:
        """Give what a path in a manifest may mean.

        Section 2.1.3 has LF, CR and `%` encoded. Before 1.0 a `%` stands for itself, yet a common
        tool that writes 0.97 encodes LF and CR: there both meanings are given.
        """
        if self.is_final:
            return [_ENCODED.sub(_decoded, written)]
        return list(dict.fromkeys((written, _BREAKS.sub(_decoded, written))))


def dialect_of(name: bytes) -> Dialect | None:
    """Tell by a file's name whether it is a list of a bag, should bagit.txt lie beside it."""
    if _NAMES.fullmatch(name) is None:
        return None
    return _FETCH_LIST if name == _FETCH else _MANIFESTS


def read_manifest(stream: BinaryIO, place: Place) -> Iterator[Item]:
    """Read a manifest or tag manifest; without bagit.txt beside it, as a checksum list.

    One that is empty is fine: it is of a bag that holds nothing.
    """
    bag = _bag_of(place)
    found = _MANIFEST.fullmatch(place.name)
    if bag is None or found is None:
        yield from checksum_lines.read(stream, place)
        return
    algorithm = named(found["algorithm"].decode("ascii"))
    if algorithm is None:
        raise UnusableError(f"{found['algorithm'].decode('ascii')} is no digest that is known here")
    check = _check_tag_file if found["tag"] else _check_payload
    yield from _Reading(bag, check, algorithm).items(bag.lines(stream))


def read_fetch_list(stream: BinaryIO, place: Place) -> Iterator[Item]:
    """Read the list of what is to be fetched. Raises NotAListError if no bagit.txt lies beside."""
    bag = _bag_of(place)
    if bag is None:
        raise NotAListError("no bagit.txt beside it")
    yield from _Reading(bag, _check_payload).items(bag.lines(stream))


_MANIFESTS = Dialect("bag manifest", read_manifest, ("folder",))
_FETCH_LIST = Dialect("bag fetch list", read_fetch_list, ("folder",))


def _bag_of(place: Place) -> _Bag | None:
    """Read the declaration. Raises UnusableError for one that declares nothing."""
    text = place.beside(_DECLARATION)
    if text is None:
        return None
    found = _DECLARED.fullmatch(text)
    if found is None:
        raise UnusableError("the bagit.txt beside it does not declare a bag")
    encoding = found[3].decode("ascii").lower()
    if encoding not in _ENCODINGS:
        raise UnusableError(f"its encoding, {encoding}, is not known here")
    return _Bag((int(found[1]), int(found[2])), _ENCODINGS[encoding])


class _Reading:
    """A list of a bag that is being read; a fetch list where there is no algorithm."""

    def __init__(
        self, bag: _Bag, check: Callable[[bytes], None], algorithm: Algorithm | None = None
    ) -> None:
        self._bag = bag
        self._check = check
        self._algorithm = algorithm
        self._seen = Seen()

    def items(self, lines: Iterator[Line]) -> Iterator[Item]:
        was_read = in_vain = False
        for number, line in lines:
            try:
                found = list(self._entry(number, line))
            except _LineError as error:
                found = [Unreadable(number, str(error))]
            was_read |= isinstance(found[0], Listed)
            in_vain |= isinstance(found[0], Unreadable)
            yield from found
        if in_vain and not was_read:
            raise UnusableError("no line of it could be read")

    def _entry(self, number: int, line: bytes | None) -> Iterator[Item]:
        if line is None:
            raise _LineError(f"longer than {LONGEST_LINE} bytes")
        size, digests, written = self._fields(line)
        # Section 6.1.3: that mark of md5sum may be passed over, with a warning.
        starred = self._algorithm is not None and written.startswith(b"*") and written != b"*"
        paths = self._bag.paths(written[1:] if starred else written)
        for path in paths:
            self._check_path(path)
        if self._bag.is_final and not self._seen.add(paths[0]):
            raise _LineError("listed before, and RFC 8493 has each file once")
        for path in paths:
            yield Listed(path, number, size, digests, written if len(paths) > 1 else b"")
        if starred:
            yield Unreadable(number, "a `*` before the path, which bags do not have; passed over")

    def _fields(self, line: bytes) -> tuple[int | None, tuple[tuple[str, bytes], ...], bytes]:
        if self._algorithm is None:
            found = _FETCHED.fullmatch(line)
            if found is None:
                raise _LineError("no address, length and path")
            return None if found[1] == b"-" else int(found[1]), (), found[2]
        found = _ENTRY.fullmatch(line)
        value = parse_hex(found[1], self._algorithm) if found else None
        if found is None or value is None:
            raise _LineError(f"no digest {self._algorithm.name} and path")
        return None, ((self._algorithm.name, value),), found[2]

    def _check_path(self, path: bytes) -> None:
        """Refuse what section 5.1 and no file system's path may be, then what the list may not."""
        if b"\0" in path:
            raise _LineError("holds a NUL, which no name can")
        if path.startswith((b"/", b"~")) or b".." in path.split(b"/"):
            raise _LineError("leads out of the bag")
        if path.endswith((b"/", b"/.")) or path == b".":
            raise _LineError("names a folder")
        self._check(path.removeprefix(b"./"))


def _check_payload(path: bytes) -> None:
    if not path.startswith(_PAYLOAD):
        raise _LineError("not below data/, where a bag has its payload")


def _check_tag_file(path: bytes) -> None:
    if path.startswith(_PAYLOAD):
        raise _LineError("below data/, which a tag manifest does not list")
    found = _MANIFEST.fullmatch(path)
    if found and found["tag"]:
        raise _LineError("a tag manifest, which a tag manifest does not list")


def _decoded(found: re.Match[bytes]) -> bytes:
    return bytes((int(found[1], 16),))
