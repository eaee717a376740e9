"""rpm-md repositories: `repomd.xml`, and the primary index that it names.

No standard; the format is that of the tools that make and read it.
"""

from __future__ import annotations

import io
import posixpath
import re
from typing import TYPE_CHECKING, BinaryIO

from depotserve.tree.expectations.file_facts import Facts, insist, uncompressed
from depotserve.tree.expectations.indexes.xml_records import Child, Record, records
from depotserve.tree.expectations.listed import (
    Dialect,
    Item,
    NotAListError,
    Place,
    Unreadable,
    UnusableError,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["PRIMARY", "REPOMD", "dialect_of", "read_primary", "read_repomd"]

_REPO = "http://linux.duke.edu/metadata/repo"
_COMMON = "http://linux.duke.edu/metadata/common"
_BASE = "http://www.w3.org/XML/1998/namespace|base"
_ABSOLUTE = re.compile("[A-Za-z][A-Za-z0-9+.-]*:|/")  # RFC 3986 sections 3.1 and 4.2
_DATA = ("location", "size", "checksum", "open-size", "open-checksum")
_PRIMARY_NAME = re.compile(rb"(?:.*-)?primary\.xml(?:\.(?:gz|xz|bz2|zst))?\Z")


def read_repomd(stream: BinaryIO, _place: Place) -> Iterator[Item]:
    """Yield each index that a `repomd.xml` names, as it lies there and as it is decompressed.

    The two are of one group: whoever decompressed an index has it all the same.
    """
    yield from insist(_indexes(stream))


def _indexes(stream: BinaryIO) -> Iterator[Item]:
    found = False
    for record in records(stream, _REPO, "repomd", "data", _DATA):
        found = True
        path = _path(record)
        if path is None:
            yield Unreadable(record.line, "an index without a location")
            continue
        plain = uncompressed(path)
        group = plain if plain != path else b""
        yield from _facts(record, record.first("size"), "checksum").items(path, group)
        if group and record.first("open-checksum"):
            opened = _facts(record, record.first("open-size"), "open-checksum")
            yield from opened.items(plain, group)
    if not found:
        raise UnusableError("names no index")


def read_primary(stream: BinaryIO, place: Place) -> Iterator[Item]:
    """Yield each package of a primary index.

    Raises NotAListError for one that the `repomd.xml` beside it no longer names: it speaks of what
    the repository once held, and clients do not read it either.
    """
    if _is_superseded(place):
        raise NotAListError("repomd.xml names another primary index")
    yield from insist(_packages(stream))


def _packages(stream: BinaryIO) -> Iterator[Item]:
    # A repository may hold no package yet.
    for record in records(stream, _COMMON, "metadata", "package", ("location", "size", "checksum")):
        path = _path(record)
        if path is None:
            yield Unreadable(record.line, "a package without a location")
            continue
        size = record.first("size")
        sized = size and size._replace(text=size.attributes.get("package", ""))
        yield from _facts(record, sized, "checksum").items(path)


def _facts(record: Record, size: Child | None, checksum: str) -> Facts:
    facts = Facts(record.line)
    if size:
        facts.take_size(size.text, size.line)
    for digest in record.every(checksum):
        facts.take_digest(digest.attributes.get("type", ""), digest.text, digest.line)
    return facts


def _path(record: Record) -> bytes | None:
    location = record.first("location")
    href = location.attributes.get("href") if location else None
    if not location or not href:
        return None
    base = location.attributes.get(_BASE, "")
    if not base or _ABSOLUTE.match(base):
        # Somewhere else than in this tree: what was fetched from there lies by `href` alone.
        return href.encode()
    return posixpath.join(base, href).encode()


def _is_superseded(place: Place) -> bool:
    content = place.beside(b"repomd.xml")
    if content is None:
        return False
    try:
        indexes = list(records(io.BytesIO(content), _REPO, "repomd", "data", _DATA))
    except UnusableError:
        return False  # a finding of its own, and no reason to check less
    paths = [path for path in map(_path, indexes) if path]
    names = {uncompressed(posixpath.basename(path)) for path in paths}
    primaries = {name for name in names if _PRIMARY_NAME.match(name)}
    return bool(primaries) and uncompressed(place.name) not in primaries


REPOMD = Dialect("rpm-md index of indexes", read_repomd, ("parent",))
PRIMARY = Dialect("rpm-md package index", read_primary, ("parent",))


def dialect_of(name: bytes, _head: bytes) -> Dialect | None:
    """Tell the two by their names alone: a damaged one is a finding, not a file like any other."""
    if name == b"repomd.xml":
        return REPOMD
    return PRIMARY if _PRIMARY_NAME.match(name) else None
