"""Metalink 4 (RFC 5854): files with their sizes and digests."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, BinaryIO

from depotserve.tree.expectations.file_facts import Facts, insist
from depotserve.tree.expectations.indexes.xml_records import Record, records
from depotserve.tree.expectations.listed import (
    Dialect,
    Item,
    Listed,
    Place,
    Unreadable,
    UnusableError,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["METALINK", "dialect_of", "read"]

_SPACE = "urn:ietf:params:xml:ns:metalink"
# Section 4.1.2.1: a name must not lead anywhere but down.
_UNSAFE = re.compile(r"\A(?:/|\./|\.\./)|/\.\./|/\.\.\Z|\A\.\.?\Z|\0|/\Z")


def read(stream: BinaryIO, _place: Place) -> Iterator[Item]:
    """Yield each file of a Metalink; its pieces and where it can be fetched are passed over."""
    yield from insist(_files(stream))


def _files(stream: BinaryIO) -> Iterator[Item]:
    found = False
    for record in records(stream, _SPACE, "metalink", "file", ("size", "hash")):
        found = True
        yield from _one(record)
    if not found:
        # Section 4.1.1: one or more files.
        raise UnusableError("names no file")


def _one(record: Record) -> Iterator[Item]:
    name = record.attributes.get("name", "")
    if not name or _UNSAFE.search(name):
        yield Unreadable(record.line, "a file without a safe name (RFC 5854 section 4.1.2.1)")
        return
    facts = Facts(record.line)
    for size in record.every("size"):
        facts.take_size(size.text, size.line)
    for digest in record.every("hash"):
        facts.take_digest(digest.attributes.get("type", ""), digest.text, digest.line)
    if record.children:
        yield from facts.items(name.encode())
    else:
        # Both are optional (section 4.1.2): that the file is there can be checked all the same.
        yield Listed(name.encode(), record.line)


METALINK = Dialect("Metalink", read)


def dialect_of(name: bytes, head: bytes) -> Dialect | None:
    """Tell a Metalink 4 by its name, and by its namespace where the name is that of version 3 too.

    `name` is a file name, `head` the first 4096 bytes as they are once decompressed.
    """
    if name.lower().endswith(b".meta4"):
        return METALINK
    is_one = name.lower().endswith(b".metalink") and _SPACE.encode() in head
    return METALINK if is_one else None
