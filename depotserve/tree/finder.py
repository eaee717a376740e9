"""Files of an inventory by other things than their paths."""

from __future__ import annotations

import posixpath
import unicodedata
from typing import TYPE_CHECKING, Callable

from depotserve.tree.database import insert_rows

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from depotserve.tree.inventory import Inventory

__all__ = ["Finder"]


class Finder:
    """Finds files by form, name or digest; each takes one look at all files, when first asked."""

    def __init__(self, inventory: Inventory) -> None:
        self._inventory, self._database = inventory, inventory.database
        self._made: set[str] = set()

    def in_another_form(self, path: bytes) -> bytes | None:
        """Find the file whose path is the same in another Unicode form (UAX #15)."""
        if path.isascii():
            return None
        self._once("forms", lambda path, _: [] if path.isascii() else [_form(path)])
        return next((one for one in self._found("forms", _form(path)) if one != path), None)

    def is_there(self, path: bytes) -> bool:
        """Tell whether anything lies at a path."""
        return self._inventory.entry(path) is not None

    def named(self, name: bytes) -> list[bytes]:
        """Find the files of a name, wherever they lie; two of many will do."""
        self._once("names", lambda path, _: [posixpath.basename(path)])
        return self._found("names", name)

    def with_digest(self, algorithm: str, value: bytes) -> list[bytes]:
        """Find files that have a digest, as far as it is known; two of many will do."""
        self._once("digests", lambda _, facts: [_key(*one) for one in facts.items()])
        return self._found("digests", _key(algorithm, value))

    def _once(
        self, table: str, keys: Callable[[bytes, Mapping[str, bytes]], Iterable[bytes]]
    ) -> None:
        """Make a table of all files by other keys, the first time that it is asked."""
        if table in self._made:
            return
        self._database.execute(f"CREATE TABLE {table} (key BLOB, path BLOB)")
        rows = (
            (key, held.prefix + name)
            for held in self._inventory.all_held("files")
            for name in held.files()
            for key in keys(held.prefix + name, held.facts_of(name))
        )
        insert_rows(self._database, table, 2, rows)
        self._database.execute(f"CREATE INDEX {table}_key ON {table} (key)")
        self._made.add(table)

    def _found(self, table: str, key: bytes) -> list[bytes]:
        rows = self._database.execute(
            f"SELECT path FROM {table} WHERE key = ? ORDER BY path LIMIT 2", (key,)
        )
        return [path for (path,) in rows]


def _key(algorithm: str, value: bytes) -> bytes:
    return algorithm.encode() + b":" + value


def _form(path: bytes) -> bytes:
    text = path.decode("utf-8", "surrogateescape")
    return unicodedata.normalize("NFC", text).encode("utf-8", "surrogateescape")
