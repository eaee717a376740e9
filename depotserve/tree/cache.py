"""Digests of files that have not changed since they were read, kept in the state folder."""

from __future__ import annotations

import contextlib
import hashlib
import os
import sqlite3
import time
from typing import TYPE_CHECKING

from depotserve.errors import SurroundingsError
from depotserve.tree.entry import Kind
from depotserve.tree.volumes import Volumes

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from depotserve.tree.entry import Entry
    from depotserve.tree.walk import Folder, State

__all__ = ["Cache", "opened"]

NAME = "digests.db"
_SCHEMA = """
CREATE TABLE IF NOT EXISTS facts (
    device INTEGER, inode INTEGER, algorithm TEXT,
    size INTEGER, mtime INTEGER, ctime INTEGER, value BLOB,
    PRIMARY KEY (device, inode, algorithm)
) WITHOUT ROWID
"""
# What is known of all files of a folder at once, if nothing in it has changed: by a digest of the
# names and of everything that tells a change of a file. One row is found a hundred times as quickly
# as those of a thousand files.
_FOLDERS = """
CREATE TABLE IF NOT EXISTS folders (path BLOB PRIMARY KEY, states BLOB, facts BLOB, digest BLOB)
"""
_VERSION = 1
# A file that changes again within a clock's tick keeps its times; two seconds are more than the
# coarsest clock of a file system that is believed at all. They are counted back from the opening of
# the cache, before which nothing is read: a file that changed just before it was read, and again as
# reading began, has long looked settled by the end of reading.
_SETTLED = 2_000_000_000  # nanoseconds
_WAIT = 30.0  # seconds, for another command that writes
# What a power cut may cost.
_PENDING = 20_000  # facts
_PENDING_SECONDS = 2.0
_PENDING_BYTES = 1024**3  # of files: the last of them may come long before the next is done


@contextlib.contextmanager
def opened(folder: Path, root: Path) -> Iterator[Cache]:
    """Open the cache in the state folder for files beneath `root`; what is pending is kept at exit.

    Raises SurroundingsError if it is damaged, another version's, or cannot be opened or written.
    """
    cache = Cache(folder / NAME, root)
    try:
        yield cache
    finally:
        cache.close()


class Cache:
    """Facts by device, inode, size and both times."""

    def __init__(self, path: Path, root: Path) -> None:
        self.path = path
        self._base = os.path.abspath(os.fsencode(root)) + b"/"
        self._volumes = Volumes()
        self._pending: list[tuple[int, int, str, int, int, int, bytes]] = []
        self._weight = 0  # bytes of the files that are pending
        self._kept = time.monotonic()
        self._begun = time.time_ns()
        with self._words():
            self._database = _connect(path)
            try:
                self._make()
            except BaseException:
                self._database.close()
                raise

    def _make(self) -> None:
        """Make the table in a new file; an old one is written to as well, to see that it can be."""
        with _transaction(self._database) as database:
            (version,) = database.execute("PRAGMA user_version").fetchone()
            (tables,) = database.execute("SELECT count(*) FROM sqlite_master").fetchone()
            if version not in (0, _VERSION):
                raise self._error("it was written by another version of depotserve")
            if tables and not version:
                raise self._error("it is a database of something else")
            database.execute(_SCHEMA)
            database.execute(_FOLDERS)
            database.execute(f"PRAGMA user_version = {_VERSION}")

    def recall(self, folder: Folder) -> dict[str, dict[bytes, bytes]]:
        """Give what is known of the files of a folder that have not changed: by fact, by name."""
        found: dict[str, dict[tuple[int, ...], bytes]] = {}
        if not self._is_believed(folder):
            return {}
        for run in _runs(folder.states.values()):
            with self._words():
                for fact, value, *state in self._database.execute(_RECALL, run):
                    found.setdefault(fact, {})[tuple(state)] = value
        return {fact: _of_files(folder.states, values) for fact, values in found.items()}

    def recall_folder(self, folder: Folder, states: bytes) -> bytes | None:
        """Give the facts that `keep_folders` kept; None unless all its files are as they were."""
        if not self._is_believed(folder):
            return None
        with self._words():
            row = self._database.execute(
                "SELECT facts, digest FROM folders WHERE path = ? AND states = ?",
                (self._base + folder.path, _brief(states)),
            ).fetchone()
        # What was damaged on the disk is as good as nothing.
        return row[0] if row and _brief(row[0]) == row[1] else None

    def keep_folders(self, rows: Iterable[tuple[bytes, bytes, bytes]]) -> None:
        """Keep facts of folders: path, states and facts, these two as bytes of the caller's."""
        kept = (
            (self._base + path, _brief(states), facts, _brief(facts))
            for path, states, facts in rows
        )
        with self._words(), _transaction(self._database) as database:
            database.executemany("REPLACE INTO folders VALUES (?, ?, ?, ?)", kept)

    def _is_believed(self, folder: Folder) -> bool:
        devices = {state[5] for state in folder.states.values()}
        return all(self._may_remember(device, folder.path) for device in devices)

    def remember(self, entry: Entry, facts: Mapping[str, bytes]) -> None:
        """Keep facts of a file that was read since the cache was opened, if it may be believed."""
        if self._begun - max(entry.mtime, entry.ctime) < _SETTLED:
            return
        if not self._may_remember(entry.device, entry.path):
            return
        self._pending += (
            (entry.device, entry.inode, name, entry.size, entry.mtime, entry.ctime, value)
            for name, value in facts.items()
        )
        self._weight += entry.size
        late = time.monotonic() - self._kept > _PENDING_SECONDS
        if late or len(self._pending) >= _PENDING or self._weight >= _PENDING_BYTES:
            self.keep()

    def _may_remember(self, device: int, path: bytes) -> bool:
        return self._volumes.may_remember(device, self._base + path)

    def keep(self) -> None:
        """Write down what is pending."""
        if not self._pending:
            return
        with self._words(), _transaction(self._database) as database:
            database.executemany("REPLACE INTO facts VALUES (?, ?, ?, ?, ?, ?, ?)", self._pending)
        self._pending.clear()
        self._weight = 0
        self._kept = time.monotonic()

    def close(self) -> None:
        """Keep what is pending, and close."""
        try:
            self.keep()
        finally:
            self._database.close()

    @contextlib.contextmanager
    def _words(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise self._error(str(error)) from error
        except OSError as error:
            raise self._error(error.strerror or type(error).__name__) from error

    def _error(self, what: str) -> SurroundingsError:
        return SurroundingsError(
            f"the cache of digests cannot be used: {what}",
            where=str(self.path),
            allowed="it can be removed, and is then made anew; --fresh does without it",
        )


def _brief(data: bytes) -> bytes:
    return hashlib.blake2b(data, digest_size=32).digest()


_RECALL = (
    "SELECT algorithm, value, size, mtime, ctime, inode, device FROM facts "
    "WHERE device = ? AND inode BETWEEN ? AND ?"
)
# A question takes as long as some rows that nobody asked for.
_GAP = 4


def _runs(states: Iterable[State]) -> Iterator[tuple[int, int, int]]:
    """Give ranges of inodes that hold those of all files: device, first and last.

    The files of a folder mostly have inodes that follow each other, in whatever order.
    """
    inodes = sorted((state[5], state[4]) for state in states if state[0] == Kind.FILE)
    first = last = inodes[0] if inodes else (0, 0)
    for device, inode in inodes:
        if device != last[0] or inode > last[1] + _GAP:
            yield (*first, last[1])
            first = device, inode
        last = device, inode
    if inodes:
        yield (*first, last[1])


def _of_files(
    states: Mapping[bytes, State], values: Mapping[tuple[int, ...], bytes]
) -> dict[bytes, bytes]:
    """Give the values of the files that are as they were; a value may be empty."""
    return {
        name: values[state[1:]]
        for name, state in states.items()
        if state[1:] in values and state[0] == Kind.FILE
    }


def _connect(path: Path) -> sqlite3.Connection:
    # Born private; and the system says better than SQLite what is wrong with a path.
    os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOCTTY, 0o600))
    return sqlite3.connect(path, timeout=_WAIT, isolation_level=None)


@contextlib.contextmanager
def _transaction(database: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    """Write all or nothing, whatever interrupts it."""
    with database:
        database.execute("BEGIN IMMEDIATE")
        yield database
