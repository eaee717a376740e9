"""ASCII armour of OpenPGP (RFC 9580 §6.2), and what can be told of a file from its beginning.

The checksum that may end a block is passed over: "MUST NOT reject an OpenPGP object when the CRC24
footer is present, missing, malformed, or disagrees" (§6.1); the signature itself is the check.
"""

from __future__ import annotations

import base64
import re
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["Block", "BrokenError", "blocks", "decode"]

_BEGIN = re.compile(rb"-----BEGIN PGP ([A-Z0-9 ,/]{1,40})-----[ \t\r]*")
_END = b"-----END PGP "
_BASE64 = re.compile(rb"[A-Za-z0-9+/]*={0,2}")
_CHECKSUM = re.compile(rb"=[A-Za-z0-9+/]{4}")


class BrokenError(Exception):
    """Bytes that are not the OpenPGP they should be; the text says how, in a few words."""


class Block(NamedTuple):
    """One armoured block: what its first line calls it, and what it holds."""

    label: bytes
    data: bytes


def blocks(content: bytes) -> Iterator[Block]:
    """Yield every armoured block; text around them is passed over. Raises BrokenError."""
    lines = iter(content.split(b"\n"))
    for line in lines:
        begin = _BEGIN.fullmatch(line)
        if begin:
            yield Block(begin[1], decode(lines, begin[1]))


def decode(lines: Iterator[bytes], label: bytes) -> bytes:
    """Read the rest of a block, from after its first line through its last. Raises BrokenError."""
    last, in_headers = _END + label + b"-----", True
    body: list[bytes] = []
    for line in lines:
        line = line.strip(b" \t\r")  # noqa: PLW2901  # RFC 9580 §6.2: blanks at the end are ignored
        if line == last:
            return _octets(body)
        if in_headers and b":" in line:
            continue
        in_headers = False
        body.append(line)
    raise BrokenError("the armour is cut short")


def _octets(lines: list[bytes]) -> bytes:
    while lines and not lines[-1]:
        lines.pop()
    if lines and _CHECKSUM.fullmatch(lines[-1]):
        lines.pop()
    text = b"".join(lines)
    if len(text) % 4 or not _BASE64.fullmatch(text):
        raise BrokenError("the armour is damaged")
    return base64.b64decode(text)
