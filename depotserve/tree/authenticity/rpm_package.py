"""Where an rpm package (format version 3, which rpm 4 writes) keeps signatures and digests."""

from __future__ import annotations

import base64
import binascii
import struct
from typing import TYPE_CHECKING, BinaryIO

import attrs

from depotserve.tree.authenticity.armour import BrokenError
from depotserve.tree.digests import Algorithm, named

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["MAGIC", "Package", "read_package"]

MAGIC = b"\xed\xab\xee\xdb"
_LEAD = 96  # octets
_HEADER_MAGIC = b"\x8e\xad\xe8\x01\0\0\0\0"
# Bounds within those of rpm itself (65,535 entries, 256 MiB); real headers reach some MiB.
_MOST_ENTRIES = 65_535
_MOST_DATA = 64 * 1024 * 1024
_ENTRY = struct.Struct(">iIiI")  # tag, type, offset, count
_INT32, _STRING, _BIN, _STRINGS = 4, 6, 7, 8
_OF_HEADER = (267, 268)  # DSAHEADER, RSAHEADER: over the main header
_OPENPGP = 278  # the same, one string in base64 a signature; rpm 4.20
_OF_ALL = (1002, 1005)  # PGP, GPG: over header and payload
_IMMUTABLE, _PAYLOAD_DIGEST, _PAYLOAD_ALGORITHM = 63, 5092, 5093
_ALGORITHMS = {2: "sha1", 8: "sha256", 9: "sha384", 10: "sha512"}  # RFC 9580 §9.5


@attrs.frozen
class Package:
    """A package up to its payload, where the stream then stands."""

    before: bytes = attrs.field(repr=False)  # all that precedes the main header; signed by nobody
    header: bytes = attrs.field(repr=False)
    of_header: tuple[bytes, ...]  # signatures, each the content of a signature file
    of_all: tuple[bytes, ...]
    payload: tuple[Algorithm, bytes] | None  # the payload's digest, which the header vouches for


def read_package(stream: BinaryIO) -> Package:
    """Read a package up to its payload. Raises BrokenError, and OSError of reading."""
    lead = _read(stream, _LEAD)
    if not lead.startswith(MAGIC):
        raise BrokenError("is no rpm package")
    signature, signatures = _header(stream)
    padding = _read(stream, -len(signature) % 8)
    header, entries = _header(stream)
    if not _is_whole(header):
        raise BrokenError("has a header of which its signature covers a part")
    return Package(
        lead + signature + padding,
        header,
        (*_blobs(signatures, _OF_HEADER), *_encoded(signatures)),
        tuple(_blobs(signatures, _OF_ALL)),
        _payload_digest(entries),
    )


def _read(stream: BinaryIO, size: int) -> bytes:
    content = stream.read(size)
    if len(content) < size:
        raise BrokenError("is cut short")
    return content


@attrs.frozen
class _Entry:
    """One entry of a header: its type, its count, and the data from where its own begin."""

    type: int
    count: int
    data: memoryview = attrs.field(repr=False)

    def string(self) -> bytes:
        """Give the first string."""
        return bytes(self.data[:1_000_000]).partition(b"\0")[0]


def _header(stream: BinaryIO) -> tuple[bytes, dict[int, _Entry]]:
    intro = _read(stream, 16)
    if not intro.startswith(_HEADER_MAGIC):
        raise BrokenError("has a damaged header")
    count, size = struct.unpack(">II", intro[8:])
    if count > _MOST_ENTRIES or size > _MOST_DATA:
        raise BrokenError("has a header that is too large")
    index, data = _read(stream, 16 * count), _read(stream, size)
    entries: dict[int, _Entry] = {}
    for tag, kind, offset, number in _ENTRY.iter_unpack(index):
        if not 0 <= offset <= size:
            raise BrokenError("has a damaged header")
        if tag in entries:
            raise BrokenError("has a header that says something twice")
        entries[tag] = _Entry(kind, number, memoryview(data)[offset:])
    return intro + index + data, entries


def _is_whole(header: bytes) -> bool:
    """Tell whether the region that rpm signs (tag 63) is the whole header.

    Its entry comes first; the 16 bytes at its end, which are the last of the data, say how far the
    index goes that it covers, as a negative number of bytes.
    """
    count, size = struct.unpack(">II", header[8:16])
    if not count or size < 16:
        return False
    first, last = _ENTRY.unpack(header[16:32]), _ENTRY.unpack(header[-16:])
    return first == (_IMMUTABLE, _BIN, size - 16, 16) and last == (
        _IMMUTABLE,
        _BIN,
        -16 * count,
        16,
    )


def _blobs(entries: dict[int, _Entry], tags: tuple[int, ...]) -> Iterator[bytes]:
    for tag in tags:
        entry = entries.get(tag)
        if entry and entry.type == _BIN:
            if entry.count > len(entry.data):
                raise BrokenError("has a damaged header")
            yield bytes(entry.data[: entry.count])


def _encoded(entries: dict[int, _Entry]) -> Iterator[bytes]:
    entry = entries.get(_OPENPGP)
    if not entry or entry.type != _STRINGS:
        return
    rest = bytes(entry.data[:1_000_000]).split(b"\0", entry.count) if entry.count <= 64 else []
    try:
        yield from [base64.b64decode(text, validate=True) for text in rest[: entry.count]]
    except binascii.Error as error:
        raise BrokenError("has a damaged signature") from error


def _payload_digest(entries: dict[int, _Entry]) -> tuple[Algorithm, bytes] | None:
    digest, kind = entries.get(_PAYLOAD_DIGEST), entries.get(_PAYLOAD_ALGORITHM)
    if not digest or not kind or digest.type not in (_STRING, _STRINGS) or kind.type != _INT32:
        return None
    algorithm = named(_ALGORITHMS.get(int.from_bytes(kind.data[:4], "big"), ""))
    try:
        value = bytes.fromhex(digest.string().decode("ascii"))
    except ValueError:
        return None
    return (algorithm, value) if algorithm and len(value) == algorithm.size else None
