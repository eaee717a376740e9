"""Walk a tree: every entry once, in the byte order of names, through no link."""

from __future__ import annotations

import os
import stat
from typing import TYPE_CHECKING, NamedTuple

from depotserve.errors import SurroundingsError
from depotserve.tree.entry import Entry, Kind, kind_of_mode

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["Trouble", "walk"]


class Trouble(NamedTuple):
    """An entry that cannot be looked at, or a folder that cannot be listed."""

    path: bytes
    why: str


def walk(root: Path) -> Iterator[Entry | Trouble]:
    """Yield what lies beneath `root`, a folder's entries in order and its folders after them.

    Links, FIFOs and devices are yielded, never opened. Memory grows with the widest folders on the
    way down, not with the number of files. Raises SurroundingsError if `root` itself is no folder
    or cannot be listed; whatever else cannot be seen is yielded as Trouble.
    """
    try:
        if not stat.S_ISDIR(os.stat(root).st_mode):
            raise SurroundingsError("no folder", where=str(root))
        os.scandir(root).close()
    except OSError as error:
        raise SurroundingsError(_reason(error), where=str(root)) from error
    base = os.fsencode(root)
    waiting = [b""]
    while waiting:
        folder = waiting.pop()
        yield from _one_folder(base, folder, waiting)


def _one_folder(base: bytes, folder: bytes, waiting: list[bytes]) -> Iterator[Entry | Trouble]:
    prefix = folder + b"/" if folder else b""
    try:
        with os.scandir(base + b"/" + folder) as found:
            entries = sorted(found, key=_name)
    except OSError as error:
        yield Trouble(folder, _reason(error))
        return
    folders = []
    for entry in entries:
        path = prefix + entry.name
        try:
            state = entry.stat(follow_symlinks=False)
        except OSError as error:
            yield Trouble(path, _reason(error))
            continue
        mode = state.st_mode
        kind = Kind.FILE if stat.S_ISREG(mode) else kind_of_mode(mode)
        if kind is Kind.FOLDER:
            folders.append(path)
        yield Entry(
            path,
            kind,
            state.st_size,
            state.st_mtime_ns,
            state.st_ctime_ns,
            state.st_ino,
            state.st_dev,
        )
    waiting += reversed(folders)


def _name(entry: os.DirEntry[bytes]) -> bytes:
    return entry.name


def _reason(error: OSError) -> str:
    return error.strerror or type(error).__name__
