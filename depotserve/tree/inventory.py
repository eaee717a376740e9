"""What lies in a tree and what was read of it, in a database of one run.

It is a private temporary database of SQLite, which spills into a temporary file: memory is the same
for ten files and for a million. It is gone when it is closed.
"""

from __future__ import annotations

import functools
import itertools
import posixpath
import sqlite3
import unicodedata
from typing import TYPE_CHECKING, Any

from depotserve.tree.entry import Entry, Kind
from depotserve.tree.hashing import Asked

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from depotserve.tree.cache import Cache

__all__ = ["ALWAYS", "Inventory", "insert_rows"]

# Of every file: scanning, a manifest and a carry need it, and reading costs the most.
ALWAYS = "sha256"
_CACHE_KIB = 48 * 1024
_SCHEMA = """
PRAGMA journal_mode = OFF;
PRAGMA synchronous = OFF;
PRAGMA locking_mode = EXCLUSIVE;
CREATE TABLE entries (
    path BLOB, kind INTEGER, size INTEGER, mtime INTEGER, ctime INTEGER,
    inode INTEGER, device INTEGER
);
CREATE TABLE facts (
    path BLOB, algorithm TEXT, value BLOB, PRIMARY KEY (path, algorithm)
) WITHOUT ROWID;
CREATE TABLE wanted (path BLOB, algorithm TEXT, PRIMARY KEY (path, algorithm)) WITHOUT ROWID;
"""


class Inventory:
    """The entries of a tree, and facts of its files: digests by their algorithm, and others."""

    def __init__(self) -> None:
        self.database = sqlite3.connect("", isolation_level=None)
        self.define(_SCHEMA)
        self.database.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
        self._made: set[str] = set()
        # One transaction for the whole run: there is nobody to commit for.
        self.database.execute("BEGIN")

    def define(self, schema: str) -> None:
        """Make tables of a room that works beside the inventory; statements end with `;`."""
        for statement in schema.split(";"):
            self.database.execute(statement)

    def close(self) -> None:
        """Forget everything."""
        self.database.close()

    def enter(self, entries: Iterable[Entry]) -> None:
        """Enter all that lies in the tree, once."""
        insert_rows(self.database, "entries", 7, entries)
        self.database.execute("CREATE UNIQUE INDEX entry ON entries (path)")

    def entry(self, path: bytes) -> Entry | None:
        """Give what lies at a path."""
        found = self.database.execute("SELECT * FROM entries WHERE path = ?", (path,)).fetchone()
        return _entry(found) if found else None

    def count(self, kind: Kind = Kind.FILE) -> tuple[int, int]:
        """Count the entries of a kind and their bytes."""
        count, size = self.database.execute(
            "SELECT count(*), coalesce(sum(size), 0) FROM entries WHERE kind = ?", (kind,)
        ).fetchone()
        return count, size

    def files(self) -> Iterator[Entry]:
        """Give all files by path, in byte order."""
        rows = self.database.execute(
            "SELECT * FROM entries WHERE kind = ? ORDER BY path", (Kind.FILE,)
        )
        return map(_entry, rows)

    def in_another_form(self, path: bytes) -> bytes | None:
        """Find the file whose path is the same in another Unicode form (UAX #15)."""
        if path.isascii():
            return None
        self._once("forms", "form(path)", "length(CAST(path AS TEXT)) <> length(path)")
        return next((one for one in self._found("forms", _form(path)) if one != path), None)

    def named(self, name: bytes) -> list[bytes]:
        """Find the files of a name, wherever they lie; two of many will do."""
        self._once("names", "base(path)", "1")
        return self._found("names", name)

    def with_digest(self, algorithm: str, value: bytes) -> list[bytes]:
        """Find files that have a digest, as far as it is known; two of many will do."""
        if "fact_value" not in self._made:
            self.database.execute("CREATE INDEX fact_value ON facts (value)")
            self._made.add("fact_value")
        rows = self.database.execute(
            "SELECT path FROM facts WHERE value = ? AND algorithm = ? LIMIT 2", (value, algorithm)
        )
        return [path for (path,) in rows]

    def _once(self, table: str, key: str, where: str) -> None:
        """Make a table of all files by another key, the first time that it is asked."""
        if table in self._made:
            return
        self.database.create_function("form", 1, _form, deterministic=True)
        self.database.create_function("base", 1, posixpath.basename, deterministic=True)
        self.database.execute(
            f"CREATE TABLE {table} AS SELECT {key} AS key, path FROM entries "
            f"WHERE kind = {int(Kind.FILE)} AND {where}"
        )
        self.database.execute(f"CREATE INDEX {table}_key ON {table} (key)")
        self._made.add(table)

    def _found(self, table: str, key: bytes) -> list[bytes]:
        rows = self.database.execute(
            f"SELECT path FROM {table} WHERE key = ? LIMIT 2",
            (key,),
        )
        return [path for (path,) in rows]

    # Facts of files.

    def recall(self, cache: Cache | None) -> None:
        """Take over what a cache knows of files that have not changed."""
        if cache is not None:
            self.database.execute("COMMIT")  # another database is attached outside of any
            cache.copy_into(self.database, table="facts", files="entries")
            self.database.execute("BEGIN")

    def learn(self, path: bytes, facts: Mapping[str, bytes]) -> None:
        """Note facts of a file."""
        rows = [(path, name, value) for name, value in facts.items()]
        self.database.executemany("INSERT OR REPLACE INTO facts VALUES (?, ?, ?)", rows)

    def facts(self, path: bytes) -> dict[str, bytes]:
        """Give what is known of a file."""
        rows = self.database.execute("SELECT algorithm, value FROM facts WHERE path = ?", (path,))
        return dict(rows.fetchall())

    def want(self, also: str = "") -> tuple[int, int]:
        """Note which digests are not known yet, and count files and bytes to be read for them.

        SHA-256 is wanted of every file; `also` is a query that gives others: path, algorithm.
        """
        always = f"SELECT path, '{ALWAYS}' AS algorithm FROM entries WHERE kind = {int(Kind.FILE)}"
        for query in filter(None, (always, also)):
            self.database.execute(
                f"INSERT OR IGNORE INTO wanted SELECT path, algorithm FROM ({query}) w "
                "WHERE NOT EXISTS (SELECT 1 FROM facts f "
                "WHERE f.path = w.path AND f.algorithm = w.algorithm)"
            )
        count, size = self.database.execute(
            "SELECT count(*), coalesce(sum(size), 0) FROM entries "
            "WHERE path IN (SELECT path FROM wanted)"
        ).fetchone()
        return count, size

    def wanted(self) -> Iterator[Asked]:
        """Give what `want` noted, large files first: no core is to be left with one at the end."""
        for tables, which, order in (
            ("entries e CROSS JOIN wanted w", f"e.size > {_LARGE}", "e.size DESC, w.path"),
            ("wanted w CROSS JOIN entries e", f"e.size <= {_LARGE}", "w.path"),
        ):
            rows = self.database.execute(
                f"SELECT e.*, group_concat(w.algorithm) FROM {tables} "
                f"WHERE {which} AND e.path = w.path GROUP BY w.path ORDER BY {order}"
            )
            yield from (Asked(_entry(row), _algorithms(row[-1])) for row in rows)


def insert_rows(
    database: sqlite3.Connection, table: str, columns: int, rows: Iterable[tuple[object, ...]]
) -> None:
    """Insert rows a hundred at a time, which takes half the time of `executemany`.

    What `rows` raises leaves those before it inserted, but for less than a hundred.
    """
    row = f"({', '.join('?' * columns)})"
    upcoming = iter(rows)
    while some := list(itertools.islice(upcoming, _AT_ONCE)):
        database.execute(
            f"INSERT INTO {table} VALUES {', '.join([row] * len(some))}",
            list(itertools.chain.from_iterable(some)),
        )


_AT_ONCE = 100  # rows: of seven values, fewer than the 999 that SQLite takes before 3.32
_LARGE = 64 * 1024 * 1024  # bytes; below, files are read in the order of their paths
_KINDS = {int(kind): kind for kind in Kind}


def _entry(row: Sequence[Any]) -> Entry:
    return Entry(row[0], _KINDS[row[1]], *row[2:7])


@functools.lru_cache(maxsize=256)
def _algorithms(names: str) -> tuple[str, ...]:
    return tuple(sorted(names.split(",")))


def _form(path: bytes) -> bytes:
    text = path.decode("utf-8", "surrogateescape")
    return unicodedata.normalize("NFC", text).encode("utf-8", "surrogateescape")
