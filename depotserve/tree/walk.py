"""Walk a tree: every entry once, in the byte order of names, through no link."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, NamedTuple

from depotserve.errors import SurroundingsError
from depotserve.tree.entry import Entry, Kind, entry_of_state, kind_of_mode

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["Folder", "Trouble", "folders", "walk"]


class Trouble(NamedTuple):
    """An entry that cannot be looked at, or a folder that cannot be listed."""

    path: bytes
    why: str


class Folder(NamedTuple):
    """One folder and all that lies in it, in the byte order of names."""

    path: bytes  # b"" for the root
    names: list[bytes]  # of the entries
    entries: list[Entry]
    troubles: list[Trouble]


def walk(root: Path) -> Iterator[Entry | Trouble]:
    """Yield what lies beneath `root`, as `folders` finds it."""
    for folder in folders(root):
        yield from folder.entries
        yield from folder.troubles


def folders(root: Path) -> Iterator[Folder]:
    """Yield `root` and every folder beneath it, each before those within it.

    Links, FIFOs and devices are entries, and are never opened. Memory grows with the widest folders
    on the way down, not with the number of files. Raises SurroundingsError if `root` itself is no
    folder or cannot be listed; whatever else cannot be seen is a Trouble.
    """
    try:
        os.scandir(root).close()
    except OSError as error:
        raise SurroundingsError(_reason(error), where=str(root)) from error
    base = os.fsencode(root)
    waiting = [b""]
    while waiting:
        found = _look(base, waiting.pop())
        yield found
        waiting += [one.path for one in reversed(found.entries) if one.kind is Kind.FOLDER]


def _look(base: bytes, path: bytes) -> Folder:
    prefix = path + b"/" if path else b""
    folder = Folder(path, [], [], [])
    try:
        with os.scandir(base + b"/" + path) as found:
            entries = sorted(found, key=_name)
    except OSError as error:
        folder.troubles.append(Trouble(path, _reason(error)))
        return folder
    for one in entries:
        try:
            state = one.stat(follow_symlinks=False)
        except OSError as error:
            folder.troubles.append(Trouble(prefix + one.name, _reason(error)))
            continue
        folder.names.append(one.name)
        folder.entries.append(
            entry_of_state(
                prefix + one.name,
                kind_of_mode(state.st_mode),
                state.st_size,
                state.st_mtime_ns,
                state.st_ctime_ns,
                state.st_ino,
                state.st_dev,
            )
        )
    return folder


def _name(entry: os.DirEntry[bytes]) -> bytes:
    return entry.name


def _reason(error: OSError) -> str:
    return error.strerror or type(error).__name__
