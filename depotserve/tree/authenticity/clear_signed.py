"""Clear-signed text (RFC 9580 §7), taken apart so that nothing unsigned is ever read as signed.

Nothing may stand before the message or after it, no header but `Hash` in it, and every line that
begins with a dash is escaped. What a signature covers is then one plain text, the lines that
`take_apart` gives. Lists are read as they stream by `expectations.cleartext`: of every file that is
taken here it gives the same lines.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, NamedTuple

from depotserve.tree.authenticity.armour import BrokenError, decode

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["ClearSigned", "holds_message", "is_clear_signed", "take_apart"]

_BEGIN = b"-----BEGIN PGP SIGNED MESSAGE-----"
_SIGNATURE = b"-----BEGIN PGP SIGNATURE-----"
_HASH = re.compile(rb"Hash: ?[A-Za-z0-9, -]{1,80}")
# RFC 9580 §7.2: "trailing whitespace -- specifically, spaces (0x20) and tabs (0x09) -- at the end
# of any line is removed"; the carriage return is part of the line's end.
_TRAILING = b" \t\r"
_MOST_LINES = 1_000_000  # each is an object of some 60 bytes


class ClearSigned(NamedTuple):
    """A clear-signed message: the lines that are signed, and the signatures' packets."""

    lines: list[bytes]  # unescaped, without what the standard leaves out at their ends
    signature: bytes


def is_clear_signed(head: bytes) -> bool:
    """Tell by a file's first 64 bytes whether it is a clear-signed message."""
    return head.startswith(_BEGIN)


def holds_message(content: bytes) -> bool:
    """Tell whether a clear-signed message lies in a file, be it amid something else."""
    return _BEGIN in content


def take_apart(content: bytes) -> ClearSigned:
    """Split a clear-signed file into its text and its signatures.

    It says nothing of whether a signature is good. Raises BrokenError if anything in the file
    stands where a signature would not cover it.
    """
    if content.count(b"\n") > _MOST_LINES:
        raise BrokenError(f"the signed message has more than {_MOST_LINES} lines")
    rows = iter(content.split(b"\n"))
    # Blank lines before it hide nothing; gpgv and the reader of lists pass over them too.
    if next(filter(None, (row.rstrip(_TRAILING) for row in rows)), b"") != _BEGIN:
        raise BrokenError("text stands before the signed message")
    for row in rows:
        header = row.rstrip(b"\r")
        if not header:
            break
        if not _HASH.fullmatch(header):
            raise BrokenError("a header that no signature covers stands in the signed message")
    lines = list(_text(rows))
    signature = decode(rows, b"SIGNATURE")
    if any(row.strip(_TRAILING) for row in rows):
        raise BrokenError("text stands after the signed message")
    return ClearSigned(lines, signature)


def _text(rows: Iterator[bytes]) -> Iterator[bytes]:
    for row in rows:
        line = row.rstrip(_TRAILING)
        if line == _SIGNATURE:
            return
        if row.startswith(b"- "):
            line = line[2:]
        elif row.startswith(b"-"):
            raise BrokenError("a line of the signed message begins with a dash that is not escaped")
        yield line
    raise BrokenError("the signed message is cut short")
