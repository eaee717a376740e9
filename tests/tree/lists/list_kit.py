"""Reading lists in tests: every item, and what ended it."""

from __future__ import annotations

import hashlib
import io
from typing import TYPE_CHECKING, NamedTuple

from depotserve.tree.expectations.listed import (
    Dialect,
    Item,
    Listed,
    Place,
    Unreadable,
    UnusableError,
)
from depotserve.tree.expectations.lists import bag, checksum_lines

if TYPE_CHECKING:
    from collections.abc import Mapping

X = b"x"
H = hashlib.sha256(X).hexdigest().encode()
NOTHING: Mapping[bytes, bytes] = {}
DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


class Outcome(NamedTuple):
    """What a list gave."""

    items: list[Item]
    unusable: str  # why the whole list is of no use; empty if it is

    @property
    def listed(self) -> list[Listed]:
        """Give its entries."""
        return [item for item in self.items if isinstance(item, Listed)]

    @property
    def refused(self) -> list[Unreadable]:
        """Give the lines that say nothing."""
        return [item for item in self.items if isinstance(item, Unreadable)]

    @property
    def paths(self) -> list[bytes]:
        """Give the paths of its entries."""
        return [item.path for item in self.listed]


def dialect_of(name: bytes) -> Dialect | None:
    return bag.dialect_of(name) or checksum_lines.dialect_of(name)


def read(
    text: bytes, name: bytes = b"SHA256SUMS", beside: Mapping[bytes, bytes] = NOTHING
) -> Outcome:
    """Read a list of that name with these files beside it."""
    dialect = dialect_of(name)
    assert dialect is not None, name
    items: list[Item] = []  # also those before an error
    try:
        items.extend(dialect.read(io.BytesIO(text), Place(name, beside.get)))
    except UnusableError as error:
        return Outcome(items, str(error))
    return Outcome(items, "")


def one_path(text: bytes, name: bytes = b"SHA256SUMS") -> bytes:
    """Give the path of a list that has one entry, of a file that holds `x`, and nothing else."""
    found = read(text, name)
    assert found.unusable == ""
    (entry,) = found.items
    assert isinstance(entry, Listed)
    assert entry.digests == (("sha256", bytes.fromhex(H.decode())),)
    return entry.path
