"""Tell by its name, and by its beginning where that leaves doubt, what kind of list a file is."""

from __future__ import annotations

import posixpath
import re
from typing import TYPE_CHECKING, Callable

from depotserve.tree.expectations.catalogs import catalog
from depotserve.tree.expectations.indexes import debian, metalink, oci, rpm_md, simple_index
from depotserve.tree.expectations.lists import bag, checksum_lines

if TYPE_CHECKING:
    from depotserve.tree.expectations.listed import Dialect

__all__ = ["recognise"]

# Asked for every name of a tree, so they must be quick.
_BY_NAME: tuple[Callable[[bytes], Dialect | None], ...] = (
    bag.dialect_of,
    checksum_lines.dialect_of,
)
# Those that go by the beginning too; the first that knows it has it, the one that guesses is last.
_BY_HEAD: tuple[Callable[[bytes, bytes], Dialect | None], ...] = (
    metalink.dialect_of,
    rpm_md.dialect_of,
    debian.dialect_of,
    oci.dialect_of,
    simple_index.dialect_of,
    catalog.dialect_of,
)
# What none of those looks at twice: a head is read, so a file opened, only for these names.
_CANDIDATE = re.compile(
    rb"(?:Packages|Sources)(?:\.(?:gz|xz|bz2|zst))?\Z|(?:In)?Release\Z"
    rb"|(?:.*-)?primary\.xml(?:\.(?:gz|xz|bz2|zst))?\Z"
    rb"|.*\.(?i:html?|meta4|metalink|dsc|changes|buildinfo)\Z"
    rb"|.*\.(?i:jsonl?|ndjson|xml)(?i:\.(?:gz|xz|bz2|zst))?\Z",
    re.DOTALL,
)


def recognise(path: bytes, head: Callable[[], bytes]) -> Dialect | None:
    """Give the dialect of a list; None for a file that is none.

    `head` reads the file's first 4096 bytes, decompressed if it is compressed; it is asked at most
    once, and only if the name leaves a choice. Raises what it raises.
    """
    name = posixpath.basename(path)
    for by_name in _BY_NAME:
        dialect = by_name(name)
        if dialect:
            return dialect
    if not _CANDIDATE.match(name):
        return None
    begun = head()
    found = (by_head(name, begun) for by_head in _BY_HEAD)
    return next((dialect for dialect in found if dialect), None)
