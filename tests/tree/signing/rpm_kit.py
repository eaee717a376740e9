"""Rpm packages put together byte by byte: what no tool would write.

Layout: the LSB Core specification, "Package File Format"; rpm's own documentation of its headers.
"""

from __future__ import annotations

import struct

_MAGIC = b"\x8e\xad\xe8\x01\0\0\0\0"
_LEAD = b"\xed\xab\xee\xdb\x03\0" + bytes(90)
INT32, STRING, BIN = 4, 6, 7


def header(region: int, *entries: tuple[int, int, int, bytes]) -> bytes:
    """Build a header: tag, type, count and data of each entry, within a region."""
    data, index = b"", b""
    for tag, kind, count, content in entries:
        data += b"\0" * (-len(data) % 4 if kind == INT32 else 0)
        index += struct.pack(">IIII", tag, kind, len(data), count)
        data += content
    first = struct.pack(">IIII", region, BIN, len(data), 16)
    data += struct.pack(">IIiI", region, BIN, -16 * (len(entries) + 1), 16)
    return _MAGIC + struct.pack(">II", len(entries) + 1, len(data)) + first + index + data


def package(signatures: dict[int, bytes], main: bytes, payload: bytes) -> bytes:
    """Build a package of its signatures by their tags, its main header and its payload."""
    entries = [(tag, BIN, len(content), content) for tag, content in signatures.items()]
    first = header(62, *entries)
    return _LEAD + first + b"\0" * (-len(first) % 8) + main + payload


def main_header(payload_digest: str | None, *, algorithm: int = 8) -> bytes:
    """Build a main header that holds the payload's digest, or none."""
    entries = [(1000, STRING, 1, b"pump\0")]
    if payload_digest is not None:
        entries.append((5092, 8, 1, payload_digest.encode() + b"\0"))
        entries.append((5093, INT32, 1, struct.pack(">I", algorithm)))
    return header(63, *entries)
