"""The folder for what one run works with, and what is said when nothing more goes into it."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import tempfile
from typing import TYPE_CHECKING

from depotserve.errors import SurroundingsError

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["check_room", "database_in_folder", "files_in_folder", "temporary_folder"]

# SQLite's own order ("Temporary Files Used By SQLite", section 5): it takes no other word for it.
_VARIABLES = ("SQLITE_TMPDIR", "TMPDIR")
_USUAL = ("/var/tmp", "/usr/tmp", "/tmp")  # noqa: S108  # what lies there is born private
# Of all that SQLite says, what its file system is to blame for; a quota is an "I/O error" to it.
_BLAMED = ("database or disk is full", "disk I/O error", "unable to open database file")
_ROOM = 64 * 1024  # bytes; what a program says of one signature has some hundred
_ALLOWED = "make room there, or name another folder by TMPDIR"


def temporary_folder() -> str:
    """Find the folder for temporary files.

    Raises SurroundingsError if there is none: the current folder, which would be next, may be the
    tree, and is never written to.
    """
    named = [os.environ.get(name, "") for name in _VARIABLES]
    for folder in (*named, *_USUAL):
        if folder and os.path.isdir(folder) and os.access(folder, os.W_OK | os.X_OK):
            return folder
    raise SurroundingsError("no folder for temporary files can be written to", allowed=_ALLOWED)


@contextlib.contextmanager
def database_in_folder() -> Iterator[None]:
    """Say of an error of a temporary database, where it is the folder's, which folder it is."""
    folder = temporary_folder()
    try:
        yield
    except sqlite3.OperationalError as error:
        if str(error) not in _BLAMED:
            raise
        raise _full(folder, str(error)) from error


@contextlib.contextmanager
def files_in_folder() -> Iterator[None]:
    """Say of an error of temporary files which folder it is."""
    folder = temporary_folder()
    try:
        yield
    except OSError as error:
        raise _full(folder, error.strerror or type(error).__name__) from error


def check_room() -> None:
    """Raise SurroundingsError if nothing more goes into the folder: a program may not say so."""
    with files_in_folder(), tempfile.TemporaryFile(dir=temporary_folder()) as file:
        file.write(bytes(_ROOM))
        file.flush()


def _full(folder: str, why: str) -> SurroundingsError:
    what = f"the temporary files of this run do not go into this folder: {why}"
    return SurroundingsError(what, where=folder, allowed=_ALLOWED)
