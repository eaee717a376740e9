"""Look through a tree of content for what should not be in it and what cannot be served."""

from __future__ import annotations

import errno
import fnmatch
import os
import re
from enum import Enum
from typing import TYPE_CHECKING

import attrs

from depotserve.beneath import NotBeneathError, open_beneath
from depotserve.never_serve import Hides, compile_patterns

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["MOST_NAMED", "Found", "Kind", "Survey", "Tally", "survey"]

MOST_NAMED = 20  # what a person reads; the rest is counted
_FIRST = 5  # of what is only counted
_SUSPECT = (
    "*passw*",
    "*secret*",
    "*credential*",
    ".env",
    ".netrc",
    "_netrc",
    ".pgpass",
    ".ssh",
    ".gnupg",
    "id_rsa",
    "id_dsa",
    "id_ecdsa",
    "id_ed25519",
    "*.kdbx",
    "*.p12",
    "*.pfx",
)
_suspect = re.compile("|".join(map(fnmatch.translate, _SUSPECT)))


@attrs.frozen
class Found:
    """A name in the tree that looks like a password or key."""

    path: str  # relative to the root; bytes that are no UTF-8 as surrogates
    served: bool  # False where `never_serve` covers it


class Kind(Enum):
    """What there is to say about a name in a tree."""

    SERVED = "suspect, and served"
    HIDDEN = "suspect, and never served"
    LEFT_OUT = "never served"
    CLOSED_FOLDER = "a folder that this user may not list or enter"
    CLOSED_FILE = "a file that this user may not read"
    BROKEN = "what the disk does not give"
    DANGLING = "a link that leads to nothing"
    ASTRAY = "a link that leads out of the root, or to what is never served"


@attrs.frozen
class Tally:
    """How many names there are of a kind, and the first of them."""

    count: int = 0
    first: tuple[str, ...] = ()

    def with_one(self, path: bytes) -> Tally:
        """Count one more."""
        few = len(self.first) < _FIRST
        return Tally(self.count + 1, (*self.first, os.fsdecode(path)) if few else self.first)


@attrs.frozen
class Survey:
    """What a walk through a whole tree found."""

    named: tuple[Found, ...]  # the first MOST_NAMED suspects
    tallies: dict[Kind, Tally]  # every kind
    is_empty: bool

    @property
    def served(self) -> int:
        """Count suspect names that readers can get."""
        return self.tallies[Kind.SERVED].count

    @property
    def hidden(self) -> int:
        """Count suspect names that `never_serve` covers."""
        return self.tallies[Kind.HIDDEN].count


def survey(root: Path, never_serve: tuple[str, ...]) -> Survey:
    """Walk all of `root`: name what looks like passwords or keys, and what this user cannot read.

    Suspects are told by their names alone. Symlinks are not followed, only looked at in the way
    that a request for them would go; hidden folders are not entered. Memory is bounded by the
    widest branch, not by the number of files. What cannot be read is counted, never raised.
    """
    walk = _Walk(root, compile_patterns(never_serve))
    named: list[Found] = []
    tallies = {kind: Tally() for kind in Kind}
    for kind, path in walk.through():
        tallies[kind] = tallies[kind].with_one(path)
        if kind in _SUSPECTS and len(named) < MOST_NAMED:
            named.append(Found(os.fsdecode(path), served=kind is Kind.SERVED))
    return Survey(tuple(named), tallies, is_empty=not walk.entries)


class _Walk:
    """One walk through a tree."""

    def __init__(self, root: Path, hides: Hides) -> None:
        self.entries = 0
        self._root = os.fsencode(root)
        self._paths = (os.path.realpath(self._root), self._root)
        self._hides = hides
        self._waiting = [b""]

    def through(self) -> Iterator[tuple[Kind, bytes]]:
        """Yield each thing that there is to say, with its path from the root."""
        while self._waiting:
            folder = self._waiting.pop()
            path = os.path.join(self._root, folder)
            # Without the right to enter it, every file in it would be a fault of its own.
            if not os.access(path, os.R_OK | os.X_OK):
                yield Kind.CLOSED_FOLDER, folder
                continue
            try:
                yield from self._folder(folder, path)
            except FileNotFoundError:  # removed meanwhile
                continue
            except OSError as error:
                yield _CLOSED.get(error.errno, Kind.BROKEN), folder

    def _folder(self, folder: bytes, path: bytes) -> Iterator[tuple[Kind, bytes]]:
        with os.scandir(path) as entries:
            for entry in entries:
                self.entries += 1
                inner = os.path.join(folder, entry.name)
                hidden = self._hides(entry.name)
                if _is_suspect(entry.name):
                    yield (Kind.HIDDEN if hidden else Kind.SERVED), inner
                kind = Kind.LEFT_OUT if hidden else self._look(entry, inner)
                if kind is not None:
                    yield kind, inner

    def _look(self, entry: os.DirEntry[bytes], path: bytes) -> Kind | None:
        """Tell what keeps an entry from readers; a folder is put off until its turn."""
        if entry.is_dir(follow_symlinks=False):
            self._waiting.append(path)
        elif entry.is_symlink():
            return self._follow(path)
        elif entry.is_file(follow_symlinks=False) and not os.access(entry.path, os.R_OK):
            return Kind.CLOSED_FILE
        return None

    def _follow(self, path: bytes) -> Kind | None:
        try:
            opened = open_beneath(self._paths, tuple(path.split(b"/")), self._hides)
        except NotBeneathError:
            return Kind.ASTRAY
        except OSError as error:
            return _OF_LINKS.get(error.errno, Kind.BROKEN)
        os.close(opened.descriptor)
        return None


_SUSPECTS = (Kind.SERVED, Kind.HIDDEN)
_CLOSED: dict[int | None, Kind] = {
    errno.EACCES: Kind.CLOSED_FOLDER,
    errno.EPERM: Kind.CLOSED_FOLDER,
}
_OF_LINKS: dict[int | None, Kind] = {
    errno.ENOENT: Kind.DANGLING,
    errno.ENOTDIR: Kind.DANGLING,
    errno.ENAMETOOLONG: Kind.DANGLING,
    errno.EACCES: Kind.CLOSED_FILE,
    errno.EPERM: Kind.CLOSED_FILE,
}


def _is_suspect(name: bytes) -> bool:
    return _suspect.match(name.decode("utf-8", "surrogateescape").casefold()) is not None
