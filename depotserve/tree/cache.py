"""Digests of files that have not changed since they were read, kept in the state folder."""

from __future__ import annotations

import contextlib
import hashlib
import itertools
import marshal
import os
import sqlite3
import time
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

from depotserve.errors import SurroundingsError
from depotserve.tree.entry import Kind
from depotserve.tree.volumes import Volumes

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from depotserve.tree.walk import Folder, State

__all__ = ["Cache", "Facts", "Kept", "Recalled", "dumps", "opened"]

T = TypeVar("T")

NAME = "digests.db"
# A row holds a folder, by its own device and inode, with all that lies in it: a row for each file
# takes many times as long to make and to find again. A fact counts for a file whose device, inode,
# size and both times are those that stand here under its name; most folders have not changed at
# all, which a digest of these tells.
_SCHEMA = """
CREATE TABLE IF NOT EXISTS folders (
    device INTEGER, inode INTEGER, complete INTEGER, brief BLOB, proof BLOB, facts BLOB,
    states BLOB, PRIMARY KEY (device, inode)
)
"""
_VERSION = 3
# A file that changes again within a clock's tick keeps its times; two seconds are more than the
# coarsest clock of a file system that is believed at all. They are counted back from the opening of
# the cache, before which nothing is read: a file that changed just before it was read, and again as
# reading began, has long looked settled by the end of reading.
_SETTLED = 2_000_000_000  # nanoseconds
_WAIT = 30.0  # seconds, for another command that writes
_HOLD = 2.0  # seconds after which others are let write

_FILE = int(Kind.FILE)

# Facts of the files of a folder: by the fact's name, such as a digest's algorithm; by the file's.
Facts = dict[str, dict[bytes, bytes]]


class Recalled(NamedTuple):
    """What is known of a folder's files that have not changed; facts as `dumps` writes them."""

    facts: bytes | None = None
    whole: bool = False  # nothing in the folder has changed
    complete: bool = False  # nor is anything to be read: see `Kept`
    lasts: bool = True  # what is learned of them now may be kept


class Kept(NamedTuple):
    """What is to be kept of a folder; states and facts as `dumps` writes them."""

    device: int
    inode: int
    newest: int  # nanoseconds: the latest time of a file in it
    complete: int  # 1 if all that is always wanted of its files is known
    states: bytes
    facts: bytes


def dumps(value: dict[Any, Any]) -> bytes:
    """Write states or facts; equal values give equal bytes, as long as their order is the same."""
    # Version 2 of the format knows no references.
    return marshal.dumps(value, 2)


@contextlib.contextmanager
def opened(folder: Path, root: Path) -> Iterator[Cache]:
    """Open the cache in the state folder for files beneath `root`.

    Raises SurroundingsError if it is damaged, another version's, or cannot be opened or written.
    """
    cache = Cache(folder / NAME, root)
    try:
        yield cache
    finally:
        cache.close()


class Cache:
    """Facts of files that are as they were when they were read."""

    def __init__(self, path: Path, root: Path) -> None:
        self.path = path
        self._base = os.path.abspath(os.fsencode(root)) + b"/"
        self._volumes = Volumes()
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
            database.execute(f"PRAGMA user_version = {_VERSION}")

    def recall(self, folder: Folder, states: bytes) -> Recalled:
        """Give what is known of a folder's files, whose `states` the caller has written."""
        if not self._is_believed(folder):
            return Recalled(lasts=False)
        key, brief = (folder.device, folder.inode), _brief(states)
        with self._words():
            row = self._database.execute(_RECALL, key).fetchone()
        if row is None:
            return Recalled()
        complete, known, proof, facts = row
        # What was damaged on the disk is as good as nothing; a bit may make text of bytes.
        if not _are_bytes(known, proof, facts) or _proof(complete, known, facts) != proof:
            return Recalled()
        if known == brief:
            return Recalled(facts, whole=True, complete=complete == 1)
        with self._words():
            (before,) = self._database.execute(_STATES, key).fetchone() or (b"",)
        if not _are_bytes(before) or _brief(before) != known:
            return Recalled()
        same = _of_same(marshal.loads(facts), marshal.loads(before), folder.states)  # noqa: S302
        return Recalled(dumps(same))

    @property
    def doubted(self) -> list[str]:
        """Name the places of which nothing is remembered, of those that were asked for."""
        return self._volumes.doubted

    def _is_believed(self, folder: Folder) -> bool:
        devices = {state[5] for state in folder.states.values() if state[0] == _FILE}
        return all(self._may_remember(device, folder.path) for device in devices)

    def _may_remember(self, device: int, path: bytes) -> bool:
        return self._volumes.may_remember(device, self._base + path)

    def keep(self, rows: Iterable[Kept]) -> None:
        """Keep facts of files that were read since the cache was opened."""
        made = map(self._row, rows)
        with self._words():
            for first in made:
                some = itertools.chain((first,), _for_a_while(made))
                with _transaction(self._database) as database:
                    database.executemany("REPLACE INTO folders VALUES (?, ?, ?, ?, ?, ?, ?)", some)

    def _row(self, kept: Kept) -> tuple[int, int, int, bytes, bytes, bytes, bytes]:
        device, inode, newest, complete, states, facts = kept
        latest = self._begun - _SETTLED
        if newest > latest:
            known = marshal.loads(facts)  # noqa: S302  # our own
            settled = _settled(known, marshal.loads(states), latest)  # noqa: S302
            if settled != known:
                complete, facts = 0, dumps(settled)
        brief = _brief(states)
        return device, inode, complete, brief, _proof(complete, brief, facts), facts, states

    def close(self) -> None:
        """Close; nothing is pending."""
        self._database.close()

    @contextlib.contextmanager
    def _words(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise self._error(str(error)) from error
        except UnicodeDecodeError as error:  # of words about a schema that was damaged
            raise self._error("it is damaged") from error
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


def _are_bytes(*values: object) -> bool:
    return all(isinstance(one, bytes) for one in values)


def _proof(complete: int, brief: bytes, facts: bytes) -> bytes:
    return _brief(b"%b%b%b" % (str(complete).encode(), brief, facts))


_RECALL = "SELECT complete, brief, proof, facts FROM folders WHERE device = ? AND inode = ?"
_STATES = "SELECT states FROM folders WHERE device = ? AND inode = ?"


def _for_a_while(rows: Iterator[T]) -> Iterator[T]:
    """Give rows for as long as nobody minds that the database is written to."""
    end = time.monotonic() + _HOLD
    while time.monotonic() < end and (row := next(rows, None)) is not None:
        yield row


def _of_same(facts: Facts, before: dict[bytes, State], now: dict[bytes, State]) -> Facts:
    """Give the facts of the files that are as they were."""
    return {
        fact: {
            name: value
            for name, value in values.items()
            if name in now and before.get(name) == now[name]
        }
        for fact, values in facts.items()
    }


def _settled(facts: Facts, states: dict[bytes, State], latest: int) -> Facts:
    """Give the facts of the files that did not change later than that."""
    return {
        fact: {name: value for name, value in values.items() if max(states[name][2:4]) <= latest}
        for fact, values in facts.items()
    }


def _connect(path: Path) -> sqlite3.Connection:
    # Born private; and the system says better than SQLite what is wrong with a path.
    os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOCTTY, 0o600))
    return sqlite3.connect(path, timeout=_WAIT, isolation_level=None)


@contextlib.contextmanager
def _transaction(database: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    """Write all or nothing, whatever interrupts it."""
    if database.in_transaction:  # an interrupt may come just before an earlier one ends
        database.rollback()
    with database:
        database.execute("BEGIN IMMEDIATE")
        yield database
