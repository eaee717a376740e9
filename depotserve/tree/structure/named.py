"""What a name promises, and what a file is that does not keep it."""

from __future__ import annotations

import codecs
import re
from typing import NamedTuple

__all__ = ["Promise", "disappointment", "is_piece", "promise"]


class Promise(NamedTuple):
    """What a name says that the file is."""

    suffix: str
    least: int  # bytes: no file of that format is shorter
    magic: bytes
    place: int = 0  # of the magic


# The least sizes: an end record (zip), one header (tar), a header with an empty content and a
# trailer (gzip, xz, bzip2), a skippable frame (zstd), a system area with two descriptors and a
# folder (iso), a lead with two headers (rpm), a magic with three headers (deb), a header.
_FORMATS = {
    ("zip", "jar", "war", "ear", "whl"): (22, b"PK\3\4", 0),
    ("tar", "ova"): (512, b"ustar", 257),
    ("gz", "tgz"): (18, b"\x1f\x8b\x08", 0),
    ("xz", "txz"): (32, b"\xfd7zXZ\0", 0),
    ("bz2", "tbz", "tbz2"): (14, b"BZh", 0),
    ("zst", "tzst"): (8, b"\x28\xb5\x2f\xfd", 0),
    ("iso",): (19 * 2048, b"CD001", 16 * 2048 + 1),
    ("rpm",): (128, b"\xed\xab\xee\xdb", 0),
    ("deb", "udeb"): (188, b"!<arch>\n", 0),
    ("7z",): (32, b"7z\xbc\xaf\x27\x1c", 0),
    ("cab",): (36, b"MSCF", 0),
}
_PROMISES = {
    suffix.encode(): Promise(suffix, *told)
    for suffixes, told in _FORMATS.items()
    for suffix in suffixes
}
_SUFFIX = re.compile(rb"(?<=[^/])\.([0-9a-z]{2,4})$", re.IGNORECASE)
# One of several pieces: x.zip.001, x.tar.gz.aa, x.iso.part1, x.z01.
_PIECE = re.compile(
    rb"\.(?:%s)\.(?:[0-9]{1,4}|(?:part)?[a-c][a-z]|part[0-9]+)$|\.z[0-9]{2}$"
    % b"|".join(_PROMISES),
    re.IGNORECASE,
)
_MARKUP = re.compile(rb"<(!doctype html|html|head|body|script|title|meta)\b", re.IGNORECASE)
_TEXT = bytes({7, 8, 9, 10, 12, 13, 27, *range(32, 256)} - {127})


def promise(name: bytes) -> Promise | None:
    """Give what the name of a file promises; None if that is nothing that is walked."""
    found = _SUFFIX.search(name)
    return _PROMISES.get(found[1].lower()) if found else None


def is_piece(name: bytes) -> bool:
    """Tell whether the name is that of one of the pieces that something was cut into."""
    return bool(_PIECE.search(name))


def disappointment(named: Promise, head: bytes, size: int) -> str | None:
    """Say how a file that is no such thing came to its name, as far as its beginning tells.

    `head` is its first 64 KiB. None if that is unknown: vendors wrap and encrypt what they ship
    and leave the name as it was.
    """
    instead = f"named .{named.suffix}, but it is no {named.suffix}"
    if not size:
        return f"named .{named.suffix}, but it is empty"
    if not head.strip(b"\0"):
        # An archive of nothing is nothing but its end mark.
        is_empty_tar = named.suffix == "tar" and size % 512 == 0 and 1024 <= size <= len(head)
        return None if is_empty_tar else f"{instead} (begins with zeros)"
    text = _kind_of_text(head)
    if text:
        return f"{instead} (begins with {text})"
    if size < named.least:
        return f"named .{named.suffix}, but it is shorter than any: it is cut short"
    if _nearly(head[named.place :], named.magic):
        return "its first bytes are damaged"
    return None


def _kind_of_text(head: bytes) -> str | None:
    start = head[:1024].removeprefix(codecs.BOM_UTF8).lstrip()
    if _MARKUP.match(start):
        return "HTML"
    if start.startswith(b"<?xml"):
        return "XML"
    if not _is_text(head[:1024]):
        return None
    return "JSON" if start.startswith((b"{", b"[")) else "text"


def _is_text(start: bytes) -> bool:
    if start.translate(None, _TEXT):
        return False
    try:
        codecs.getincrementaldecoder("utf-8")().decode(start)
    except UnicodeDecodeError:
        return False
    return True


def _nearly(head: bytes, magic: bytes) -> bool:
    """Tell whether all but one byte of a magic is there."""
    return len(head) >= len(magic) and sum(a != b for a, b in zip(head, magic)) <= 1
