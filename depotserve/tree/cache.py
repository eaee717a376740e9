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
CREATE TABLE IF NOT EXISTS folders (path BLOB PRIMARY KEY, states BLOB, facts BLOB)
"""
_VERSION = 1
# A file that changes again within a clock's tick keeps its times; two seconds are more than the
# coarsest clock of a file system that is believed at all.
_SETTLED = 2_000_000_000  # nanoseconds
_WAIT = 30.0  # seconds, for another command that writes
_PENDING = 20_000  # facts
_PENDING_SECONDS = 2.0  # what a power cut may cost


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
        self._kept = time.monotonic()
        with self._words():
            self._database = sqlite3.connect(path, timeout=_WAIT, isolation_level=None)
            (version,) = self._database.execute("PRAGMA user_version").fetchone()
            if version not in (0, _VERSION):
                raise self._error("was written by another version of depotserve")
            self._database.execute(_SCHEMA)
            self._database.execute(_FOLDERS)
            self._database.execute(f"PRAGMA user_version = {_VERSION}")
            os.chmod(path, 0o600)

    def recall(self, folder: Folder) -> dict[str, dict[bytes, bytes]]:
        """Give what is known of the files of a folder that have not changed: by fact, by name."""
        found: dict[str, dict[tuple[int, ...], bytes]] = {}
        for run in _runs(folder.states.values()):
            with self._words():
                for fact, value, *state in self._database.execute(_RECALL, run):
                    found.setdefault(fact, {})[tuple(state)] = value
        return {fact: _of_files(folder.states, values) for fact, values in found.items()}

    def recall_folder(self, folder: Folder, states: bytes) -> bytes | None:
        """Give the facts that `keep_folders` kept; None unless all its files are as they were."""
        devices = {state[5] for state in folder.states.values()}
        path = self._base + folder.path
        if not all(self._volumes.may_remember(device, path) for device in devices):
            return None
        with self._words():
            row = self._database.execute(
                "SELECT facts FROM folders WHERE path = ? AND states = ?", (path, _brief(states))
            ).fetchone()
        return row[0] if row else None

    def keep_folders(self, rows: Iterable[tuple[bytes, bytes, bytes]]) -> None:
        """Keep facts of folders: path, states and facts, these two as bytes of the caller's."""
        kept = ((self._base + path, _brief(states), facts) for path, states, facts in rows)
        with self._words():
            self._write("REPLACE INTO folders VALUES (?, ?, ?)", kept)

    def remember(self, entry: Entry, facts: Mapping[str, bytes]) -> None:
        """Keep facts of a file as it was when it was read, unless it may not be believed later."""
        if time.time_ns() - max(entry.mtime, entry.ctime) < _SETTLED:
            return
        if not self._volumes.may_remember(entry.device, self._base + entry.path):
            return
        self._pending += (
            (entry.device, entry.inode, name, entry.size, entry.mtime, entry.ctime, value)
            for name, value in facts.items()
        )
        late = time.monotonic() - self._kept > _PENDING_SECONDS
        if late or len(self._pending) >= _PENDING:
            self.keep()

    def keep(self) -> None:
        """Write down what is pending."""
        if not self._pending:
            return
        with self._words():
            self._write("REPLACE INTO facts VALUES (?, ?, ?, ?, ?, ?, ?)", self._pending)
        self._pending.clear()
        self._kept = time.monotonic()

    def close(self) -> None:
        """Keep what is pending, and close."""
        try:
            self.keep()
        finally:
            self._database.close()

    def _write(self, query: str, rows: Iterable[tuple[object, ...]]) -> None:
        self._database.execute("BEGIN IMMEDIATE")
        try:
            self._database.executemany(query, rows)
        except BaseException:
            self._database.execute("ROLLBACK")
            raise
        self._database.execute("COMMIT")

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


def _brief(states: bytes) -> bytes:
    return hashlib.blake2b(states, digest_size=32).digest()


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
