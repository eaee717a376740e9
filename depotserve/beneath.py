"""Opening what lies beneath a root, and nothing that does not.

Every component is opened from the descriptor of the folder before it (the first one by the
root's own path), never through a link that the kernel would follow for us; links are read and
walked the same way. So a rename or a link put in place at any moment between a check and an open
changes nothing: what was opened is what was checked.
"""

from __future__ import annotations

import errno
import os
import stat
from collections import deque
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from depotserve.never_serve import Hides

__all__ = ["NotBeneathError", "Opened", "open_beneath"]

# Linux gives up after 40 links too (path_resolution(7)).
_MOST_LINKS = 40
# A path of more components than this is no vendor's; it bounds the descriptors held in a walk.
_MOST_DEPTH = 256

_FOLDER = os.O_PATH | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
# O_NONBLOCK: a FIFO put here between the look and the open does not block; O_NOCTTY likewise
# for a terminal. Neither changes reading a regular file.
_READ = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC

_READ_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC


class NotBeneathError(OSError):
    """The name is not there for a client: missing, special, hidden, or out of the root."""


class Opened(NamedTuple):
    """An open file or folder beneath a root; its owner closes the descriptor."""

    descriptor: int
    status: os.stat_result
    names: tuple[bytes, ...]  # the path from the root with every link resolved


def open_beneath(paths: tuple[bytes, ...], names: tuple[bytes, ...], hides: Hides) -> Opened:
    """Open the regular file or folder at `names` beneath a root for reading.

    `paths` are the absolute paths that lead to the root, its real one first; absolute links are
    held against them. Raises `NotBeneathError` for what a client must not see and `OSError` as
    the kernel gives it.
    """
    walk = _Walk(paths, hides)
    try:
        return walk.to(names)
    finally:
        walk.close()


class _Walk:
    """One walk from a root: the folders open on the way, and the names still to go."""

    def __init__(self, paths: tuple[bytes, ...], hides: Hides) -> None:
        self._paths = paths
        self._hides = hides
        self._links_left = _MOST_LINKS
        self._folders: list[int] = []  # the last one is where the walk stands, without any the root
        self._names: list[bytes] = []  # of those folders
        self._ahead: deque[bytes] = deque()

    def close(self) -> None:
        for descriptor in self._folders:
            os.close(descriptor)
        self._folders.clear()

    def to(self, names: tuple[bytes, ...]) -> Opened:
        self._ahead.extend(names)
        while self._ahead:
            name = self._ahead.popleft()
            if name in (b"", b"."):
                continue
            if name == b"..":
                self._up()
                continue
            opened = self._enter(name)
            if opened is not None:
                return opened
        return self._open_here()

    def _up(self) -> None:
        """Go back to the folder that the walk came from; ".." itself is never opened."""
        if not self._names:
            raise _not_beneath("leads out of the root")
        os.close(self._folders.pop())
        self._names.pop()

    def _enter(self, name: bytes) -> Opened | None:
        """Step into `name`: give the file if it is one and the last, follow it if a link."""
        if self._hides(name) or len(self._names) >= _MOST_DEPTH:
            raise _not_beneath("is not served")
        # How the name is reached: from the folder where the walk stands, or by the root's path.
        folder = self._folders[-1] if self._folders else None
        path = name if self._folders else self._paths[0] + b"/" + name
        if self._ahead and self._step_into(name, path, folder):
            return None
        mode = os.lstat(path, dir_fd=folder).st_mode
        if stat.S_ISREG(mode) and not any(self._ahead):
            descriptor = os.open(path, _READ, dir_fd=folder)
            return self._checked(descriptor, stat.S_ISREG, (*self._names, name))
        if stat.S_ISLNK(mode):
            self._follow(os.readlink(path, dir_fd=folder))
        elif not (stat.S_ISDIR(mode) and self._step_into(name, path, folder)):
            raise _not_beneath("is no file or folder")
        return None

    def _step_into(self, name: bytes, path: bytes, folder: int | None) -> bool:
        """Go into the folder `name`; False if it is none. That opens nothing (open(2), O_PATH)."""
        try:
            self._folders.append(os.open(path, _FOLDER, dir_fd=folder))
        except NotADirectoryError:
            return False
        self._names.append(name)
        return True

    def _open_here(self) -> Opened:
        """Open for reading the folder where the walk stands."""
        path, folder = (b".", self._folders[-1]) if self._folders else (self._paths[0], None)
        descriptor = os.open(path, _READ_FOLDER, dir_fd=folder)
        return self._checked(descriptor, stat.S_ISDIR, tuple(self._names))

    @staticmethod
    def _checked(descriptor: int, kind: object, names: tuple[bytes, ...]) -> Opened:
        status = os.fstat(descriptor)
        if not kind(status.st_mode):  # type: ignore[operator]
            os.close(descriptor)
            raise _not_beneath("changed its kind while it was opened")
        return Opened(descriptor, status, names)

    def _follow(self, target: bytes) -> None:
        """Put the components of a link's target before the names still to go."""
        self._links_left -= 1
        if self._links_left < 0:
            raise _not_beneath("has too many links")
        if target.startswith(b"/"):
            target = self._within_root(target)
            self.close()
            self._names.clear()
        self._ahead.extendleft(reversed(target.split(b"/")))

    def _within_root(self, target: bytes) -> bytes:
        """Give the part of an absolute link's target that lies beneath the root."""
        for path in self._paths:
            prefix = path.rstrip(b"/") + b"/"
            if target == path or target.startswith(prefix):
                return target[len(prefix) :]
        raise _not_beneath("leads out of the root")


def _not_beneath(reason: str) -> NotBeneathError:
    return NotBeneathError(errno.ENOENT, reason)
