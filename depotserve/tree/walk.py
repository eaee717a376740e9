"""Walk a tree: every entry once, in the byte order of names, through no link."""

from __future__ import annotations

import operator
import os
from typing import TYPE_CHECKING, NamedTuple

from depotserve.errors import SurroundingsError
from depotserve.tree.entry import KINDS_BY_MODE, Entry, Kind, folded

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["Folder", "State", "Trouble", "entry_of_row", "folders", "walk"]


class Trouble(NamedTuple):
    """An entry that cannot be looked at, or a folder that cannot be listed."""

    path: bytes
    why: str


# What `Entry` says of a path but for the path itself, in plain integers, which `marshal` takes.
State = tuple[int, int, int, int, int, int]


class Folder(NamedTuple):
    """One folder and all that lies in it, in the byte order of names."""

    path: bytes  # b"" for the root
    states: dict[bytes, State]  # by name
    troubles: list[Trouble]
    inode: int = 0  # its own
    device: int = 0

    @property
    def prefix(self) -> bytes:
        """Give what stands before the names of its entries in their paths."""
        return self.path + b"/" if self.path else b""

    @property
    def entries(self) -> list[Entry]:
        """Give its entries."""
        prefix = self.prefix
        return [entry_of_row(prefix + name, state) for name, state in self.states.items()]


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
        seen = os.stat(root)
    except OSError as error:
        raise SurroundingsError(_reason(error), where=str(root)) from error
    base = os.fsencode(root)
    waiting = [(b"", folded(0, 0, seen.st_ino)[2], seen.st_dev)]
    while waiting:
        found = _look(base, *waiting.pop())
        yield found
        inside = [
            (found.prefix + name, *state[4:])
            for name, state in found.states.items()
            if state[0] == _FOLDER
        ]
        waiting += reversed(inside)


def entry_of_row(path: bytes, state: State) -> Entry:
    """Give the entry at a path."""
    kind, *others = state
    return Entry(path, _KINDS[kind], *others)


def _look(base: bytes, path: bytes, inode: int, device: int) -> Folder:
    folder = Folder(path, {}, [], inode, device)
    try:
        with os.scandir(base + b"/" + path) as found:
            entries = sorted(found, key=operator.attrgetter("name"))
    except OSError as error:
        folder.troubles.append(Trouble(path, _reason(error)))
        return folder
    states, of_mode = folder.states, KINDS_BY_MODE.get
    for one in entries:
        name = one.name
        try:
            state = one.stat(follow_symlinks=False)
        except OSError as error:
            folder.troubles.append(Trouble(folder.prefix + name, _reason(error)))
            continue
        states[name] = (
            of_mode(state.st_mode & 0o170000, _SPECIAL),
            state.st_size,
            *folded(state.st_mtime_ns, state.st_ctime_ns, state.st_ino),
            state.st_dev,
        )
    return folder


_FOLDER, _SPECIAL = int(Kind.FOLDER), int(Kind.SPECIAL)
_KINDS = {int(kind): kind for kind in Kind}


def _reason(error: OSError) -> str:
    return error.strerror or type(error).__name__
