"""OCI image layouts: `index.json`, and from there every manifest, configuration and layer.

The OCI Image Format Specification 1.1: image-layout.md, descriptor.md, image-index.md, manifest.md.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, BinaryIO

import attrs

from depotserve.tree.digests import named, parse_hex
from depotserve.tree.expectations.file_facts import Facts, insist
from depotserve.tree.expectations.indexes.strict_json import BadJsonError, parse, read_whole
from depotserve.tree.expectations.listed import (
    BESIDE_MOST,
    Dialect,
    Item,
    Listed,
    NotAListError,
    Place,
    Unreadable,
    UnusableError,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["OCI", "dialect_of", "read"]

_DEEPEST = 8  # indexes within each other; tools make two levels
_MOST = 100_000  # descriptors; a large index has hundreds of images with tens of layers
_DIGEST = re.compile("([a-z0-9]+(?:[+._-][a-z0-9]+)*):([A-Za-z0-9=_-]+)")  # descriptor.md
_INDEX = ("manifests",)
_MANIFEST = ("config", "layers")
# By media type, where a document names what else is in the layout. A `subject` may lie elsewhere.
_NAMED_BY = {
    "application/vnd.oci.image.index.v1+json": _INDEX,
    "application/vnd.docker.distribution.manifest.list.v2+json": _INDEX,
    "application/vnd.oci.image.manifest.v1+json": _MANIFEST,
    "application/vnd.docker.distribution.manifest.v2+json": _MANIFEST,
}


@attrs.define
class _Walk:
    """What is left to look at, and how much was."""

    place: Place
    waiting: list[tuple[Any, int]]  # descriptors, and how many documents lead there
    seen: set[bytes] = attrs.field(factory=set)
    count: int = 1  # `oci-layout` is the first


def read(stream: BinaryIO, place: Place) -> Iterator[Item]:
    """Yield `oci-layout` and each blob that is reached from the index; `line` counts them.

    Documents are followed as long as they are what their descriptors say; one that differs is
    found by its digest like any blob. Raises NotAListError for an `index.json` of something else.
    """
    try:
        index = parse(read_whole(stream, BESIDE_MOST))
    except BadJsonError as error:
        raise UnusableError(str(error)) from error
    descriptors = index.get("manifests", 0) if isinstance(index, dict) else 0
    if descriptors is None:
        descriptors = []  # as umoci writes an index of nothing
    if not isinstance(descriptors, list):
        raise NotAListError("no index of an image layout")
    layout = place.beside(b"oci-layout")
    if layout is None and not any(_lies_beside(place, each) for each in descriptors[:_MOST]):
        raise NotAListError("an image index without its layout")
    yield from _layout_file(layout)
    yield from insist(_blobs(_Walk(place, [(each, 1) for each in reversed(descriptors)])))


def _layout_file(content: bytes | None) -> Iterator[Item]:
    yield Listed(b"oci-layout", 1)  # image-layout.md: it must exist
    if content is None:
        return
    try:
        marker = parse(content)
    except BadJsonError:
        marker = None
    if not isinstance(marker, dict) or marker.get("imageLayoutVersion") != "1.0.0":
        yield Unreadable(1, "oci-layout does not say version 1.0.0")


def _blobs(walk: _Walk) -> Iterator[Item]:
    while walk.waiting:
        descriptor, depth = walk.waiting.pop()
        walk.count += 1
        if walk.count > _MOST:
            raise UnusableError(f"more than {_MOST} descriptors")
        yield from _blob(walk, descriptor, depth)


def _blob(walk: _Walk, descriptor: Any, depth: int) -> Iterator[Item]:  # noqa: ANN401
    path = _path(descriptor)
    if path is None:
        yield Unreadable(walk.count, "a descriptor without a digest that can be read")
        return
    facts = Facts(walk.count)
    kind, _, value = descriptor["digest"].partition(":")
    facts.take_digest(kind, value, walk.count)
    size = descriptor.get("size")
    facts.take_size(str(size) if type(size) is int else "", walk.count)
    yield from facts.items(path)
    # As text only: what JSON allows in its place may be no key of a table.
    fields = _NAMED_BY.get(str(descriptor.get("mediaType")))
    if fields and path not in walk.seen:
        walk.seen.add(path)
        yield from _follow(walk, facts, path, fields, depth)


def _follow(
    walk: _Walk, facts: Facts, path: bytes, fields: tuple[str, ...], depth: int
) -> Iterator[Item]:
    content = walk.place.beside(path)
    if content is None or not _is_as_described(content, facts):
        return
    if depth >= _DEEPEST:
        yield Unreadable(walk.count, f"more than {_DEEPEST} documents within each other")
        return
    try:
        found = _descriptors(parse(content), fields)
    except BadJsonError as error:
        yield Unreadable(walk.count, f"a manifest cannot be read: {error}")
        return
    # Beyond the bound there is nothing to remember either.
    walk.waiting += [(each, depth + 1) for each in reversed(found[: _MOST + 1])]


def _descriptors(document: Any, fields: tuple[str, ...]) -> list[Any]:  # noqa: ANN401
    if not isinstance(document, dict):
        raise BadJsonError("no object")
    found: list[Any] = []
    for field in fields:
        value = document.get(field)
        if value is None:
            raise BadJsonError(f"no {field}")
        found += value if isinstance(value, list) else [value]
    return found


def _is_as_described(content: bytes, facts: Facts) -> bool:
    if facts.size is not None and facts.size != len(content):
        return False
    return all(_digest(kind, content) == value for kind, value in facts.digests.items())


def _digest(kind: str, content: bytes) -> bytes:
    algorithm = named(kind)
    if algorithm is None:
        return b""
    begun = algorithm.new()
    begun.update(content)
    digest: bytes = begun.digest()
    return digest


def _path(descriptor: Any) -> bytes | None:  # noqa: ANN401
    digest = descriptor.get("digest") if isinstance(descriptor, dict) else None
    found = _DIGEST.fullmatch(digest) if isinstance(digest, str) and len(digest) <= 255 else None
    if not found:
        return None
    algorithm = named(found[1])
    if algorithm and parse_hex(found[2], algorithm) is None:
        return None  # no file can have the name that it makes
    return f"blobs/{found[1]}/{found[2]}".encode()


def _lies_beside(place: Place, descriptor: Any) -> bool:  # noqa: ANN401
    path = _path(descriptor)
    return path is not None and place.beside(path) is not None


OCI = Dialect("OCI image layout", read, ("folder",))


def dialect_of(name: bytes, head: bytes) -> Dialect | None:
    """Tell an image layout's index by its name, and by what its beginning has.

    `name` is a file name, `head` the first 4096 bytes.
    """
    if name != b"index.json":
        return None
    has_one = b'"manifests"' in head or b'"application/vnd.oci.image.index' in head
    return OCI if has_one else None
