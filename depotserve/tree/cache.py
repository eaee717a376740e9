"""Digests of files that have not changed since they were read, kept in the state folder."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import time
from typing import TYPE_CHECKING

from depotserve.errors import SurroundingsError
from depotserve.tree.volumes import Volumes

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from depotserve.tree.entry import Entry

__all__ = ["Cache", "opened"]

NAME = "digests.db"
_SCHEMA = """
CREATE TABLE IF NOT EXISTS facts (
    device INTEGER, inode INTEGER, algorithm TEXT,
    size INTEGER, mtime INTEGER, ctime INTEGER, value BLOB,
    PRIMARY KEY (device, inode, algorithm)
) WITHOUT ROWID
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
        self._base = os.fsencode(root) + b"/"
        self._volumes = Volumes()
        self._pending: list[tuple[int, int, str, int, int, int, bytes]] = []
        self._kept = time.monotonic()
        with self._words():
            self._database = sqlite3.connect(path, timeout=_WAIT, isolation_level=None)
            (version,) = self._database.execute("PRAGMA user_version").fetchone()
            if version not in (0, _VERSION):
                raise self._error("was written by another version of depotserve")
            self._database.execute(_SCHEMA)
            self._database.execute(f"PRAGMA user_version = {_VERSION}")
            os.chmod(path, 0o600)

    def copy_into(self, database: sqlite3.Connection, *, table: str, files: str) -> None:
        """Copy what is known of each row of `files` into `table(path, algorithm, value)`.

        `files` needs path, device, inode, size, mtime and ctime, as of `Entry`.
        """
        self.keep()
        with self._words():
            database.execute("ATTACH ? AS cache", (os.fspath(self.path),))
            try:
                database.execute(
                    f"INSERT INTO {table} SELECT f.path, k.algorithm, k.value "
                    f"FROM {files} f JOIN cache.facts k ON k.device = f.device "
                    "AND k.inode = f.inode AND k.size = f.size AND k.mtime = f.mtime "
                    "AND k.ctime = f.ctime"
                )
            finally:
                database.execute("DETACH cache")

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
            self._write(self._pending)
        self._pending.clear()
        self._kept = time.monotonic()

    def close(self) -> None:
        """Keep what is pending, and close."""
        try:
            self.keep()
        finally:
            self._database.close()

    def _write(self, rows: Iterable[tuple[int, int, str, int, int, int, bytes]]) -> None:
        self._database.execute("BEGIN IMMEDIATE")
        try:
            self._database.executemany("REPLACE INTO facts VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
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
