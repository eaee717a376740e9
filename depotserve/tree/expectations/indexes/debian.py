"""Debian's lists: `Release` and `InRelease`, `Packages`, `Sources`, and what comes with uploads.

The format is that of the Debian wiki's "DebianRepository/Format" and of Debian Policy chapter 5.
"""

from __future__ import annotations

import posixpath
import re
from typing import TYPE_CHECKING, BinaryIO

from depotserve.tree.digests import named
from depotserve.tree.expectations.file_facts import Facts, insist, uncompressed
from depotserve.tree.expectations.indexes.deb822 import (
    Boundary,
    Paragraph,
    Part,
    Value,
    paragraphs,
    parts,
)
from depotserve.tree.expectations.listed import (
    Dialect,
    Item,
    NotAListError,
    Place,
    Unreadable,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = [
    "PACKAGES",
    "RELEASE",
    "SOURCES",
    "UPLOAD",
    "dialect_of",
    "read_packages",
    "read_release",
    "read_sources",
    "read_upload",
]

_DIGESTS = ("md5sum", "sha1", "sha256", "sha512")
_PACKAGE_FIELDS = frozenset({"filename", "size", *_DIGESTS})
# Of a source package, and the kind of digest that each one lists.
_FILE_LISTS = {
    "files": "md5",
    "checksums-md5": "md5",
    "checksums-sha1": "sha1",
    "checksums-sha256": "sha256",
    "checksums-sha512": "sha512",
}
_SOURCE_FIELDS = frozenset({"directory", *_FILE_LISTS})
_LIKE_AN_ENTRY = re.compile(rb"[0-9A-Fa-f]{32,128}\s+[0-9]+\s+\S+")
# Written when the list is done; some tools list the empty file that their output began as.
_OF_ITSELF = frozenset({b"Release", b"InRelease", b"Release.gpg"})


def read_release(stream: BinaryIO, _place: Place) -> Iterator[Item]:
    """Yield each line of a Release file's digest fields; an index's compressions are one group.

    Raises NotAListError for one without such a field, as they lie beside each index.
    """
    yield from insist(_release(stream))


def _release(stream: BinaryIO) -> Iterator[Item]:
    kind, is_list, told = "", False, 0
    early: list[Item] = []
    for part in parts(stream):
        if isinstance(part, Boundary):
            continue
        if isinstance(part, Unreadable):
            # Of a file that turns out to be no list nothing must have been said.
            early = [*early, part][:100]
        else:
            if part.begins:
                kind = part.name if named(part.name) else ""
                is_list = is_list or bool(kind)
                told = 0
            if kind and part.value:
                early += _release_line(kind, part)
            elif not kind and not told and _LIKE_AN_ENTRY.fullmatch(part.value):
                told = part.line
                is_list = True
                early.append(Unreadable(part.line, "in a field of no known digest"))
        if is_list:
            yield from early
            early = []
    if not is_list:
        raise NotAListError("a Release file without digests")


def _release_line(kind: str, part: Part) -> Iterator[Item]:
    words = part.value.split(None, 2)
    if len(words) != 3:
        yield Unreadable(part.line, "not a digest, a size and a path")
        return
    digest, size, path = words
    if path in _OF_ITSELF:
        return
    facts = Facts(part.line)
    facts.take_digest(kind, _text(digest), part.line)
    facts.take_size(_text(size), part.line)
    yield from facts.items(path, uncompressed(path))


def read_packages(stream: BinaryIO, _place: Place) -> Iterator[Item]:
    """Yield each package of a `Packages` index; one of an empty archive is empty."""
    yield from insist(_packages(stream))


def _packages(stream: BinaryIO) -> Iterator[Item]:
    for paragraph in paragraphs(stream, _PACKAGE_FIELDS):
        yield from paragraph.faults
        path = paragraph.single("filename")
        if path is None:
            yield Unreadable(paragraph.line, "a package without one Filename")
            continue
        yield from _package(paragraph).items(path.text)


def _package(paragraph: Paragraph) -> Facts:
    facts = Facts(paragraph.line)
    for name, values in paragraph.fields.items():
        written = _text(b" ".join(value.text for value in values))
        if name == "size":
            facts.take_size(written, values[0].line)
        elif name in _DIGESTS:
            facts.take_digest(name, written, values[0].line)
    return facts


def read_sources(stream: BinaryIO, _place: Place) -> Iterator[Item]:
    """Yield each file of each source package of a `Sources` index."""
    yield from insist(_sources(stream))


def _sources(stream: BinaryIO) -> Iterator[Item]:
    for paragraph in paragraphs(stream, _SOURCE_FIELDS):
        # apt-ftparchive writes no Directory for the one that it runs in.
        folder = paragraph.fields.get("directory", [Value(0, b"")])[0].text
        yield from _files(paragraph, b"" if folder == b"." else folder)


def read_upload(stream: BinaryIO, _place: Place) -> Iterator[Item]:
    """Yield each file that a `.dsc`, `.changes` or `.buildinfo` file lists beside itself."""
    yield from insist(_upload(stream))


def _upload(stream: BinaryIO) -> Iterator[Item]:
    empty = True
    for paragraph in paragraphs(stream, frozenset(_FILE_LISTS)):
        empty = False
        yield from _files(paragraph, b"")
    if empty:
        yield Unreadable(1, "lists no file")


def _files(paragraph: Paragraph, folder: bytes) -> Iterator[Item]:
    yield from paragraph.faults
    files: dict[bytes, Facts] = {}
    for field, kind in _FILE_LISTS.items():
        for value in paragraph.fields.get(field, []):
            if value.text and not _take_file(files, kind, value):
                yield Unreadable(value.line, "not a digest, a size and a file name")
    for name, facts in files.items():
        yield from facts.items(posixpath.join(folder, name))
    if not files:
        yield Unreadable(paragraph.line, "lists no file")


def _take_file(files: dict[bytes, Facts], kind: str, value: Value) -> bool:
    words = value.text.split()
    # Files of a .changes file has section and priority before the name (Policy section 5.6.21).
    if len(words) not in (3, 5) or b"/" in words[-1]:
        return False
    facts = files.setdefault(words[-1], Facts(value.line))
    facts.take_digest(kind, _text(words[0]), value.line)
    facts.take_size(_text(words[1]), value.line)
    return True


def _text(written: bytes) -> str:
    return written.decode("ascii", "replace")


RELEASE = Dialect("Debian Release file", read_release, ("folder",))
PACKAGES = Dialect("Debian package index", read_packages, ("archive", "folder", "root"))
SOURCES = Dialect("Debian source index", read_sources, ("archive", "folder", "root"))
UPLOAD = Dialect("Debian list of files", read_upload, ("folder",))

_INDEX = re.compile(rb"(Packages|Sources)(?:\.(?:gz|xz|bz2|zst))?")
_BY_INDEX = {b"Packages": PACKAGES, b"Sources": SOURCES}
# What the beginning of the others has, which are names that other things have too.
_RELEASE_HEAD = re.compile(
    rb"^(?:-----BEGIN PGP SIGNED MESSAGE-----|(?:Origin|Label|Suite|Codename|Archive|Version|Date"
    rb"|Valid-Until|Architectures?|Components?|Description|MD5Sum|SHA1|SHA256|SHA512):)",
    re.MULTILINE | re.IGNORECASE,
)
_UPLOAD_HEAD = re.compile(
    rb"^(?:-----BEGIN PGP SIGNED MESSAGE-----|(?:Format|Source|Files|Checksums-Sha[0-9]+):)",
    re.MULTILINE | re.IGNORECASE,
)


def dialect_of(name: bytes, head: bytes) -> Dialect | None:
    """Tell Debian's lists by their names, and by what they begin with.

    `name` is a file name, `head` the first 4096 bytes as they are once decompressed.
    """
    if b"\0" in head:
        return None  # the database of another package manager has a file called Packages
    index = _INDEX.fullmatch(name)
    if index:
        return _BY_INDEX[index[1]]
    if name in (b"Release", b"InRelease"):
        return RELEASE if _RELEASE_HEAD.search(head) else None
    if name.endswith((b".dsc", b".changes", b".buildinfo")):
        return UPLOAD if _UPLOAD_HEAD.search(head) else None
    return None
