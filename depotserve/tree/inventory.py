"""What lies in a tree and what was read of it, in a database of one run.

A row holds a folder with all that lies in it, as `marshal` writes it: a row for each file takes
five times as long to make and to find again. So memory grows with the widest folder, as that of the
walk does.
"""

from __future__ import annotations

import contextlib
import itertools
import marshal
import sqlite3
import time
from typing import TYPE_CHECKING, Callable, TypeVar

from depotserve.tree import database
from depotserve.tree.cache import Kept, Recalled, dumps
from depotserve.tree.entry import Entry, Kind
from depotserve.tree.hashing import Asked
from depotserve.tree.held import FILE, Held, make_room, split
from depotserve.tree.temporary import database_in_folder
from depotserve.tree.walk import Folder, entry_of_row

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from depotserve.tree.cache import Cache

__all__ = ["ALWAYS", "Inventory", "opened_inventory"]

T = TypeVar("T")

# Of every file: scanning, a manifest and a carry need it, and reading costs the most.
ALWAYS = "sha256"
# What a power cut may cost.
_KEEP_SECONDS = 2.0
_KEEP_BYTES = 1024**3  # of files: the last of them may come long before the next is done
_NEAR = 8  # folders at hand: processes that hash give back a few folders' files in turns
_SCHEMA = """
CREATE TABLE folders (
    path BLOB PRIMARY KEY, device INTEGER, inode INTEGER,
    files INTEGER, bytes INTEGER, largest INTEGER, newest INTEGER,
    unread INTEGER, pending INTEGER, lasts INTEGER, states BLOB, facts BLOB
);
CREATE TABLE wanted (
    folder BLOB, name BLOB, algorithm TEXT, PRIMARY KEY (folder, name, algorithm)
) WITHOUT ROWID;
"""


class Inventory:
    """The entries of a tree, and facts of its files; what is learned of them, a cache keeps."""

    def __init__(self, cache: Cache | None = None) -> None:
        self.database = database.connect()
        database.define(self.database, _SCHEMA)
        self._cache = cache
        self._near: dict[bytes, Held] = {}  # the one that was asked last is last
        self._last: Held | None = None  # which is asked for again and again
        self._learned: set[bytes] = set()  # of them, what the database does not know yet
        self._weight = 0  # bytes of the files of which the cache does not know yet what was learned
        self._kept, self._pause = time.monotonic(), _KEEP_SECONDS

    def close(self) -> None:
        """Let the cache keep what is pending, and forget everything."""
        try:
            self.keep()
        finally:
            self.database.close()

    def give_up(self) -> None:
        """Keep nothing more: a database that failed once may give anything."""
        self._cache = None

    def enter(self, folders: Iterable[Folder]) -> None:
        """Enter all that lies in the tree, each folder once, and what the cache knows of it."""
        self.database.executemany(
            "INSERT INTO folders VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            map(self._row, folders),
        )

    def _row(self, folder: Folder) -> tuple[object, ...]:
        files = [state for state in folder.states.values() if state[0] == FILE]
        sizes = [state[1] for state in files]
        states = dumps(folder.states)
        known = self._cache.recall(folder, states) if self._cache else _NOTHING
        unread = 0 if known.complete else len(files) - _count(known.facts)
        return (
            *(folder.path, folder.device, folder.inode),
            *(len(files), sum(sizes), max(sizes, default=0)),
            # A folder of which all is known may never be asked.
            _LATE if known.whole else max((max(one[2], one[3]) for one in files), default=0),
            *(unread, known.facts is not None and not known.whole),
            *(known.lasts, states, known.facts or _NO_FACTS),
        )

    def keep(self) -> None:
        """Let the cache keep what was learned by now."""
        if self._cache is None:
            return
        begun = time.monotonic()
        self._put_all_away()
        self._cache.keep(
            itertools.starmap(
                Kept,
                self.database.execute(
                    "SELECT device, inode, newest, unread = 0, states, facts FROM folders "
                    "WHERE pending AND lasts"
                ),
            )
        )
        self.database.execute("UPDATE folders SET pending = 0 WHERE pending")
        self._weight, self._kept = 0, time.monotonic()
        # A folder of a million files takes a second to write.
        self._pause = max(_KEEP_SECONDS, 10 * (self._kept - begun))

    @property
    def doubted(self) -> tuple[str, ...]:
        """Name the places of which nothing is remembered, of those that were entered."""
        return tuple(self._cache.doubted) if self._cache else ()

    def _is_due(self) -> bool:
        late = time.monotonic() - self._kept
        return late > self._pause or (self._weight > _KEEP_BYTES and late > self._pause / 10)

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
            if (other := make_room(self._near, path, _NEAR)) is not None:
                self._put_away(other)
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
        inside = sorted(
            name + b"/" for name, state in held.states.items() if state[0] == Kind.FOLDER
        )
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
        if path in self._learned:
            held = self._near[path]
            self.database.execute(
                "UPDATE folders SET facts = ?2, unread = files - ?3, pending = 1 WHERE path = ?1",
                (path, dumps(held.facts), len(held.facts.get(ALWAYS, ()))),
            )
            self._learned.discard(path)
        self._near.pop(path, None)
        self._last = None

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

    def is_file(self, path: bytes) -> bool:
        """Tell whether a file lies at a path."""
        folder, name = split(path)
        held = self.held(folder)
        return held is not None and held.is_file(name)

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

    # Facts of files.

    def learn(self, path: bytes, facts: Mapping[str, bytes]) -> None:
        """Note facts of a file that is as it was entered."""
        folder, name = split(path)
        held = self.held(folder)
        if held is not None:
            for fact, value in facts.items():
                held.facts.setdefault(fact, {})[name] = value
            self._learned.add(folder)
            self._weight += held.states[name][1]
            if self._cache and self._is_due():
                self.keep()

    def facts(self, path: bytes) -> dict[str, bytes]:
        """Give what is known of a file."""
        folder, name = split(path)
        held = self.held(folder)
        return held.facts_of(name) if held else {}

    def want(self, also: Iterable[tuple[bytes, str]] = ()) -> tuple[int, int]:
        """Note which digests are not known yet, and count files and bytes to be read for them.

        SHA-256 is wanted of every file; `also` gives others, of files, by path and algorithm.
        """
        self.database.executemany(
            "INSERT OR IGNORE INTO wanted VALUES (?, ?, ?)",
            ((*split(path), algorithm) for path, algorithm in also),
        )
        count = size = 0
        for held, some in self._wanted():
            count += len(some)
            size += sum(held.states[name][1] for name in some)
        return count, size

    def wanted(self) -> Iterator[Asked]:
        """Give what `want` noted, large files first: no core is to be left with one at the end."""
        large = (one for one in self._asked(f"largest > {_LARGE}") if one.entry.size > _LARGE)
        yield from sorted(large, key=lambda one: -one.entry.size)
        yield from (one for one in self._asked() if one.entry.size <= _LARGE)

    def _asked(self, where: str = "1") -> Iterator[Asked]:
        for held, some in self._wanted(where):
            prefix, states = held.prefix, held.states
            for name, algorithms in some.items():
                yield Asked(entry_of_row(prefix + name, states[name]), algorithms)

    def _wanted(self, where: str = "1") -> Iterator[tuple[Held, dict[bytes, tuple[str, ...]]]]:
        """Give the folders of whose files digests are wanted, and which, by name."""
        which = f"(unread OR path IN (SELECT folder FROM wanted)) AND {where}"
        for held in self.all_held(which):
            known = held.facts.get(ALWAYS, {})
            unread = (name for name in held.files() if name not in known)
            some: dict[bytes, tuple[str, ...]] = dict.fromkeys(unread, _ALWAYS)
            rows = self.database.execute(
                "SELECT name, group_concat(algorithm) FROM wanted WHERE folder = ? GROUP BY name",
                (held.path,),
            )
            for name, algorithms in rows:
                if held.is_file(name):
                    some[name] = tuple(sorted([*some.get(name, ()), *algorithms.split(",")]))
            yield held, some


@contextlib.contextmanager
def opened_inventory(cache: Cache | None = None) -> Iterator[Inventory]:
    """Give an empty inventory, which is gone with the context; a cache keeps what it learned.

    Raises SurroundingsError if the folder for temporary files is full.
    """
    with database_in_folder(), contextlib.closing(Inventory(cache)) as inventory:
        try:
            yield inventory
        except sqlite3.Error:
            inventory.give_up()
            raise


_LARGE = 64 * 1024 * 1024  # bytes; below, files are read in the order of their folders
_ALWAYS = (ALWAYS,)
_LATE = 2**62  # nanoseconds: later than any clock; so the cache looks at each file
_NO_FACTS = dumps({})
_NOTHING = Recalled(lasts=False)


def _count(facts: bytes | None) -> int:
    """Count the files whose digest is among some facts."""
    return len(marshal.loads(facts).get(ALWAYS, ())) if facts else 0  # noqa: S302  # our own
