"""What lies in a tree and what was read of it, in a database of one run.

It is a private temporary database of SQLite, which spills into a temporary file: memory is the same
for ten files and for a million. It is gone when it is closed.

A row holds a folder with all that lies in it, as `marshal` writes it: a row for each file takes
five times as long to make and to find again. So memory grows with the widest folder, as that of the
walk does.
"""

from __future__ import annotations

import functools
import itertools
import marshal
import posixpath
import sqlite3
import unicodedata
from typing import TYPE_CHECKING, Any, Callable, NamedTuple, TypeVar

from depotserve.tree.entry import Entry, Kind
from depotserve.tree.hashing import Asked
from depotserve.tree.walk import Folder, State, entry_of_row

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from depotserve.tree.cache import Cache

__all__ = ["ALWAYS", "FILE", "Held", "Inventory", "insert_rows", "split"]

T = TypeVar("T")

# Of every file: scanning, a manifest and a carry need it, and reading costs the most.
ALWAYS = "sha256"
FILE, _FOLDER = int(Kind.FILE), int(Kind.FOLDER)
_CACHE_KIB = 16 * 1024
_NEAR = 8  # folders at hand: processes that hash give back a few folders' files in turns
_SCHEMA = """
PRAGMA journal_mode = OFF;
PRAGMA synchronous = OFF;
PRAGMA locking_mode = EXCLUSIVE;
CREATE TABLE folders (
    path BLOB PRIMARY KEY, files INTEGER, bytes INTEGER, unread INTEGER, kept INTEGER,
    states BLOB, facts BLOB
);
CREATE TABLE wanted (
    path BLOB, algorithm TEXT, size INTEGER, PRIMARY KEY (path, algorithm)
) WITHOUT ROWID;
"""


class Held(NamedTuple):
    """A folder, the states of what lies in it by name, and facts of its files."""

    path: bytes
    states: dict[bytes, State]  # in the byte order of names
    facts: dict[str, dict[bytes, bytes]]  # digests by their algorithm, and others; by name

    @property
    def prefix(self) -> bytes:
        """Give what stands before the names of its entries in their paths."""
        return self.path + b"/" if self.path else b""

    def files(self) -> Iterator[bytes]:
        """Give the names of its files."""
        return (name for name, state in self.states.items() if state[0] == FILE)

    def is_file(self, name: bytes) -> bool:
        """Tell whether a file of that name is there."""
        return name in self.states and self.states[name][0] == FILE

    def digest(self, name: bytes, algorithm: str | None) -> bytes | None:
        """Give a digest of a file, if it is known."""
        known = self.facts.get(algorithm or "")
        return known.get(name) if known else None


class Inventory:
    """The entries of a tree, and facts of its files."""

    def __init__(self) -> None:
        self.database = sqlite3.connect("", isolation_level=None)
        self.define(_SCHEMA)
        self.database.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
        self._made: set[str] = set()
        self._near: dict[bytes, Held] = {}  # the one that was asked last is last
        self._last: Held | None = None  # which is asked for again and again
        self._learned: set[bytes] = set()  # of them, what the database does not know yet
        # One transaction for the whole run: there is nobody to commit for.
        self.database.execute("BEGIN")

    def define(self, schema: str) -> None:
        """Make tables of a room that works beside the inventory; statements end with `;`."""
        for statement in schema.split(";"):
            self.database.execute(statement)

    def close(self) -> None:
        """Forget everything."""
        self.database.close()

    def enter(self, folders: Iterable[Folder], cache: Cache | None) -> None:
        """Enter all that lies in the tree, each folder once, and what a cache knows of it."""
        for folder in folders:
            sizes = [state[1] for state in folder.states.values() if state[0] == FILE]
            states = _dumps(folder.states)
            facts = cache.recall_folder(folder, states) if cache else None
            unread, kept = 0, facts is not None
            if facts is None:
                found = cache.recall(folder) if cache else {}
                unread, facts = len(sizes) - len(found.get(ALWAYS, ())), _dumps(found)
            self.database.execute(
                "INSERT INTO folders VALUES (?, ?, ?, ?, ?, ?, ?)",
                (folder.path, len(sizes), sum(sizes), unread, kept, states, facts),
            )

    def keep(self, cache: Cache) -> None:
        """Let a cache keep, for the next time, what it knows of whole folders."""
        cache.keep_folders(self._to_be_kept(cache))

    def _to_be_kept(self, cache: Cache) -> Iterator[tuple[bytes, bytes, bytes]]:
        """Give path, states and facts of the folders of whose files the cache knows the digests."""
        for held in self.all_held("files AND NOT unread AND NOT kept"):
            facts = cache.recall(Folder(held.path, held.states, []))
            if len(facts.get(ALWAYS, ())) == sum(1 for _ in held.files()):
                yield held.path, _dumps(held.states), _dumps(facts)

    # Folders.

    def held(self, path: bytes) -> Held | None:
        """Give the folder at a path; None if there is none."""
        if self._last is not None and self._last.path == path:
            return self._last
        found = self._near.pop(path, None)
        if found is None:
            row = self.database.execute(
                "SELECT path, states, facts FROM folders WHERE path = ?", (path,)
            ).fetchone()
            if row is None:
                return None
            found = Held(row[0], marshal.loads(row[1]), marshal.loads(row[2]))  # noqa: S302  # ours
            if len(self._near) >= _NEAR:
                self._put_away(next(iter(self._near)))
        self._near[path] = self._last = found
        return found

    def all_held(self, where: str = "1") -> Iterator[Held]:
        """Give all folders, or those that a condition holds for, in the byte order of paths."""
        self._put_all_away()
        rows = self.database.execute(f"SELECT path FROM folders WHERE {where} ORDER BY path")
        return filter(None, (self.held(path) for (path,) in rows))

    def by_path(self, of: Callable[[Held], Iterable[tuple[bytes, T]]]) -> Iterator[T]:
        """Give what `of` makes of each folder's files, name by name, in the order of whole paths.

        The order is that of bytes: `a-b` stands before `a/b`.
        """
        self._put_all_away()
        open_ones = [self._steps(b"", of)]
        while open_ones:
            for inside, some in open_ones[-1]:
                yield from some
                if inside is not None:
                    open_ones.append(self._steps(inside, of))
                    break
            else:
                open_ones.pop()

    def _steps(
        self, path: bytes, of: Callable[[Held], Iterable[tuple[bytes, T]]]
    ) -> Iterator[tuple[bytes | None, list[T]]]:
        """Give what comes before each folder within, then that folder; at last the rest."""
        held = self.held(path)
        if held is None:
            return
        inside = sorted(name + b"/" for name, state in held.states.items() if state[0] == _FOLDER)
        rows = list(of(held))
        at = 0
        for name in inside:
            upto = at
            while upto < len(rows) and rows[upto][0] < name:
                upto += 1
            yield held.prefix + name[:-1], [item for _, item in rows[at:upto]]
            at = upto
        yield None, [item for _, item in rows[at:]]

    def _put_away(self, path: bytes) -> None:
        """Let a folder go that is at hand; what was learned of it is kept."""
        held, self._last = self._near.pop(path), None
        if path in self._learned:
            self._learned.discard(path)
            self.database.execute(
                "UPDATE folders SET facts = ?2, unread = files - ?3, kept = 0 WHERE path = ?1",
                (path, _dumps(held.facts), len(held.facts.get(ALWAYS, ()))),
            )

    def _put_all_away(self) -> None:
        for path in tuple(self._near):
            self._put_away(path)

    # Files.

    def entry(self, path: bytes) -> Entry | None:
        """Give what lies at a path."""
        folder, name = split(path)
        held = self.held(folder)
        state = held and held.states.get(name)
        return entry_of_row(path, state) if state else None

    def count(self) -> tuple[int, int]:
        """Count the files and their bytes."""
        count, size = self.database.execute(
            "SELECT coalesce(sum(files), 0), coalesce(sum(bytes), 0) FROM folders"
        ).fetchone()
        return count, size

    def files(self) -> Iterator[Entry]:
        """Give all files, folder by folder."""
        for held in self.all_held("files"):
            prefix = held.prefix
            yield from (entry_of_row(prefix + name, held.states[name]) for name in held.files())

    def digests(self, algorithm: str) -> Iterator[tuple[bytes, bytes]]:
        """Give path and digest of all files of which it is known, in the byte order of paths."""

        def known(held: Held) -> Iterator[tuple[bytes, tuple[bytes, bytes]]]:
            prefix, values = held.prefix, held.facts.get(algorithm, {})
            return ((name, (prefix + name, values[name])) for name in held.states if name in values)

        return self.by_path(known)

    def in_another_form(self, path: bytes) -> bytes | None:
        """Find the file whose path is the same in another Unicode form (UAX #15)."""
        if path.isascii():
            return None
        self._once("forms", lambda path, _: [] if path.isascii() else [_form(path)])
        return next((one for one in self._found("forms", _form(path)) if one != path), None)

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
        self.database.execute(f"CREATE TABLE {table} (key BLOB, path BLOB)")
        rows = (
            (key, held.prefix + name)
            for held in self.all_held("files")
            for name in held.files()
            for key in keys(held.prefix + name, _facts(held, name))
        )
        insert_rows(self.database, table, 2, rows)
        self.database.execute(f"CREATE INDEX {table}_key ON {table} (key)")
        self._made.add(table)

    def _found(self, table: str, key: bytes) -> list[bytes]:
        rows = self.database.execute(
            f"SELECT path FROM {table} WHERE key = ? ORDER BY path LIMIT 2", (key,)
        )
        return [path for (path,) in rows]

    # Facts of files.

    def learn(self, path: bytes, facts: Mapping[str, bytes]) -> None:
        """Note facts of a file."""
        folder, name = split(path)
        held = self.held(folder)
        if held is not None:
            for fact, value in facts.items():
                held.facts.setdefault(fact, {})[name] = value
            self._learned.add(folder)

    def facts(self, path: bytes) -> dict[str, bytes]:
        """Give what is known of a file."""
        folder, name = split(path)
        held = self.held(folder)
        return _facts(held, name) if held else {}

    def want(self, also: Iterable[tuple[bytes, str]] = ()) -> tuple[int, int]:
        """Note which digests are not known yet, and count files and bytes to be read for them.

        SHA-256 is wanted of every file; `also` gives others, of files, by path and algorithm.
        """
        rows = (
            (held.prefix + name, ALWAYS, held.states[name][1])
            for held in self.all_held("unread")
            for name in held.files()
            if held.digest(name, ALWAYS) is None
        )
        insert_rows(self.database, "wanted", 3, rows)
        for path, algorithm in also:
            entry = self.entry(path)
            self.database.execute(
                "INSERT OR IGNORE INTO wanted VALUES (?, ?, ?)",
                (path, algorithm, entry.size if entry else 0),
            )
        count, size = self.database.execute(
            "SELECT count(*), coalesce(sum(size), 0) FROM (SELECT max(size) AS size FROM wanted "
            "GROUP BY path)"
        ).fetchone()
        return count, size

    def wanted(self) -> Iterator[Asked]:
        """Give what `want` noted, large files first: no core is to be left with one at the end."""
        for which in (
            f"size > {_LARGE} GROUP BY path ORDER BY max(size) DESC, path",
            f"size <= {_LARGE} GROUP BY path ORDER BY path",
        ):
            rows = self.database.execute(
                f"SELECT path, group_concat(algorithm) FROM wanted WHERE {which}"
            )
            for path, names in rows:
                entry = self.entry(path)
                if entry is not None:
                    yield Asked(entry, _algorithms(names))


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


def split(path: bytes) -> tuple[bytes, bytes]:
    """Give the folder of a path, `b""` for the root, and the name in it."""
    folder, _, name = path.rpartition(b"/")
    return folder, name


_AT_ONCE = 100  # rows: of seven values, fewer than the 999 that SQLite takes before 3.32
_LARGE = 64 * 1024 * 1024  # bytes; below, files are read in the order of their paths


def _dumps(value: dict[Any, Any]) -> bytes:
    # Version 2 knows no references, so that equal values give equal bytes.
    return marshal.dumps(value, 2)


def _facts(held: Held, name: bytes) -> dict[str, bytes]:
    return {fact: values[name] for fact, values in held.facts.items() if name in values}


def _key(algorithm: str, value: bytes) -> bytes:
    return algorithm.encode() + b":" + value


@functools.lru_cache(maxsize=256)
def _algorithms(names: str) -> tuple[str, ...]:
    return tuple(sorted(names.split(",")))


def _form(path: bytes) -> bytes:
    text = path.decode("utf-8", "surrogateescape")
    return unicodedata.normalize("NFC", text).encode("utf-8", "surrogateescape")
