"""What scanners said, kept by the digest of the bytes that they were given."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import stat
from typing import TYPE_CHECKING, NamedTuple

from depotserve.errors import SurroundingsError
from depotserve.tree.scan.verdict import LONGEST_NAME, Answer, Verdict, Version

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["Record", "opened_record"]

NAME = "verdicts.db"
# How long another scan's write is waited for. Each is a few hundred rows and two syncs of a disk.
_BUSY_SECONDS = 30.0
_VERDICTS = (Verdict.CLEAN, Verdict.INFECTED)
# One row for each digest, way of asking and engine: new signatures take the place of old ones.
_TABLE = """CREATE TABLE verdicts (
  digest BLOB NOT NULL,
  size INTEGER NOT NULL,
  verdict TEXT NOT NULL,
  signature TEXT NOT NULL,
  way TEXT NOT NULL,
  engine TEXT NOT NULL,
  signatures TEXT NOT NULL,
  time TEXT NOT NULL,
  PRIMARY KEY (digest, way, engine)
) WITHOUT ROWID"""
_FIND = """SELECT size, verdict, substr(signature, 1, ?) FROM verdicts
  WHERE digest = ? AND way = ? AND engine = ? AND signatures = ?"""
_KEEP = "INSERT OR REPLACE INTO verdicts VALUES (?, ?, ?, ?, ?, ?, ?, ?)"


class _Row(NamedTuple):
    size: int
    answer: Answer
    time: str


class Record:
    """The verdicts of one way of asking one version of a scanner.

    It belongs to one thread. What is kept is written by `flush`, several verdicts at a time.
    """

    def __init__(self, file: Path, database: sqlite3.Connection, way: str, at: Version) -> None:
        self._file, self._database = file, database
        self._way, self._at = way, at
        self._waiting: dict[bytes, _Row] = {}

    def find(self, digest: bytes, size: int) -> Answer | None:
        """Give what was said of such a file; None if nothing was. Raises SurroundingsError."""
        waiting = self._waiting.get(digest)
        if waiting:
            return waiting.answer if waiting.size == size else None
        values = (LONGEST_NAME, digest, self._way, *self._at)
        with _told(self._file):
            row = self._database.execute(_FIND, values).fetchone()
        known = {verdict.value: verdict for verdict in _VERDICTS}
        if row is None or row[0] != size or row[1] not in known:
            return None
        return Answer(known[row[1]], str(row[2]))

    def keep(self, digest: bytes, size: int, answer: Answer, time: str) -> None:
        """Keep what was said; only a verdict is ever kept."""
        if answer.verdict in _VERDICTS:
            self._waiting[digest] = _Row(size, answer, time)

    def flush(self) -> None:
        """Write what is kept to the disk. Raises SurroundingsError."""
        rows = [
            (digest, size, answer.verdict.value, answer.text, self._way, *self._at, time)
            for digest, (size, answer, time) in self._waiting.items()
        ]
        if not rows:
            return
        with _told(self._file), _written(self._database):
            self._database.executemany(_KEEP, rows)
        self._waiting.clear()


@contextlib.contextmanager
def opened_record(folder: Path, way: str, at: Version) -> Iterator[Record]:
    """Open the record in the state folder for one way of asking one version; made if missing.

    Raises SurroundingsError for a file that is no such record, or a damaged one. Several
    processes may have it open. It keeps to SQLite's rollback journal: a write-ahead log needs
    memory that processes share, which a state folder on a network file system does not have.
    """
    file = folder / NAME
    with _told(file):
        _make(file)
        database = sqlite3.connect(file, timeout=_BUSY_SECONDS, isolation_level=None)
    with contextlib.closing(database):
        with _told(file):
            database.execute("PRAGMA trusted_schema = OFF")
            _check(file, database)
        yield Record(file, database, way, at)


def _make(file: Path) -> None:
    """Let the file be born for its owner alone; whatever else lies there is refused."""
    flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NONBLOCK
    descriptor = os.open(file, flags, 0o600)
    try:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise _no_record(file)
    finally:
        os.close(descriptor)


def _check(file: Path, database: sqlite3.Connection) -> None:
    """Make the table in an empty file; refuse one that holds anything but that table."""
    with _written(database):
        if database.execute("SELECT count(*) FROM sqlite_master").fetchone() == (0,):
            database.execute(_TABLE)
    if database.execute("SELECT sql FROM sqlite_master").fetchall() != [(_TABLE,)]:
        raise _no_record(file)


def _no_record(file: Path) -> SurroundingsError:
    return SurroundingsError(
        "is no record of scans", where=str(file), allowed="move it away, and a new one is made"
    )


@contextlib.contextmanager
def _written(database: sqlite3.Connection) -> Iterator[None]:
    """Make one whole write of the block; two processes wait for each other at its beginning."""
    database.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        if database.in_transaction:  # a full disk has ended it already
            database.execute("ROLLBACK")
        raise
    database.execute("COMMIT")


@contextlib.contextmanager
def _told(file: Path) -> Iterator[None]:
    """Say of an error of the database, or of its file, which file it is."""
    try:
        yield
    except OSError as error:
        raise SurroundingsError(error.strerror or "cannot be opened", where=str(file)) from error
    except sqlite3.Error as error:
        # The driver's errors that are not of use, of locks or of the disk are of a bad file.
        if isinstance(error, sqlite3.OperationalError) and "malformed" not in str(error):
            raise SurroundingsError(f"the record of scans: {error}", where=str(file)) from error
        raise SurroundingsError(
            f"the record of scans is damaged: {error}",
            where=str(file),
            allowed="move it away, and a new one is made",
        ) from error
