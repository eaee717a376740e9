"""Walk an rpm package: lead, signature header, header, and the payload to its end.

The format as rpm's own documentation has it ("RPM V4 Package format", "RPM Tags"); the Linux
Standard Base (ISO/IEC 23360-1, chapter "Package File Format") describes the same.
"""

from __future__ import annotations

import struct
from typing import BinaryIO, NamedTuple

from depotserve.tree import digests
from depotserve.tree.structure.outcome import BrokenError, UnwalkedError
from depotserve.tree.structure.packed import walk_packed
from depotserve.tree.structure.reading import exactly, most_unpacked, part, pieces, read_at

__all__ = ["MAGIC", "walk_rpm"]

MAGIC = b"\xed\xab\xee\xdb"
_LEAD = 96
_HEADER = struct.Struct(">4s4xII")
_HEADER_MAGIC = b"\x8e\xad\xe8\x01"
# rpm's own limits: tags are counted in 16 bits; it takes data of up to 256 MiB. Ours is lower: the
# headers of the largest packages that distributions ship have some ten MiB.
_MOST_TAGS, _MOST_DATA = 65535, 64 * 1024 * 1024
_LONG_SIZE, _SIZE, _MD5 = 270, 1000, 1004  # of the signature header
_SHA1, _SHA256 = 269, 273
_PAYLOAD_DIGEST, _COMPRESSOR = 5092, 1125  # of the header


class _Header(NamedTuple):
    tags: dict[int, tuple[int, int, int]]  # tag -> type, offset, count
    data: bytes
    start: int
    end: int

    def number(self, tag: int) -> int | None:
        kind, at, _ = self.tags.get(tag, (0, 0, 0))
        width = {4: 4, 5: 8}.get(kind)  # INT32, INT64
        return int.from_bytes(self.data[at : at + width], "big") if width else None

    def text(self, tag: int) -> bytes:
        kind, at, _ = self.tags.get(tag, (0, 0, 0))
        return self.data[at:].split(b"\0", 1)[0] if kind in (6, 8) else b""  # STRING, STRING_ARRAY

    def octets(self, tag: int) -> bytes:
        kind, at, count = self.tags.get(tag, (0, 0, 0))
        return self.data[at : at + count] if kind == 7 else b""  # BIN


def walk_rpm(stream: BinaryIO, size: int) -> str:
    """Walk to the end of the payload, checking each digest that there is; give the kind.

    Digests, not signatures: they tell damage, not who made it. Raises BrokenError, UnwalkedError,
    and OSError of reading.
    """
    signature = _header(stream, _LEAD, "the signature header")
    header = _header(stream, -(-signature.end // 8) * 8, "the header")
    _check_size(signature, size - header.start)
    _check_header(stream, signature, header)
    known = _check_payload(stream, signature, header, size)
    try:
        _unpack(stream, header, size)
    except UnwalkedError:
        if not known:
            raise
    return "rpm"


def _header(stream: BinaryIO, start: int, what: str) -> _Header:
    magic, count, length = _HEADER.unpack(read_at(stream, start, _HEADER.size, what))
    if magic != _HEADER_MAGIC or not count:
        raise BrokenError(f"{what} is damaged")
    if count > _MOST_TAGS or length > _MOST_DATA:
        raise BrokenError(f"{what} is damaged: it says that it has {count} tags, {length} bytes")
    index = exactly(stream, 16 * count, what)
    tags = {tag: (kind, at, many) for tag, kind, at, many in struct.iter_unpack(">4I", index)}
    data = exactly(stream, length, what)
    return _Header(tags, data, start, start + _HEADER.size + 16 * count + length)


def _check_size(signature: _Header, found: int) -> None:
    """Compare the size of header and payload; packages of the newest format may not state it."""
    stated = signature.number(_LONG_SIZE) or signature.number(_SIZE)
    if stated and stated != found:
        how = "it is cut short" if found < stated else "it is longer than it says"
        raise BrokenError(f"{how}: header and payload should have {stated} bytes, not {found}")


def _check_header(stream: BinaryIO, signature: _Header, header: _Header) -> None:
    for tag, name in ((_SHA256, "sha256"), (_SHA1, "sha1")):
        stated = signature.text(tag)
        if stated:
            found = _digest(stream, header.start, header.end - header.start, name)
            if found.hex().encode() != stated.lower():
                raise BrokenError("its header is not what its signature header says")
            return


def _check_payload(stream: BinaryIO, signature: _Header, header: _Header, size: int) -> bool:
    """Check a digest that covers the payload, and tell whether there is one."""
    stated = header.text(_PAYLOAD_DIGEST)
    algorithm = digests.by_size(len(stated) // 2)
    if stated and algorithm:
        found = _digest(stream, header.end, size - header.end, algorithm.name)
        if found.hex().encode() != stated.lower():
            raise BrokenError("its payload is not what its header says")
        return True
    if not signature.octets(_MD5):
        return False
    if _digest(stream, header.start, size - header.start, "md5") != signature.octets(_MD5):
        raise BrokenError("it is not what its signature header says")
    return True


def _digest(stream: BinaryIO, start: int, count: int, name: str) -> bytes:
    algorithm = digests.named(name)
    digest = algorithm.new() if algorithm else None
    stream.seek(start)
    for piece in pieces(stream, count, "its payload"):
        if digest:
            digest.update(piece)
    return digest.digest() if digest else b""


def _unpack(stream: BinaryIO, header: _Header, size: int) -> None:
    if header.text(_COMPRESSOR) == b"lzma":  # a format without a magic that was given up for xz
        raise UnwalkedError("its payload is packed by lzma, which is not unpacked")
    try:
        walk_packed(part(stream, header.end, size - header.end), most_unpacked(size))
    except BrokenError as error:
        raise BrokenError(f"its payload: {error}") from error
